"""The virtual bench as a process of its own: ``python -m drivers.virtual``.

Prints one JSON line when all ports are open. Ends on SIGTERM, on Ctrl-C, and when a pipe on its
standard input closes, so that it never outlives the program that started it.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import secrets
import select
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drivers.errors import DriverError, PortUnavailable
from drivers.virtual.bench_text import PTY_BAUD, bench_text
from drivers.virtual.endpoints import HOST
from drivers.virtual.pace import Pace
from drivers.virtual.plant import Plant
from drivers.virtual.ptys import require_ptys
from drivers.virtual.scenario import DEMO, load
from drivers.virtual.servers import Ports, Servers

TOKEN_BYTES = 16
BAUDS = (9600, 19200, 38400, 57600, 115200)
READY_S, END_S = 30.0, 5.0


@dataclass(frozen=True, slots=True)
class Options:
    """How to run a virtual bench. ``bench_id`` empty: a new identity for each run."""

    scenario: Path = DEMO
    real_time: bool = False
    seed: int = 1
    bench_out: Path | None = None
    bench_id: str = ""
    bays: int = 4
    baud: int | None = None


def options(argv: Sequence[str]) -> Options:
    """Parse the command line."""
    parser = argparse.ArgumentParser(prog="python -m drivers.virtual", description=__doc__)
    parser.add_argument("--scenario", type=Path, default=DEMO, help="TOML file with the parts")
    parser.add_argument("--real-time", action="store_true", help="run by the wall clock")
    parser.add_argument("--seed", type=int, default=1, help="draws the instruments' errors")
    parser.add_argument("--bench-out", type=Path, help="write the bench file that fits")
    parser.add_argument("--bench-id", default="", help="identity of the bench; default: new")
    parser.add_argument("--bays", type=int, choices=range(1, 5), default=4)
    baud = "relay line takes a wire's time at this speed; real time only"
    parser.add_argument("--baud", type=int, choices=BAUDS, help=baud)
    chosen = Options(**vars(parser.parse_args(argv)))
    if chosen.baud is not None and not chosen.real_time:
        parser.error("--baud: a wire takes time only with --real-time")
    return chosen


async def serve(chosen: Options) -> None:
    """Open everything, say where, run until told to end. Raises DriverError."""
    require_ptys()
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    plant = Plant(load(chosen.scenario), chosen.seed, chosen.bays, guarded=True)
    token = secrets.token_bytes(TOKEN_BYTES)
    servers = Servers(Pace(plant, lockstep=not chosen.real_time), token, chosen.baud)
    try:
        ports = await servers.start()
        _write_bench_file(chosen, ports, token)
        _end_with_parent(loop, stop)
        print(json.dumps(_ready(ports, token)), flush=True)
        await stop.wait()
    finally:
        await servers.close()


def _ready(ports: Ports, token: bytes) -> dict[str, Any]:
    return {
        "control": f"{HOST}:{ports.control}",
        "token": token.hex(),
        "relays_pty": ports.relays_pty,
        "meter_pty": ports.meter_pty,
        "modbus_tcp": f"{HOST}:{ports.modbus_tcp}",
        "scpi": f"{HOST}:{ports.scpi}",
    }


def _write_bench_file(chosen: Options, ports: Ports, token: bytes) -> None:
    if chosen.bench_out is None:
        return
    bench_id = chosen.bench_id or f"virtual-{token[:4].hex()}"
    today = datetime.now(UTC).date()
    text = bench_text(
        ports, token, not chosen.real_time, bench_id, chosen.bays, today, chosen.baud or PTY_BAUD
    )
    try:
        chosen.bench_out.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise PortUnavailable(str(chosen.bench_out), f"can't be written: {exc.strerror}") from exc


def _end_with_parent(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    """Watch standard input only when it is a pipe: a terminal or /dev/null says nothing."""
    try:
        kind = os.fstat(0).st_mode
    except OSError:
        return
    if stat.S_ISFIFO(kind) or stat.S_ISSOCK(kind):
        loop.add_reader(0, _read_input, loop, stop)


def _read_input(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    try:
        closed = not os.read(0, 4096)
    except OSError:
        closed = True
    if closed:
        loop.remove_reader(0)
        stop.set()


def main(argv: Sequence[str] | None = None) -> int:
    """Run until ended. 0, or 2 with one line on standard error."""
    # frames that don't decode are answered or dropped; a full standard error would block the bench
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    try:
        asyncio.run(serve(options(sys.argv[1:] if argv is None else argv)))
    except DriverError as exc:
        print(exc, file=sys.stderr)
        return 2
    return 0


@contextlib.contextmanager
def launch(chosen: Options) -> Iterator[dict[str, Any]]:
    """A virtual bench in a subprocess; yields what it says when ready, ends it afterwards.

    Raises PortUnavailable with its words when it doesn't come up.
    """
    require_ptys()
    process = subprocess.Popen(
        [sys.executable, "-m", "drivers.virtual", *_arguments(chosen)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=_environment(),
        start_new_session=True,  # Ctrl-C at the terminal is for the controller: it switches off first
    )
    try:
        yield _first_words(process)
    finally:
        _end(process)


def _arguments(chosen: Options) -> list[str]:
    words = ["--scenario", str(chosen.scenario), "--seed", str(chosen.seed)]
    words += ["--bays", str(chosen.bays)]
    if chosen.real_time:
        words.append("--real-time")
    if chosen.baud is not None:
        words += ["--baud", str(chosen.baud)]
    if chosen.bench_out is not None:
        words += ["--bench-out", str(chosen.bench_out)]
    return words + (["--bench-id", chosen.bench_id] if chosen.bench_id else [])


def _environment() -> dict[str, str]:
    """The child finds the same packages as we do, whatever the working directory."""
    here = str(Path(__file__).parents[2])
    path = os.environ.get("PYTHONPATH")
    return {**os.environ, "PYTHONPATH": f"{here}{os.pathsep}{path}" if path else here}


def _first_words(process: subprocess.Popen[bytes]) -> dict[str, Any]:
    assert process.stdout is not None
    ready, _, _ = select.select([process.stdout], [], [], READY_S)
    line = process.stdout.readline() if ready else b""
    if not line.strip():
        if not ready:
            process.kill()
        raise PortUnavailable("virtual bench", "did not start", _last_words(process))
    words: dict[str, Any] = json.loads(line)
    return words


def _last_words(process: subprocess.Popen[bytes]) -> str:
    process.wait(END_S)
    assert process.stderr is not None
    lines = process.stderr.read().decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else f"exit code {process.returncode}"


def _end(process: subprocess.Popen[bytes]) -> None:
    """Close its input; a bench that still runs is ended the hard way."""
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
