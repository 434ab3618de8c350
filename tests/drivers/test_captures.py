"""Waveform captures through the SCPI station: over TCP, over a serial port, and what can go wrong."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from typing import Any

import pytest

from drivers.described import BenchSpec, ChannelSpec, LineSpec, WaveformSpec
from drivers.errors import DriverError, Garbled, Silent
from drivers.roles import Quality
from drivers.scpi import ScpiStation
from tests.drivers.peers import TickClock, pty_peer
from tests.drivers.test_scpi import IDN, Meter, described, meter

POINTS = 500
LEAKAGE = [math.sin(n / 7.0) for n in range(POINTS)]
SUPPLY = [170.0 * math.cos(n / 7.0) for n in range(POINTS)]
ASK = "MEAS:WAV?"


def wave_bench(line: LineSpec, **changes: Any) -> BenchSpec:
    channels = {
        "leakage": ChannelSpec("leakage", 1, "mA", 1000.0, 0.0, -60.0, 60.0),
        "supply": ChannelSpec("supply", 2, "V", 1.0, 0.5, -500.0, 500.0),
    }
    told = WaveformSpec("meter", ASK, 7680.0, POINTS, "float32", "normal", channels)
    return replace(described(line), waveform=replace(told, **changes))


def block(values: list[float], letter: str = ">", kind: str = "f") -> bytes:
    body = struct.pack(f"{letter}{len(values)}{kind}", *values)
    length = str(len(body)).encode()
    return b"#" + str(len(length)).encode() + length + body


def reply(leakage: list[float] = LEAKAGE) -> bytes:
    return block([one / 1000.0 for one in leakage]) + b"," + block(SUPPLY) + b"\n"


def healthy(command: str) -> bytes:
    return {"*IDN?": f"{IDN}\n".encode(), "MEAS:LEAK?": b"1.25,2.0E-3\n", ASK: reply()}[command]


def test_a_capture_only_when_asked_and_once() -> None:
    asked: list[str] = []

    def answer(command: str) -> bytes:
        asked.append(command)
        return healthy(command)

    clock = TickClock()
    with meter(answer) as (line, _):
        station = ScpiStation(wave_bench(line), line, clock)
        station.open()
        try:
            station.poll()
            assert (asked.count(ASK), station.capture) == (0, None)
            station.want_capture()
            station.poll()
            station.poll()
            assert asked.count(ASK) == 1
            assert station.fault is None
        finally:
            station.close()
    got = station.capture
    assert got is not None
    assert got.waves["leakage"].samples == pytest.approx(LEAKAGE, rel=1e-6)
    assert got.waves["supply"].samples == pytest.approx([one + 0.5 for one in SUPPLY], rel=1e-6)
    assert (got.waves["leakage"].unit, got.rate_hz) == ("mA", 7680.0)
    assert got.taken_s == clock.t_s
    assert clock.costs == [0.01, 0.01]  # the reading and the capture


def test_over_a_serial_port_a_terminator_inside_a_block_ends_nothing() -> None:
    """10 as an integer is a line feed: the backend would stop there."""

    def answer(data: bytes) -> tuple[bytes, ...]:
        command = data.decode().strip()
        return (_short() if command == ASK else healthy(command),)

    with pty_peer(answer) as path:
        line = LineSpec("line", "scpi-serial", port=path, baud=9600)
        told = wave_bench(line, points=3, type="int16", byte_order="swapped")
        station = ScpiStation(told, line, TickClock())
        station.open()
        try:
            station.want_capture()
            station.poll()
            assert station.fault is None
            assert station.readings["rms"].value == 1.25
            assert station.capture is not None
            supply = station.capture.waves["supply"].samples.tolist()
            assert supply == [10.5, 13.5, 2570.5]  # 2570 is two line feeds
        finally:
            station.close()


def _short() -> bytes:
    body = struct.pack("<3h", 10, 13, 2570)
    return b"#16" + body + b",#16" + body + b"\n"


BAD: dict[str, tuple[bytes, type[DriverError]]] = {
    "silence": (b"", Silent),
    "text": (b"-221,nothing captured\n", Garbled),
    "one block": (block([1.0] * POINTS) + b"\n", Garbled),
    "too few samples": (block([1.0] * 499) + b"," + block([1.0] * POINTS) + b"\n", Garbled),
    "broken off": (reply()[:1000], Garbled),
    "no terminator": (reply()[:-1], Garbled),
    "more than asked": (reply() + b"1.25\n", Garbled),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_capture_is_tried_once_and_the_line_is_clean_again(name: str) -> None:
    """It is context: no capture is better than a line that is busy with bad ones."""
    bad, error = BAD[name]
    asked: list[str] = []

    def answer(command: str) -> bytes:
        asked.append(command)
        return bad if command == ASK else healthy(command)

    clock = TickClock()
    with meter(answer) as (line, server):
        station = ScpiStation(wave_bench(line), line, clock)
        station.open()
        try:
            station.want_capture()
            station.poll()
            assert type(station.fault) is error
            sessions = server.sessions
            clock.t_s += 0.2
            station.poll()
            assert station.fault is None
            assert station.readings["rms"].taken_s == clock.t_s
            assert (asked.count(ASK), station.capture) == (1, None)
            assert server.sessions > sessions  # a new session, so that nothing late is believed
        finally:
            station.close()


@pytest.mark.parametrize(
    ("value", "quality"),
    [
        (math.nan, Quality.INVALID),
        (math.inf, Quality.INVALID),
        (61.0, Quality.OVER_RANGE),
        (-61.0, Quality.OVER_RANGE),
        (9.91e37 / 1000.0, Quality.OVER_RANGE),
        (59.0, Quality.GOOD),
    ],
)
def test_one_bad_sample_spoils_its_channel_alone(value: float, quality: Quality) -> None:
    wave = reply([*LEAKAGE[:-1], value])
    with meter(lambda c: wave if c == ASK else healthy(c)) as (line, _):
        station = ScpiStation(wave_bench(line), line, TickClock())
        station.open()
        try:
            station.want_capture()
            station.poll()
            assert station.capture is not None
            assert station.capture.waves["leakage"].quality is quality
            assert station.capture.waves["supply"].quality is Quality.GOOD
        finally:
            station.close()


def test_a_meter_without_waveforms_is_never_asked() -> None:
    asked: list[str] = []

    def answer(command: str) -> bytes:
        asked.append(command)
        return healthy(command)

    with meter(answer) as (line, server):
        assert isinstance(server, Meter)
        station = ScpiStation(described(line), line, TickClock())
        station.open()
        station.want_capture()
        station.poll()
        station.close()
    assert ASK not in asked
