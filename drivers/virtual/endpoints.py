"""What the virtual bench's lines end in: TCP ports and pseudo-terminals, with their bytes.

Each can vanish and come back where it was. A pseudo-terminal gets a new number then, so programs open
it by a link, as they open a real adapter by its lasting name.
"""

from __future__ import annotations

import asyncio
import math
import os
import socket
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from drivers.errors import PortUnavailable
from drivers.virtual.modbus import RtuUnit
from drivers.virtual.pace import Pace
from drivers.virtual.ptys import Pty, open_pty
from drivers.virtual.wires import Wire

HOST = "127.0.0.1"
FRAME_GAP_S = 0.05  # generous: a busy machine may deliver one frame in pieces
BITS_A_BYTE = 11  # on an RTU wire (MODBUS over Serial Line V1.02, 2.5.1)
FRAME_END = 3.5  # characters of silence that end a request (2.5.1.1 there)
BACKLOG = 20
RESET_AT_CLOSE = struct.pack("ii", 1, 0)  # SO_LINGER on, 0 s: a reset instead of a farewell
LINES = {"resistance_ohm": "R {} ohm", "insulation_mohm": "I {} Mohm", "bond_ohm": "B {} ohm"}
SHOWN_OVER = {"resistance_ohm": 9999999.0, "insulation_mohm": 9999.0, "bond_ohm": 99.9}
FORMATS = {"resistance_ohm": ".3f", "insulation_mohm": ".3f", "bond_ohm": ".4f"}


class Codec(Protocol):
    """Bytes in, bytes out."""

    def feed(self, data: bytes) -> bytes: ...


class Connection(asyncio.Protocol):
    """One TCP connection with its own codec."""

    def __init__(self, codec: Codec, port: TcpPort) -> None:
        self._codec, self._port, self._wire = codec, port, port.wire
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._port.connections.add(self)
        if self._port.gone:  # let in just before
            self.cut(reset=False)

    def connection_lost(self, exc: Exception | None) -> None:
        self._port.connections.discard(self)

    def data_received(self, data: bytes) -> None:
        assert self._transport is not None
        wire, feed = self._wire, self._codec.feed
        reply = feed(data) if wire.fault is None else wire.fault(feed, data, self._later)
        if reply:
            self._transport.write(reply)
        if getattr(self._codec, "broken", False):
            self._transport.close()

    def _later(self, delay_s: float, data: bytes) -> None:
        assert self._transport is not None
        asyncio.get_running_loop().call_later(delay_s, self._transport.write, data)

    def cut(self, reset: bool) -> None:
        """Close at once; with a reset if told."""
        assert self._transport is not None
        if reset:
            end = self._transport.get_extra_info("socket")
            end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_AT_CLOSE)
        self._transport.abort()


class TcpPort:
    """A TCP port that makes a codec for each connection.

    It accepts by itself: asyncio's server loses, half open, whoever it let in just before it closes."""

    def __init__(self, codec: Callable[[], Codec], wire: Wire | None = None) -> None:
        self._codec = codec
        self.wire = wire or Wire("control", "tcp")
        self.wire.port = self
        self.connections: set[Connection] = set()
        self.gone = True
        self._socket = _bound(0)
        self.number = int(self._socket.getsockname()[1])
        self._coming: set[asyncio.Task[object]] = set()

    def restore(self) -> None:
        """Listen, on the same number as before; who connects from now on is let in."""
        self._socket.listen(BACKLOG)
        self.gone = False
        asyncio.get_running_loop().add_reader(self._socket.fileno(), self._accept)

    def _accept(self) -> None:
        try:
            end, _ = self._socket.accept()
        except OSError:  # gone again already
            return
        end.setblocking(False)
        loop = asyncio.get_running_loop()
        task: asyncio.Task[object] = loop.create_task(
            loop.connect_accepted_socket(lambda: Connection(self._codec(), self), end)
        )
        self._coming.add(task)
        task.add_done_callback(self._coming.discard)

    def vanish(self) -> None:
        """Nobody gets in, whoever was in is out, and nobody else gets the number."""
        self.close()
        for connection in tuple(self.connections):
            connection.cut(reset=False)
        self._socket = _bound(self.number)

    def reset(self) -> None:
        """Reset every connection."""
        for connection in tuple(self.connections):
            connection.cut(reset=True)

    def close(self) -> None:
        """Listen no more."""
        self.gone = True
        asyncio.get_running_loop().remove_reader(self._socket.fileno())
        self._socket.close()


