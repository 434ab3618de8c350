"""Lines: one port each, one absolute deadline per exchange, and what happens after a fault.

An exchange is exactly one request and one reply, with nothing pending before or after. Any fault
leaves the line *dirty*; the next exchange first cleans it: a TCP line takes a new socket, a serial
line listens until it has been quiet for ``quiet_s``. A line whose port vanished or whose peer closed
it is *lost*: it stays lost until ``open`` is called again, because reopening is the rig's decision.
There are no retries: a request that was sent twice may be executed twice.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import socket
import struct
import termios
import time
from collections.abc import Callable
from typing import Final, Protocol

import serial
from pymodbus.exceptions import ModbusException

from drivers.described import LineSpec
from drivers.errors import DriverError, Garbled, LineLost, PortUnavailable, Silent

Needed = Callable[[bytes | bytearray], int]

# Everything that a library below may throw at us; each is raised again as a DriverError.
EDGE_ERRORS: Final = (OSError, termios.error, struct.error, ValueError, ModbusException)
PARITY: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
LONGEST_LISTEN_S: Final = 2.0  # a line that babbles longer than this does not become clean
REOPEN: Final = "check cable and power, then arm again"

_OPEN_WORDS: Final[dict[int, tuple[str, str]]] = {
    errno.ENOENT: ("no such port", "list them with `milliproof bench ports`"),
    errno.EACCES: ("no permission", "add yourself to the port's group, often dialout"),
    errno.EBUSY: ("held by another program", "close that program"),
    errno.EAGAIN: ("held by another program", "close that program"),
    errno.ENOTTY: ("not a serial port", "correct the bench file"),
    errno.ECONNREFUSED: ("connection refused", "is the device on, the address right?"),
}


class Line(Protocol):
    """What a station needs of a line. Deadlines in seconds of wall time."""

    dirty: bool

    def open(self) -> None: ...

    def close(self) -> None: ...

    def spoil(self) -> None: ...

    def clean(self) -> None: ...

    def exchange(self, request: bytes, needed: Needed, deadline_s: float) -> bytes: ...


def unavailable(where: str, port: str, exc: Exception) -> PortUnavailable:
    """Words for a port or address that can't be opened."""
    # pyserial wraps what went wrong: the number is in its exception or in the one behind it
    codes = [one.args[0] for one in (exc, exc.__context__) if one is not None and one.args]
    code = next((one for one in codes if isinstance(one, int)), 0)
    words, remedy = _OPEN_WORDS.get(code, (f"can't be opened ({exc})", "check the bench file"))
    return PortUnavailable(where, f"{port}: {words}", remedy)


WARY, WARY_S = 2, 0.03  # exchanges after a resynchronisation, and how long each listens for more


