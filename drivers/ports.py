"""Serial ports of this machine: stable names, permissions, the USB latency timer."""

from __future__ import annotations

import grp
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port. ``by_id`` stays the same when it is plugged in elsewhere; empty: has none.

    ``latency_ms``: how long a USB adapter holds received bytes back, None where there is no such
    timer; 1 is wanted, 16 is usual. ``hint`` says what to do when the port can't be used.
    """

    device: str
    by_id: str
    description: str
    readable: bool
    writable: bool
    group: str
    latency_ms: int | None
    hint: str


def serial_ports(
    devices: Iterable[tuple[str, str]] | None = None,
    by_id: Path = Path("/dev/serial/by-id"),
    tty: Path = Path("/sys/class/tty"),
) -> list[Port]:
    """All serial ports, or those of ``devices`` (path, description), sorted by path."""
    if devices is None:
        devices = [(one.device, one.description) for one in list_ports.comports()]
    links = _links(by_id)
    return [_port(path, words, links, tty) for path, words in sorted(devices)]


def _links(by_id: Path) -> dict[str, str]:
    try:
        return {os.path.realpath(link): str(link) for link in sorted(by_id.iterdir())}
    except OSError:
        return {}


def _port(path: str, description: str, links: dict[str, str], tty: Path) -> Port:
    group = _group(path)
    readable, writable = os.access(path, os.R_OK), os.access(path, os.W_OK)
    latency_ms = _latency_ms(tty / Path(path).name)
    hints = []
    if not (readable and writable):
        hints.append(f"no permission: add yourself to the group {group or 'that owns it'}")
    if latency_ms is not None and latency_ms > 1:
        hints.append(f"latency timer is {latency_ms} ms, set it to 1")
    by_id = links.get(os.path.realpath(path), "")
    hint = "; ".join(hints)
    return Port(path, by_id, description, readable, writable, group, latency_ms, hint)


def _group(path: str) -> str:
    try:
        return grp.getgrgid(os.stat(path).st_gid).gr_name
    except (OSError, KeyError):
        return ""


def _latency_ms(sysfs: Path) -> int | None:
    try:
        return int((sysfs / "device" / "latency_timer").read_text())
    except (OSError, ValueError):
        return None