def _bound(number: int) -> socket.socket:
    """Bound but not listening: whoever connects is refused."""
    held = socket.socket()
    held.setblocking(False)
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        held.bind((HOST, number))
    except OSError as exc:
        held.close()
        raise PortUnavailable("virtual bench", f"can't listen on {HOST}: {exc}") from exc
    return held


class SerialPort:
    """A pseudo-terminal behind a link at ``path``; ``take`` gets what a program writes to it."""

    def __init__(self, path: Path, take: Callable[[bytes], None]) -> None:
        self._path, self._take = path, take
        self._pty: Pty | None = None

    def open(self) -> None:
        """A new pseudo-terminal, linked. Raises PortUnavailable where there is none."""
        pty = self._pty = open_pty()
        os.symlink(pty.path, self._path)
        asyncio.get_running_loop().add_reader(pty.near, lambda: self._take(pty.read()))

    def close(self) -> None:
        """Gone: whoever has it open sees it hang up."""
        if self._pty is None:
            return
        self._path.unlink(missing_ok=True)
        asyncio.get_running_loop().remove_reader(self._pty.near)
        self._pty.close()
        self._pty = None

    def write(self, data: bytes) -> None:
        """Send; lost while there is no port."""
        if self._pty is not None:
            self._pty.write(data)


class RelayLine:
    """Modbus RTU on a pty. With ``baud`` bytes take the time they would take on a wire."""

    def __init__(self, path: Path, unit: RtuUnit, wire: Wire, baud: int | None = None) -> None:
        self._port = SerialPort(path, self._readable)
        self._unit, self._wire, self._heard_s = unit, wire, 0.0
        self._baud, self._wire_free_s = baud, 0.0
        self.restore, self.vanish = self._port.open, self._port.close
        wire.port = self

    def reset(self) -> None:
        """A serial line has no connections."""

    def _readable(self, data: bytes) -> None:
        self._after_wire(self._take, data, FRAME_END)

    def _take(self, data: bytes) -> None:
        now_s = time.monotonic()
        if now_s - self._heard_s > FRAME_GAP_S:
            self._unit.silence()
        self._heard_s = now_s
        wire, feed = self._wire, self._unit.feed
        reply = feed(data) if wire.fault is None else wire.fault(feed, data, self._later)
        if reply:
            self._say(reply)

    def _say(self, reply: bytes) -> None:
        self._after_wire(self._port.write, reply, 0.0)

    def _later(self, delay_s: float, data: bytes) -> None:
        asyncio.get_running_loop().call_later(delay_s, self._say, data)

    def _after_wire(self, act: Callable[[bytes], None], data: bytes, gap: float) -> None:
        """Once the wire has carried ``data`` and a gap of so many characters, one after the other."""
        if self._baud is None:
            act(data)
            return
        now_s = time.monotonic()
        wire_s = (len(data) + gap) * BITS_A_BYTE / self._baud
        self._wire_free_s = max(now_s, self._wire_free_s) + wire_s
        asyncio.get_running_loop().call_later(self._wire_free_s - now_s, act, data)


class PrintingMeter:
    """Prints each new sample of the ohm, insulation and bond meter as a line. It only talks: what is
    sent to it is lost."""

    def __init__(self, path: Path, pace: Pace, wire: Wire) -> None:
        self._port = SerialPort(path, lambda _data: None)
        self._pace, self._wire, self._printed = pace, wire, 0
        self.restore, self.vanish = self._port.open, self._port.close
        wire.port = self

    def reset(self) -> None:
        """A serial line has no connections."""

    def print(self) -> None:
        """The newest sample, if it wasn't printed yet."""
        meters = self._pace.plant.meters
        if meters.dead_samples == self._printed:
            return
        self._printed = meters.dead_samples
        for name, value in meters.read(meters.dead_tests).items():
            shown = SHOWN_OVER[name] if value == math.inf else value
            line = (LINES[name].format(format(shown, FORMATS[name])) + "\n").encode()
            fault = self._wire.fault
            self._port.write(line if fault is None else fault(bytes, line, self._later))

    def _later(self, delay_s: float, data: bytes) -> None:
        asyncio.get_running_loop().call_later(delay_s, self._port.write, data)
