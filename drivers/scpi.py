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
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, TypeVar

import pyvisa
from pyvisa import constants

from drivers import definite, numbers
from drivers.described import (
    BenchSpec,
    DeviceSpec,
    LineSpec,
    QuerySpec,
    ScpiReading,
    WaveformSpec,
)
from drivers.errors import DriverError, Garbled, LineLost, PortUnavailable, Silent, WrongDevice
from drivers.lines import EDGE_ERRORS, REOPEN, gather, lock_port, unavailable
from drivers.meters import Meters
from drivers.roles import Capture, Clock, Quality
from drivers.waves import captured

VISA_ERRORS: Final = (*EDGE_ERRORS, pyvisa.Error)
PARITY: Final = {
    "none": constants.Parity.none,
    "even": constants.Parity.even,
    "odd": constants.Parity.odd,
}
STOP_BITS: Final = {1: constants.StopBits.one, 2: constants.StopBits.two}
CONNECT_S: Final = 1.0
LONGEST_LINE: Final = 4096  # bytes; more without a terminator is no reply
T = TypeVar("T")


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
        self._interface: Any = None
        self._ready = select.poll()
        self._end = spec.terminator.encode("ascii")
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
        old, self._visa, self._interface = self._visa, None, None
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
        self._interface = _interface(self._visa)
        self._ready = select.poll()
        self._ready.register(self._interface, select.POLLIN)
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
        return self._asked(command, deadline_s, self._exchange)

    def ask_blocks(self, command: str, count: int, deadline_s: float) -> list[bytes]:
        """One command, ``count`` definite-length blocks (IEEE 488.2) in reply; raises DriverError."""
        return self._asked(command, deadline_s, lambda *what: self._blocks(count, *what))

    def _asked(self, command: str, deadline_s: float, exchange: Callable[[str, float], T]) -> T:
        if self.dirty:
            self.clean()
        if self._visa is None:
            raise LineLost(self.spec.name, "is not connected", REOPEN)
        end_s = time.monotonic() + deadline_s
        self.dirty = True  # until the reply is whole
        try:
            reply = exchange(command, end_s)
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
        if self.spec.kind == "scpi-serial":
            return self._over_serial(command, end_s)
        return self._over_socket(command, end_s)

    def _blocks(self, count: int, command: str, end_s: float) -> list[bytes]:
        """Past the backend on serial ports, too: it would end a block at a terminator inside it."""
        where, end = f"{self.spec.name} ({command})", self._end
        self._put(command)
        reply = gather(
            where,
            self._readable,
            self._take,
            lambda buffer: definite.needed(where, bytes(buffer), count, end),
            end_s,
        )
        return definite.cut(where, reply, count, end)

    def _put(self, command: str) -> None:
        """Send a command on a line that has nothing pending."""
        if self.spec.kind == "scpi-serial":
            self._nothing_pending(int(self._visa.bytes_in_buffer), f"before {command}")
            self._visa.write(command)
            return
        if self._readable(0.0):
            self._nothing_pending(len(self._take()), f"before {command}")
        self._send(command.encode("ascii") + self._end)

    def _over_serial(self, command: str, end_s: float) -> str:
        self._put(command)
        if not self._readable(end_s):
            raise Silent(
                self.spec.name, f"no reply to {command}", "check the command in its manual"
            )
        self._visa.timeout = max(1.0, (end_s - time.monotonic()) * 1000.0)
        reply = str(self._visa.read(encoding="ascii"))
        pending = int(self._visa.bytes_in_buffer)
        self._nothing_pending(pending, f"after the reply to {command}")
        if time.monotonic() > end_s:
            raise Silent(self.spec.name, f"reply to {command} came after the deadline")
        return reply

    def _over_socket(self, command: str, end_s: float) -> str:
        """Past the backend, over its session's own socket: its write may wait for ever, its read
        spins when the peer has gone, and both together take longer than a local meter."""
        self._put(command)
        where = f"{self.spec.name} ({command})"
        reply = gather(where, self._readable, self._take, self._needed, end_s)
        if not reply.endswith(self._end):
            raise Garbled(where, f"no end of line in {len(reply)} bytes", "check the terminator")
        return reply[: -len(self._end)].decode("ascii")

    def _send(self, data: bytes) -> None:
        # the socket blocks: what a dead peer's full buffer doesn't take must not hold up a scan
        try:
            whole = self._interface.send(data, socket.MSG_DONTWAIT) == len(data)
        except BlockingIOError:
            whole = False
        if not whole:
            raise Silent(self.spec.name, "takes no more bytes", REOPEN)

    def _needed(self, buffer: bytes | bytearray) -> int:
        """Length of the first line in ``buffer``; of one that is too long, what is there."""
        at = buffer.find(self._end)
        if at >= 0:
            return at + len(self._end)
        return len(buffer) + 1 if len(buffer) < LONGEST_LINE else len(buffer)

    def _nothing_pending(self, pending: int, when: str) -> None:
        if pending:
            raise Garbled(self.spec.name, f"{pending} bytes pending {when}")

    def _readable(self, end_s: float) -> bool:
        """True when a byte is there, false when ``end_s`` (monotonic) has passed."""
        return bool(self._ready.poll(max(0.0, (end_s - time.monotonic()) * 1000.0)))

    def _take(self) -> bytes:
        serial = self.spec.kind == "scpi-serial"
        data: bytes = (
            os.read(self._interface.fileno(), 4096) if serial else self._interface.recv(65536)
        )
        if not data:
            raise self._lost(None)
        return data

    def _lost(self, exc: Exception | None) -> LineLost:
        self.close()
        self.dirty = True
        return LineLost(self.spec.name, f"connection lost ({exc or 'peer closed'})", REOPEN)


