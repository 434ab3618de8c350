"""SCPI meters through pyvisa with its pure Python backend, over TCP sockets and serial ports.

The backend has traps that this module closes: opening a socket to a closed port succeeds, a peer
that has gone makes a read spin until its timeout, a serial port is not locked, and a reply that came
too late is returned as the answer to the next question. So a session is opened only when the peer is
really there, nothing may be pending before or after an exchange, and after any fault there is a new
session that must answer ``*IDN?`` exactly as at first.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import termios
import time
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import pyvisa
from pyvisa import constants

from drivers import numbers
from drivers.described import BenchSpec, DeviceSpec, LineSpec, QuerySpec, ScpiReading
from drivers.errors import DriverError, Garbled, LineLost, PortUnavailable, Silent, WrongDevice
from drivers.lines import EDGE_ERRORS, REOPEN, lock_port, unavailable
from drivers.meters import Meters
from drivers.roles import Clock, Quality

VISA_ERRORS: Final = (*EDGE_ERRORS, pyvisa.Error)
PARITY: Final = {
    "none": constants.Parity.none,
    "even": constants.Parity.even,
    "odd": constants.Parity.odd,
}
STOP_BITS: Final = {1: constants.StopBits.one, 2: constants.StopBits.two}
CONNECT_S: Final = 1.0


@lru_cache(maxsize=1)
def _manager() -> Any:
    return pyvisa.ResourceManager("@py")


def _resource_name(spec: LineSpec) -> str:
    if spec.kind == "scpi-tcp":
        return f"TCPIP0::{spec.host}::{spec.tcp_port}::SOCKET"
    return f"ASRL{spec.port}::INSTR"


class ScpiLine:
    """One VISA session. ``idn`` is what the instrument answered to ``*IDN?`` when it was opened."""

    def __init__(self, spec: LineSpec, deadline_s: float) -> None:
        self.spec, self.deadline_s = spec, deadline_s
        self.dirty = False
        self.idn = ""
        self._visa: Any = None
        self._lock_fd = -1

    # ---- the session ----

    def open(self) -> None:
        """Connect and ask ``*IDN?``; raises PortUnavailable or what the exchange raises."""
        self.close()
        self._connect()
        try:
            self.idn = self.ask("*IDN?", self.deadline_s)
        except DriverError:
            self.close()
            raise

    def close(self) -> None:
        """Close the session; never raises."""
        old, self._visa = self._visa, None
        if old is not None:
            with contextlib.suppress(*VISA_ERRORS):
                old.close()
        if self._lock_fd >= 0:
            os.close(self._lock_fd)
            self._lock_fd = -1

    def clean(self) -> None:
        """A new session that answers ``*IDN?`` exactly as at first; raises LineLost, WrongDevice."""
        if self._visa is None:
            raise LineLost(self.spec.name, "is not connected", REOPEN)
        self.close()
        try:
            self._connect()
        except PortUnavailable as exc:
            raise LineLost(self.spec.name, f"no new session: {exc.what}", REOPEN) from exc
        answer = self.ask("*IDN?", self.deadline_s)
        if answer != self.idn:
            self.close()
            raise WrongDevice(self.spec.name, f"now says it is {answer!r}, at first {self.idn!r}")

    def _connect(self) -> None:
        serial = self.spec.kind == "scpi-serial"
        where = self.spec.port if serial else f"{self.spec.host}:{self.spec.tcp_port}"
        if serial:
            self._lock_fd = lock_port(self.spec.name, self.spec.port)
        else:
            self._knock(where)
        try:
            self._visa = self._session()
        except Exception as exc:  # the backend raises bare Exception here
            self.close()
            raise unavailable(self.spec.name, where, exc) from exc
        self.dirty = False

    def _knock(self, where: str) -> None:
        """A plain connection first: the backend's own open succeeds against a closed port."""
        try:
            address = (self.spec.host, self.spec.tcp_port)
            socket.create_connection(address, timeout=CONNECT_S).close()
        except EDGE_ERRORS as exc:
            raise unavailable(self.spec.name, where, exc) from exc

    def _session(self) -> Any:
        visa = _manager().open_resource(
            _resource_name(self.spec),
            read_termination=self.spec.terminator,
            write_termination=self.spec.terminator,
            timeout=self.deadline_s * 1000.0,
            open_timeout=round(CONNECT_S * 1000.0),
        )
        if self.spec.kind == "scpi-serial":
            visa.baud_rate = self.spec.baud
            visa.data_bits = 8
            visa.parity = PARITY[self.spec.parity]
            visa.stop_bits = STOP_BITS[self.spec.stop_bits]
        else:
            _interface(visa).getpeername()
            _interface(visa).setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return visa

    # ---- exchanges ----

    def ask(self, command: str, deadline_s: float) -> str:
        """One command, one line of reply without its terminator; raises DriverError."""
        if self.dirty:
            self.clean()
        if self._visa is None:
            raise LineLost(self.spec.name, "is not connected", REOPEN)
        end_s = time.monotonic() + deadline_s
        self.dirty = True  # until the reply is whole
        try:
            reply = self._exchange(command, end_s)
        except DriverError:
            raise
        except (OSError, termios.error) as exc:
            raise self._lost(exc) from exc
        except VISA_ERRORS as exc:
            words = f"reply to {command}: {exc}"
            raise Garbled(self.spec.name, words, "check terminator and settings") from exc
        self.dirty = False
        return reply

    def _exchange(self, command: str, end_s: float) -> str:
        pending = self._pending()
        if pending:
            raise Garbled(self.spec.name, f"{pending} bytes pending before {command}")
        self._visa.write(command)
        self._await_reply(command, end_s)
        reply = str(self._visa.read(encoding="ascii"))
        pending = self._pending()
        if pending:
            raise Garbled(self.spec.name, f"{pending} bytes pending after the reply to {command}")
        if time.monotonic() > end_s:
            raise Silent(self.spec.name, f"reply to {command} came after the deadline")
        return reply

    def _pending(self) -> int:
        if self.spec.kind == "scpi-serial":
            return int(self._visa.bytes_in_buffer)
        try:
            return len(self._peek())
        except BlockingIOError:
            return 0

    def _peek(self) -> bytes:
        flags = socket.MSG_PEEK | socket.MSG_DONTWAIT
        peeked: bytes = _interface(self._visa).recv(65536, flags)
        if not peeked:
            raise self._lost(None)
        return peeked

    def _await_reply(self, command: str, end_s: float) -> None:
        """Until the reply is whole (TCP) or has begun (serial); raises Silent, Garbled, LineLost."""
        interface = _interface(self._visa)
        self._await_bytes(command, interface, end_s, b"")
        if self.spec.kind == "scpi-serial":
            self._visa.timeout = max(1.0, (end_s - time.monotonic()) * 1000.0)
            return
        peeked = self._peek()
        end = self.spec.terminator.encode("ascii")
        while end not in peeked:
            # wake up for more than is there already
            interface.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, len(peeked) + 1)
            self._await_bytes(command, interface, end_s, peeked)
            interface.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, 1)
            before, peeked = peeked, self._peek()
            if peeked == before:  # woken without more: the peer has gone
                raise self._lost(None)
        if peeked.index(end) + len(end) != len(peeked):
            raise Garbled(self.spec.name, f"more than one line in reply to {command}")

    def _await_bytes(self, command: str, interface: Any, end_s: float, got: bytes) -> None:
        left_s = max(0.0, end_s - time.monotonic())
        if select.select([interface], [], [], left_s)[0]:
            return
        if got:
            raise Garbled(self.spec.name, f"reply to {command} broke off after {got[:32]!r}")
        raise Silent(self.spec.name, f"no reply to {command}", "check the command in its manual")

    def _lost(self, exc: Exception | None) -> LineLost:
        self.close()
        self.dirty = True
        return LineLost(self.spec.name, f"connection lost ({exc or 'peer closed'})", REOPEN)


