"""Answers of misbehaving peers, and a station that meets them. Shared by the tests of line faults."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

from pymodbus.framer import FramerRTU

from drivers import modbus
from drivers.described import DeviceSpec, LineSpec, OutputSpec
from drivers.modbus_station import ModbusStation
from tests.drivers.peers import TickClock, bench, pty_peer, reading

NOBODY = modbus.read(modbus.NOBODY, "holding", 0, 1).rtu
OUTPUT = (OutputSpec("relay", "meter", 4),)
DEVICE = DeviceSpec("meter", "line", unit=1, latency_s=0.01, deadline_s=0.15)


def framed(body: bytes) -> bytes:
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def words(*values: int) -> bytes:
    return bytes((1, 4, 2 * len(values))) + struct.pack(f">{len(values)}H", *values)


def counted(frame: bytes) -> int:
    return int.from_bytes(frame[4:6], "big")


@contextmanager
def station_on(
    line: LineSpec, clock: TickClock, outputs: Sequence[OutputSpec] = ()
) -> Iterator[ModbusStation]:
    spec = bench(line, [DEVICE], outputs, [], [reading("volts", 3)])
    station = ModbusStation(spec, line, clock)
    station.open()
    try:
        yield station
    finally:
        station.close()


Answer = Callable[[bytes], Iterable[bytes]]


@contextmanager
def rtu(answer: Answer, outputs: Sequence[OutputSpec] = ()) -> Iterator[ModbusStation]:
    """A station whose peer is ``answer``; the probe for echo goes unanswered."""
    with (
        pty_peer(lambda data: () if data == NOBODY else answer(data)) as path,
        station_on(LineSpec("line", "rtu", port=path), TickClock(), outputs) as station,
    ):
        yield station
