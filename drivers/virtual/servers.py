"""The virtual bench's ports: Modbus RTU and a printing meter on ptys, Modbus TCP, SCPI and control.

One asyncio loop, no threads; the plant is only ever touched from it. Everything that understands a
protocol is elsewhere: here bytes go from a port to its codec and back.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from drivers.virtual.control import Control, ControlConnection
from drivers.virtual.endpoints import PrintingMeter, RelayLine, TcpPort
from drivers.virtual.faults import Faults
from drivers.virtual.modbus import RtuUnit, TcpUnit
from drivers.virtual.pace import Pace
from drivers.virtual.registers import Device, Panel, RelayBoard, SupplyMeter
from drivers.virtual.scpi import ScpiMeter
from drivers.virtual.wires import PANEL_UNIT, RELAYS_UNIT, SUPPLY_UNIT, WIRES, Wire

TICK_S, REAL_TICK_S = 0.02, 0.005  # in real time contacts and clocks are to move when they should


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
    _tcp: list[TcpPort] = field(default_factory=list)
    _serial: list[RelayLine | PrintingMeter] = field(default_factory=list)
    _links: Path | None = None
    _ticker: asyncio.Task[None] | None = None

    async def start(self) -> Ports:
        """Open all ports on free numbers. Raises PortUnavailable."""
        plant = self.pace.plant
        self._links = Path(tempfile.mkdtemp(prefix="virtual-bench-"))
        devices: dict[str, dict[int, Device]] = {
            "relays": {RELAYS_UNIT: RelayBoard(plant, self.token)},
            "panel": {PANEL_UNIT: Panel(plant), SUPPLY_UNIT: SupplyMeter(plant)},
        }
        wires = {
            name: Wire(name, protocol, devices.get(name, {})) for name, protocol in WIRES.items()
        }
        meter = self._open_serial(wires, self._links)
        panel_units = wires["panel"].devices
        control = Control(self.pace, meter.print, Faults(plant, wires))
        tcp = self._tcp = [
            TcpPort(lambda: TcpUnit(panel_units), wires["panel"]),
            TcpPort(lambda: ScpiMeter(plant), wires["leakage"]),
            TcpPort(lambda: ControlConnection(control)),
        ]
        for port in tcp:
            port.restore()
        numbers = (port.number for port in tcp)
        self.ports.modbus_tcp, self.ports.scpi, self.ports.control = numbers
        self._ticker = asyncio.create_task(self._tick(meter))
        return self.ports

    def _open_serial(self, wires: dict[str, Wire], links: Path) -> PrintingMeter:
        unit = RtuUnit(wires["relays"].devices)
        relays = RelayLine(links / "relays", unit, wires["relays"], self.baud)
        meter = PrintingMeter(links / "ohms", self.pace, wires["ohms"])
        self._serial = [relays, meter]
        for line in self._serial:
            line.restore()
        self.ports.relays_pty, self.ports.meter_pty = str(links / "relays"), str(links / "ohms")
        return meter

    async def _tick(self, meter: PrintingMeter) -> None:
        tick_s = TICK_S if self.pace.lockstep else REAL_TICK_S
        while True:
            await asyncio.sleep(tick_s)
            self.pace.tick(time.monotonic())
            meter.print()

    async def close(self) -> None:
        """Close every port."""
        if self._ticker:
            self._ticker.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._ticker
        for port in self._tcp:
            port.close()
        for line in self._serial:
            line.vanish()
        if self._links is not None:
            shutil.rmtree(self._links, ignore_errors=True)