def _interface(visa: Any) -> Any:
    """The backend's own socket or serial port: VISA has no way to look at it without reading."""
    return visa.visalib.sessions[visa.session].interface


@dataclass(slots=True)
class _Turn:
    """A question with its readings; ``due_s`` is control time."""

    device: DeviceSpec
    query: QuerySpec
    pattern: re.Pattern[str]
    readings: tuple[ScpiReading, ...]
    due_s: float = float("-inf")


class ScpiStation(Meters):
    """A Station (roles.py) for ``scpi-tcp`` and ``scpi-serial`` lines."""

    def __init__(
        self, spec: BenchSpec, line: LineSpec, clock: Clock, patience: float = 1.0
    ) -> None:
        super().__init__(line.name, clock)
        self._patience = patience
        self._devices = [one for one in spec.devices.values() if one.line == line.name]
        deadline_s = max((one.deadline_s for one in self._devices), default=1.0)
        self._line = ScpiLine(line, deadline_s * patience)
        self._turns = [
            _turn(spec, device, query)
            for device in self._devices
            for query in device.queries.values()
        ]

    def open(self) -> None:
        """Open the session and ask who is there; raises DriverError."""
        with self._lock:
            self._line.open()
            self.readings.clear()
            self.fault = None
            for turn in self._turns:
                turn.due_s = float("-inf")

    def close(self) -> None:
        """Close the session; never raises."""
        with self._lock:
            self._line.close()

    def identify(self) -> Mapping[str, str]:
        """What the instrument answered to ``*IDN?`` at opening; raises WrongDevice."""
        for device in self._devices:
            if device.identify and not re.fullmatch(device.identify, self._line.idn):
                words = f"says it is {self._line.idn!r}, not {device.identify!r}"
                raise WrongDevice(device.name, words, "check the address and the bench file")
        return {device.name: self._line.idn for device in self._devices}

    def poll(self) -> None:
        """Ask what is due; after a fault the rest waits for the next poll."""
        now_s = self._clock.now_s()
        with self._lock:
            due = [turn for turn in self._turns if now_s >= turn.due_s - 0.1 * turn.query.period_s]
            try:
                for turn in due:
                    self._ask(turn)
                    following_s = turn.due_s + turn.query.period_s
                    late = following_s <= now_s
                    turn.due_s = now_s + turn.query.period_s if late else following_s
            except DriverError as exc:
                self.fault = exc
                turn.due_s = now_s
            else:
                self.fault = None if due else self.fault

    def _ask(self, turn: _Turn) -> None:
        device, query = turn.device, turn.query
        try:
            reply = self._line.ask(query.command, device.deadline_s * self._patience)
            match = turn.pattern.fullmatch(reply)
            if match is None:
                self._line.dirty = True
                words = f"reply {reply[:60]!r} to {query.command} is not as described"
                raise Garbled(device.name, words, "compare the reply pattern with its manual")
        except DriverError:
            self._clock.spent(device.deadline_s)
            raise
        self._clock.spent(device.latency_s)
        taken_s = self._clock.now_s()
        for spec in turn.readings:
            raw = numbers.written(match[spec.group] or "")
            self.readings[spec.name] = numbers.graded(spec, raw, taken_s, Quality.GOOD)


def _turn(spec: BenchSpec, device: DeviceSpec, query: QuerySpec) -> _Turn:
    mine = tuple(
        one
        for one in spec.readings.values()
        if isinstance(one, ScpiReading) and one.device == device.name and one.query == query.name
    )
    return _Turn(device, query, re.compile(query.reply), mine)
