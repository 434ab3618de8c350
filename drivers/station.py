"""Stations out of a bench description: one per line, of the right kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from drivers.described import BenchSpec, LineKind, LineSpec
from drivers.modbus_station import ModbusStation
from drivers.printed import PrintedStation
from drivers.roles import Clock, Station

Maker = Callable[[BenchSpec, LineSpec, Clock, float], Station]


def _printed(spec: BenchSpec, line: LineSpec, clock: Clock, _patience: float) -> Station:
    return PrintedStation(spec, line, clock)


def _scpi(spec: BenchSpec, line: LineSpec, clock: Clock, patience: float) -> Station:
    from drivers.scpi import ScpiStation  # pyvisa takes long to import, few benches need it

    return ScpiStation(spec, line, clock, patience)


MAKERS: Final[Mapping[LineKind, Maker]] = {
    "rtu": ModbusStation,
    "modbus-tcp": ModbusStation,
    "scpi-tcp": _scpi,
    "scpi-serial": _scpi,
    "printed": _printed,
}


def open_stations(spec: BenchSpec, clock: Clock, patience: float = 1.0) -> dict[str, Station]:
    """An opened station for every line, by line name; raises DriverError with all closed again.

    ``patience`` multiplies the wall-clock deadlines: 1 on a real bench; in lockstep, where a
    deadline's cost is charged in simulated time, a stalled machine may take longer.
    """
    opened: dict[str, Station] = {}
    try:
        for line in spec.lines.values():
            station = MAKERS[line.kind](spec, line, clock, patience)
            opened[line.name] = station
            station.open()
    except BaseException:
        for station in opened.values():
            station.close()
        raise
    return opened