def _interface(visa: Any) -> Any:
    """The backend's own socket or serial port: VISA has no way to look at it without reading."""
    return visa.visalib.sessions[visa.session].interface


@dataclass(slots=True)
class _Turn:
    """A question with its readings; ``due_s`` is control time. ``reply``: the newest sample as it
    came first, at ``came_s``."""

    device: DeviceSpec
    query: QuerySpec
    pattern: re.Pattern[str]
    readings: tuple[ScpiReading, ...]
    due_s: float = float("-inf")
    reply: str = ""
    came_s: float = float("-inf")

    def repeats(self, reply: str, now_s: float) -> bool:
        """Whether this is the sample that came already: one sample must not count as several."""
        if self.query.ask_s is None:
            return False
        if reply == self.reply and now_s - self.came_s < 0.9 * self.query.period_s:
            return True
        self.reply, self.came_s = reply, now_s
        return False


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
        mine = spec.waveform is not None and spec.devices[spec.waveform.device] in self._devices
        self._waveform: WaveformSpec | None = spec.waveform if mine else None
        self._wanted = False
        self.capture: Capture | None = None

    def want_capture(self) -> None:
        """Capture once, at the next poll."""
        self._wanted = self._waveform is not None

    def open(self) -> None:
        """Open the session and ask who is there; raises DriverError."""
        with self._lock:
            self._line.open()
            self.readings.clear()
            self.fault = self.capture = None
            for turn in self._turns:
                turn.due_s = turn.came_s = float("-inf")

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
            due = [turn for turn in self._turns if now_s >= turn.due_s - 0.1 * turn.query.turn_s]
            try:
                for turn in due:
                    self._take_turn(turn, now_s)
                told = self._take_capture()
            except DriverError as exc:
                self.fault = exc
            else:
                self.fault = None if due or told else self.fault

    def _take_turn(self, turn: _Turn, now_s: float) -> None:
        following_s, turn.due_s = turn.due_s + turn.query.turn_s, now_s
        self._ask(turn)
        turn.due_s = now_s + turn.query.turn_s if following_s <= now_s else following_s

    def _take_capture(self) -> bool:
        """The capture that was asked for, if one was; tried once, whatever comes of it."""
        spec, wanted, self._wanted = self._waveform, self._wanted, False
        if spec is None or not wanted:
            return False
        device = next(one for one in self._devices if one.name == spec.device)
        try:
            deadline_s = device.deadline_s * self._patience
            blocks = self._line.ask_blocks(spec.command, len(spec.channels), deadline_s)
            self.capture = captured(spec, blocks, self._clock.now_s() + device.latency_s)
        except DriverError:
            self._line.dirty = True
            self._clock.spent(device.deadline_s)
            raise
        self._clock.spent(device.latency_s)
        return True

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
        if turn.repeats(reply, taken_s):
            return
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