class SerialLine:
    """A serial port, locked against other programs that lock (flock).

    ``quiet_s``: how long the line must be silent to be clean again. ``gap_s``: silence kept before
    each request, 3.5 characters, at least 1.75 ms above 19200 Bd (serial line V1.02, 2.5.1.1); a
    pseudo-terminal has no wire and needs none.
    """

    def __init__(self, spec: LineSpec, quiet_s: float = 0.25) -> None:
        self.spec, self.quiet_s = spec, quiet_s
        self.dirty = False
        self._port: serial.Serial | None = None
        self._fd = -1
        self._gap_s = 0.0
        self._last_s = 0.0
        self._wary = 0
        self._ready = select.poll()

    def open(self) -> None:
        """Open and lock the port; raises PortUnavailable."""
        self.close()
        spec = self.spec
        try:
            self._port = serial.Serial(
                spec.port,
                spec.baud,
                parity=PARITY[spec.parity],
                stopbits=spec.stop_bits,
                timeout=0,
                exclusive=True,
            )
            self._fd = self._port.fileno()
        except EDGE_ERRORS as exc:
            raise unavailable(spec.name, spec.port, exc) from exc
        self._ready = select.poll()
        self._ready.register(self._fd, select.POLLIN)
        self._gap_s = 0.0 if os.ttyname(self._fd).startswith("/dev/pts/") else gap_s(spec)
        self.dirty = False

    def close(self) -> None:
        """Close the port; never raises."""
        port, self._port, self._fd = self._port, None, -1
        if port is not None:
            with contextlib.suppress(*EDGE_ERRORS):
                port.close()

    def spoil(self) -> None:
        """Declare the line dirty: a reply came that was not the request's."""
        self.dirty = True

    def clean(self) -> None:
        """Listen, and throw away, until nothing came for ``quiet_s``; raises Garbled, LineLost."""
        limit_s = time.monotonic() + self.quiet_s + LONGEST_LISTEN_S
        while self._wait(time.monotonic() + self.quiet_s):
            self._take()
            if time.monotonic() > limit_s:
                raise Garbled(self.spec.name, "does not fall quiet", "look for a babbling device")
        self.dirty, self._wary = False, WARY

    def arrived(self) -> bytes:
        """Whatever has come so far, without waiting; raises LineLost."""
        return self._take() if self._wait(0.0) else b""

    def exchange(self, request: bytes, needed: Needed, deadline_s: float) -> bytes:
        """One request, one reply; raises Silent, Garbled, LineLost."""
        if self.dirty:
            self.clean()
        end_s = time.monotonic() + deadline_s
        self.dirty = True  # until the reply is whole
        if self._wait(self._last_s + self._gap_s):
            raise Garbled(self.spec.name, f"{len(self._take())} stray bytes before a request")
        self._send(request, end_s)
        if self.spec.echo:
            self._strip_echo(request, end_s)
        reply = gather(self.spec.name, self._wait, self._take, needed, end_s)
        if self._wary:
            self._nothing_follows()
        self._last_s = time.monotonic()
        self.dirty = False
        return reply

    def _nothing_follows(self) -> None:
        """A line that was dirty a moment ago may still bring a late frame: where it is taken for the
        reply, the true reply follows it."""
        if self._wait(time.monotonic() + WARY_S):
            raise Garbled(self.spec.name, f"{len(self._take())} stray bytes after a reply")
        self._wary -= 1

    def refuse_echo(self, probe: bytes) -> None:
        """Send ``probe``, which no device answers: it must come back if, and only if, ``echo`` is set.

        On an adapter that echoes, a write to a dead board looks confirmed. Raises PortUnavailable.
        """
        listen_s = 0.02 + 2 * len(probe) * 11 / self.spec.baud
        try:
            self._send(probe, time.monotonic() + 1.0)
            heard = self._listen(len(probe), listen_s)
        finally:
            self.spoil()
        if heard == probe and not self.spec.echo:
            words = "the adapter echoes what is sent"
            raise PortUnavailable(self.spec.name, words, "switch its echo off or set echo = true")
        if self.spec.echo and heard != probe:
            words = "echo = true, but the adapter does not echo"
            raise PortUnavailable(self.spec.name, words, "set echo = false")
        self.dirty = bool(heard) and heard != probe

    # ---- bytes ----

    def _listen(self, most: int, listen_s: float) -> bytes:
        end_s = time.monotonic() + listen_s
        heard = b""
        while len(heard) < most and self._wait(end_s):
            heard += self._take()
        return heard

    def _strip_echo(self, request: bytes, end_s: float) -> None:
        heard = b""
        while len(heard) < len(request):
            if not self._wait(end_s):
                raise Garbled(self.spec.name, "the request's echo is missing", "check the adapter")
            heard += self._read(len(request) - len(heard))
        if heard != request:
            raise Garbled(self.spec.name, "the request's echo is damaged", "check the wiring")

    def _send(self, data: bytes, end_s: float) -> None:
        try:
            sent = os.write(self._fd, data)
            while sent < len(data):
                if not select.select([], [self._fd], [], max(0.0, end_s - time.monotonic()))[1]:
                    raise Silent(self.spec.name, "takes no more bytes", REOPEN)
                sent += os.write(self._fd, data[sent:])
        except EDGE_ERRORS as exc:
            raise self._lost(exc) from exc

    def _wait(self, end_s: float) -> bool:
        """True when a byte is there, false when ``end_s`` (monotonic) has passed."""
        if self._fd < 0:
            raise LineLost(self.spec.name, "is not open", REOPEN)
        left_ms = max(0.0, (end_s - time.monotonic()) * 1000.0)
        try:
            return bool(self._ready.poll(left_ms))
        except EDGE_ERRORS as exc:
            raise self._lost(exc) from exc

    def _take(self) -> bytes:
        return self._read(4096)

    def _read(self, most: int) -> bytes:
        try:
            data = os.read(self._fd, most)
        except BlockingIOError:
            return b""
        except EDGE_ERRORS as exc:
            raise self._lost(exc) from exc
        if not data:
            raise self._lost(None)
        return data

    def _lost(self, exc: Exception | None) -> LineLost:
        self.close()
        self.dirty = True
        return LineLost(self.spec.name, f"{self.spec.port} vanished ({exc or 'hang-up'})", REOPEN)


