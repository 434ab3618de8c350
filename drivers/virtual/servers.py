"""The virtual bench's ports: Modbus RTU and a printing meter on ptys, Modbus TCP, SCPI and control.

One asyncio loop, no threads; the plant is only ever touched from it. Everything that understands a
protocol is elsewhere: here bytes go from a port to its codec and back.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from drivers.errors import PortUnavailable
from drivers.virtual.control import Control, ControlConnection
from drivers.virtual.modbus import RtuUnit, TcpUnit
from drivers.virtual.pace import Pace
from drivers.virtual.ptys import Pty, open_pty
from drivers.virtual.registers import Panel, RelayBoard, SupplyMeter
from drivers.virtual.scpi import ScpiMeter

HOST = "127.0.0.1"
TICK_S, REAL_TICK_S = 0.02, 0.005  # in real time contacts and clocks are to move when they should
FRAME_GAP_S = 0.05  # generous: a busy machine may deliver one frame in pieces
BITS_A_BYTE = 11  # on an RTU wire (MODBUS over Serial Line V1.02, 2.5.1)
FRAME_END = 3.5  # characters of silence that end a request (2.5.1.1 there)
RELAYS_UNIT, PANEL_UNIT, SUPPLY_UNIT = 1, 1, 2
LINES = {"resistance_ohm": "R {} ohm", "insulation_mohm": "I {} Mohm", "bond_ohm": "B {} ohm"}
SHOWN_OVER = {"resistance_ohm": 9999999.0, "insulation_mohm": 9999.0, "bond_ohm": 99.9}
FORMATS = {"resistance_ohm": ".3f", "insulation_mohm": ".3f", "bond_ohm": ".4f"}


class Codec(Protocol):
    """Bytes in, bytes out."""

    def feed(self, data: bytes) -> bytes: ...


class Connection(asyncio.Protocol):
    """One TCP connection with its own codec."""

    def __init__(self, codec: Codec) -> None:
        self._codec = codec
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        assert self._transport is not None
        reply = self._codec.feed(data)
        if reply:
            self._transport.write(reply)
        if getattr(self._codec, "broken", False):
            self._transport.close()


class RelayLine:
    """Modbus RTU on a pty. With ``baud`` bytes take the time they would take on a wire."""

    def __init__(self, unit: RtuUnit, baud: int | None = None) -> None:
        self.pty = open_pty()
        self._unit, self._heard_s = unit, 0.0
        self._baud, self._wire_free_s = baud, 0.0

    def readable(self) -> None:
        self._after_wire(self._take, self.pty.read(), FRAME_END)

    def _take(self, data: bytes) -> None:
        now_s = time.monotonic()
        if now_s - self._heard_s > FRAME_GAP_S:
            self._unit.silence()
        self._heard_s = now_s
        reply = self._unit.feed(data)
        if reply:
            self._after_wire(self.pty.write, reply, 0.0)

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
    """Prints each new sample of the ohm, insulation and bond meter as a line."""

    def __init__(self, pace: Pace) -> None:
        self.pty = open_pty()
        self._pace, self._printed = pace, 0

    def drain(self) -> None:
        """A meter that only talks: what is sent to it is lost."""
        self.pty.read()

    def print(self) -> None:
        """The newest sample, if it wasn't printed yet."""
        meters = self._pace.plant.meters
        if meters.dead_samples == self._printed:
            return
        self._printed = meters.dead_samples
        for name, value in meters.dead_tests.items():
            shown = value if math.isfinite(value) else SHOWN_OVER[name]
            self.pty.write((LINES[name].format(format(shown, FORMATS[name])) + "\n").encode())


@dataclass(slots=True)
class Ports:
    """Where everything listens."""

    control: int = 0
    modbus_tcp: int = 0
    scpi: int = 0
    relays_pty: str = ""
    meter_pty: str = ""


@dataclass(slots=True)
class Servers:
    """All ports of one bench. ``start`` opens them, ``close`` closes them again. ``baud``: the relay
    board's line takes a wire's time; None: none."""

    pace: Pace
    token: bytes
    baud: int | None = None
    ports: Ports = field(default_factory=Ports)
    _servers: list[asyncio.Server] = field(default_factory=list)
    _ptys: list[Pty] = field(default_factory=list)
    _ticker: asyncio.Task[None] | None = None

    async def start(self) -> Ports:
        """Open all ports on free numbers. Raises PortUnavailable."""
        plant, loop = self.pace.plant, asyncio.get_running_loop()
        relays = RelayLine(RtuUnit({RELAYS_UNIT: RelayBoard(plant, self.token)}), self.baud)
        meter = PrintingMeter(self.pace)
        self._ptys = [relays.pty, meter.pty]
        loop.add_reader(relays.pty.near, relays.readable)
        loop.add_reader(meter.pty.near, meter.drain)
        self.ports.relays_pty, self.ports.meter_pty = relays.pty.path, meter.pty.path
        devices = {PANEL_UNIT: Panel(plant), SUPPLY_UNIT: SupplyMeter(plant)}
        control = Control(self.pace, meter.print)
        self.ports.modbus_tcp = await self._listen(lambda: TcpUnit(devices))
        self.ports.scpi = await self._listen(lambda: ScpiMeter(plant))
        self.ports.control = await self._listen(lambda: ControlConnection(control))
        self._ticker = asyncio.create_task(self._tick(meter))
        return self.ports

    async def _listen(self, codec: Callable[[], Codec]) -> int:
        loop = asyncio.get_running_loop()
        try:
            server = await loop.create_server(lambda: Connection(codec()), HOST, 0)
        except OSError as exc:
            raise PortUnavailable("virtual bench", f"can't listen on {HOST}: {exc}") from exc
        self._servers.append(server)
        return int(server.sockets[0].getsockname()[1])

    async def _tick(self, meter: PrintingMeter) -> None:
        tick_s = TICK_S if self.pace.lockstep else REAL_TICK_S
        while True:
            await asyncio.sleep(tick_s)
            self.pace.tick(time.monotonic())
            meter.print()

    async def close(self) -> None:
        """Close every port."""
        loop = asyncio.get_running_loop()
        if self._ticker:
            self._ticker.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._ticker
        for server in self._servers:
            server.close()
        for pty in self._ptys:
            loop.remove_reader(pty.near)
            pty.close()
