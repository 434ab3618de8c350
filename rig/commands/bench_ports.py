"""milliproof bench ports: which serial ports there are and whether they can be used."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import click

from rig.commands.options import with_json
from rig.commands.output import emit, say, show_table

if TYPE_CHECKING:
    from drivers.ports import Port

EPILOG = """\b
Examples:
  milliproof bench ports
  milliproof bench ports --json

\b
Write the by-id name into the bench file: it stays when the adapter moves to another socket.
A USB latency timer of 16 ms slows every transaction; 1 is wanted.
Exit codes: 0 listed (also when there is none), 2 wrong use."""


def _row(port: Port) -> tuple[str, ...]:
    rights = ("read" if port.readable else "-") + "/" + ("write" if port.writable else "-")
    latency = "" if port.latency_ms is None else f"{port.latency_ms} ms"
    return (port.device, port.by_id or "none", rights, port.group, latency, port.hint)


@click.command(epilog=EPILOG)
@with_json
def ports(as_json: bool) -> None:
    """List serial ports: stable by-id name, permissions, USB latency timer."""
    from drivers.ports import serial_ports

    found = serial_ports()
    if as_json:
        emit({"ports": [dataclasses.asdict(port) for port in found]})
    elif found:
        heads = ("port", "by-id name", "rights", "group", "latency", "what to do")
        show_table("Serial ports", heads, [_row(port) for port in found])
    if not found:
        say("no serial ports: plug the adapter in, then ask again")