def gap_s(spec: LineSpec) -> float:
    """Silence between two RTU frames in seconds: 3.5 characters of 11 bits, or 1.75 ms if faster.

    Source: MODBUS over Serial Line V1.02, 2.5.1.1, as quoted in check values 8.3.
    """
    return 0.00175 if spec.baud > 19200 else 3.5 * 11 / spec.baud


def gather(
    where: str,
    wait: Callable[[float], bool],
    take: Callable[[], bytes],
    needed: Needed,
    end_s: float,
) -> bytes:
    """Exactly the bytes that ``needed`` asks for, by ``end_s``; raises Silent or Garbled."""
    reply = b""
    due = 1
    while len(reply) < due:
        if not wait(end_s):
            raise _overdue(where, reply, due)
        reply += take()
        due = needed(reply)
    if len(reply) > due:
        raise Garbled(where, f"{len(reply) - due} stray bytes after a reply")
    return reply


def _overdue(where: str, reply: bytes, due: int) -> DriverError:
    if not reply:
        return Silent(where, "no reply within the deadline", "check power, wiring, unit and baud")
    return Garbled(where, f"reply broke off after {len(reply)} of {due} bytes ({reply[:16].hex()})")


class TcpLine:
    """A TCP socket with TCP_NODELAY. A dirty line takes a new socket, a lost one waits for ``open``."""

    def __init__(self, spec: LineSpec, connect_s: float = 1.0) -> None:
        self.spec, self.connect_s = spec, connect_s
        self.dirty = False
        self._socket: socket.socket | None = None
        self._ready = select.poll()

    def open(self) -> None:
        """Connect; raises PortUnavailable."""
        self.close()
        address = (self.spec.host, self.spec.tcp_port)
        try:
            self._socket = socket.create_connection(address, timeout=self.connect_s)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.setblocking(False)
        except EDGE_ERRORS as exc:
            raise unavailable(self.spec.name, "{}:{}".format(*address), exc) from exc
        self._ready = select.poll()
        self._ready.register(self._socket, select.POLLIN)
        self.dirty = False

    def close(self) -> None:
        """Close the socket; never raises."""
        old, self._socket = self._socket, None
        if old is not None:
            with contextlib.suppress(*EDGE_ERRORS):
                old.close()

    def spoil(self) -> None:
        """Declare the line dirty: a reply came that was not the request's."""
        self.dirty = True

    def clean(self) -> None:
        """Take a new socket; raises LineLost when the line is lost or the peer takes no new one."""
        self._connected()
        try:
            self.open()
        except PortUnavailable as exc:
            raise LineLost(self.spec.name, f"no new connection: {exc.what}", REOPEN) from exc

    def exchange(self, request: bytes, needed: Needed, deadline_s: float) -> bytes:
        """One request, one reply; raises Silent, Garbled, LineLost."""
        if self.dirty:
            self.clean()
        end_s = time.monotonic() + deadline_s
        self.dirty = True  # until the reply is whole
        if self._wait(0.0):
            raise Garbled(self.spec.name, f"{len(self._take())} stray bytes before a request")
        self._send(request)
        reply = gather(self.spec.name, self._wait, self._take, needed, end_s)
        self.dirty = False
        return reply

    def _connected(self) -> socket.socket:
        if self._socket is None:
            raise LineLost(self.spec.name, "is not connected", REOPEN)
        return self._socket

    def _send(self, data: bytes) -> None:
        try:
            # requests are at most 260 bytes: what the send buffer doesn't take, a dead peer left there
            if self._connected().send(data) != len(data):
                raise Silent(self.spec.name, "takes no more bytes", REOPEN)
        except BlockingIOError as exc:
            raise Silent(self.spec.name, "takes no more bytes", REOPEN) from exc
        except EDGE_ERRORS as exc:
            raise self._lost(exc) from exc

    def _wait(self, end_s: float) -> bool:
        self._connected()
        left_ms = max(0.0, (end_s - time.monotonic()) * 1000.0) if end_s else 0.0
        return bool(self._ready.poll(left_ms))

    def _take(self) -> bytes:
        try:
            data = self._connected().recv(4096)
        except BlockingIOError:
            return b""
        except EDGE_ERRORS as exc:
            raise self._lost(exc) from exc
        if not data:
            raise self._lost(None)
        return data

    def _lost(self, exc: Exception | None) -> LineLost:
        self.close()
        self.dirty = True
        return LineLost(self.spec.name, f"connection lost ({exc or 'peer closed'})", REOPEN)


def lock_port(where: str, path: str) -> int:
    """An advisory lock on a port that a library opens without one; returns a descriptor to close."""
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(descriptor)
            raise
    except OSError as exc:
        raise unavailable(where, path, exc) from exc
    return descriptor
