"""The whole program as a person starts it: real processes, a virtual bench of their own, real wires.

What the bench did is asked of the bench, not of the program: its coils and contacts with a stock
Modbus client, its account over the control channel.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from pymodbus.client import ModbusSerialClient, ModbusTcpClient

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0
TRANSFORMER = (  # fails at the dead test, in 0.3 s
    "--family",
    "transformer",
    "--serial",
    "DP12-8801",
    "--rated-v",
    "120",
)
PUMP = (
    *("--family", "circulation_pump", "--serial", "LK01-2201"),
    *("--rated-v", "240", "--rated-a", "1"),
)


class Ran(NamedTuple):
    """How a command ended. ``code`` is negative when a signal ended it."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Exactly one JSON document on standard output."""
        return json.loads(self.out)


@dataclass(frozen=True)
class Program:
    """The command line with a home and a state directory of its own."""

    home: Path
    state: Path

    @property
    def env(self) -> dict[str, str]:
        places = {"MILLIPROOF_HOME": str(self.home), "MILLIPROOF_STATE": str(self.state)}
        return {**os.environ, **places, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}

    def start(self, *args: object, **how: Any) -> subprocess.Popen[str]:
        """Start a command; closed input unless ``how`` says otherwise."""
        pipes = dict.fromkeys(("stdout", "stderr"), subprocess.PIPE)
        chosen = {"stdin": subprocess.DEVNULL, **pipes, "text": True, "env": self.env, **how}
        command = [sys.executable, "-m", "rig.main", *(str(arg) for arg in args)]
        return subprocess.Popen(command, **chosen)

    def __call__(self, *args: object, within_s: float = PATIENCE_S, **how: Any) -> Ran:
        """Run a command to its end."""
        return ended(self.start(*args, **how), within_s)

    def attempts(self) -> list[dict[str, Any]]:
        """The history, newest first."""
        found: list[dict[str, Any]] = self("history", "--json").json["attempts"]
        return found


def ended(process: subprocess.Popen[str], within_s: float = PATIENCE_S) -> Ran:
    """Wait for a started command; kill it and fail when it does not end."""
    try:
        out, err = process.communicate(timeout=within_s)
    except subprocess.TimeoutExpired as late:
        process.kill()
        out, err = process.communicate()
        raise AssertionError(f"did not end within {within_s} s: {out}{err}") from late
    return Ran(process.returncode, out, err)


def until(true: Callable[[], object], within_s: float = 10.0) -> None:
    """Wait for something; fail when it does not come."""
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, "did not happen in time"
        time.sleep(0.02)


@dataclass(frozen=True)
class VirtualBench:
    """A running virtual bench. ``said`` is what it printed when it was ready."""

    file: Path
    said: Mapping[str, Any]
    described: Mapping[str, Any]

    def _control(self, request: dict[str, Any]) -> Any:
        host, _, port = str(self.said["control"]).rpartition(":")
        with socket.create_connection((host, int(port)), timeout=10) as line:
            line.sendall(json.dumps(request).encode() + b"\n")
            return json.loads(line.makefile().readline())

    def account(self) -> dict[str, Any]:
        """Hazards that the bench itself counted."""
        found: dict[str, Any] = self._control({"do": "account"})
        return found

    def coils_on(self) -> set[str]:
        """Outputs that are on, read from the relay board by a stock client."""
        places = {out["coil"]: name for name, out in self.described["outputs"].items()}
        with ModbusSerialClient(str(self.said["relays_pty"]), baudrate=115200) as line:
            unit = self.described["devices"]["relays"]["unit"]
            answer = line.read_coils(0, count=max(places) + 1, device_id=unit)
        assert not answer.isError(), answer
        return {places[n] for n, on in enumerate(answer.bits) if on and n in places}

    def _panel(self) -> ModbusTcpClient:
        host, _, port = str(self.said["modbus_tcp"]).rpartition(":")
        return ModbusTcpClient(host, port=int(port))

    def inputs(self) -> dict[str, bool]:
        """Inputs of the panel."""
        places = {name: one["discrete"] for name, one in self.described["inputs"].items()}
        with self._panel() as line:
            unit = self.described["devices"]["inputs"]["unit"]
            answer = line.read_discrete_inputs(0, count=max(places.values()) + 1, device_id=unit)
        assert not answer.isError(), answer
        return {name: answer.bits[n] for name, n in places.items()}

    def bay_v(self) -> float:
        """Volts behind the contactors."""
        with self._panel() as line:
            unit = self.described["devices"]["supply"]["unit"]
            place = self.described["readings"]["bay_v"]["address"]
            answer = line.read_input_registers(place, count=2, device_id=unit)
            kind = line.DATATYPE.FLOAT32
            return float(line.convert_from_registers(answer.registers, kind))

    def assert_dead(self) -> None:
        """Every output off, both contactors proved open, no volts on the bus, nothing happened."""
        assert self.coils_on() == set()
        seen = self.inputs()
        assert seen["contactor_1_open"]
        assert seen["contactor_2_open"]
        until(lambda: self.bay_v() < 2.0)  # the last reading may be of the voltage reference
        account = self.account()
        assert account["hazards"] == 0, account["entries"]


@contextmanager
def virtual_bench(program: Program, where: Path, *args: object) -> Iterator[VirtualBench]:
    """A virtual bench for the block."""
    file = where / "virtual.toml"
    process = program.start("virtual", "--bench-out", file, "--json", *args)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, process.communicate()[1]
        yield VirtualBench(file, json.loads(line), tomllib.loads(file.read_text("utf-8")))
    finally:
        process.send_signal(signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.communicate(timeout=10)
        process.kill()
        process.wait()


@contextmanager
def proved_bench(program: Program, where: Path) -> Iterator[VirtualBench]:
    """A virtual bench that has passed its bench proof."""
    with virtual_bench(program, where) as bench:
        ran = program("bench", "prove", "--bench", bench.file, "--yes")
        assert ran.code == 0, ran.err
        yield bench
