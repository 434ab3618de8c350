"""Meters that print lines: what is taken, what is ignored."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.described import BenchSpec, DeviceSpec, LineSpec, PrintedReading, WatchdogSpec
from drivers.errors import LineLost, Refused
from drivers.printed import LineCutter, PrintedStation
from drivers.roles import Quality
from tests.drivers.peers import TickClock, pty_pair


def described(path: str) -> BenchSpec:
    line = LineSpec("line", "printed", port=path, baud=9600)
    patterns = {"ohms": r"R\s+([^ ]+) ohm", "bond": r"B\s+([^ ]+) ohm"}
    readings = {
        name: PrintedReading(name, "meter", "ohm", pattern, 1, 1.0, 0.0, 0.0, 1000.0)
        for name, pattern in patterns.items()
    }
    watchdog = WatchdogSpec("B", "elsewhere", 100, 1.0)
    return BenchSpec(
        {"line": line}, {"meter": DeviceSpec("meter", "line")}, {}, {}, readings, watchdog
    )


Bench = tuple[int, PrintedStation, TickClock]


@pytest.fixture
def meter() -> Iterator[Bench]:
    with pty_pair() as (far, path):
        spec, clock = described(path), TickClock()
        station = PrintedStation(spec, spec.lines["line"], clock)
        station.open()
        try:
            yield far, station, clock
        finally:
            station.close()


def test_the_newest_line_of_each_reading_wins(meter: Bench) -> None:
    far, station, clock = meter
    os.write(far, b"alf a line\nR 10.1 ohm\r\nB 0.06 ohm\nR 10.2 ohm\n")
    clock.t_s = 5.0
    station.poll()
    assert station.fault is None
    assert station.readings["ohms"].value == 10.2
    assert station.readings["bond"].value == 0.06
    assert station.readings["ohms"].taken_s == 5.0
    assert station.garbage == 0  # half a line at the start is expected


def test_nothing_printed_is_no_fault_and_keeps_the_old_time(meter: Bench) -> None:
    far, station, clock = meter
    os.write(far, b"\nR 10.1 ohm\n")
    station.poll()
    clock.t_s = 60.0
    station.poll()
    assert station.fault is None
    assert station.readings["ohms"].taken_s == 0.0


def test_half_a_line_is_never_a_number(meter: Bench) -> None:
    far, station, _ = meter
    os.write(far, b"R 47 ohm\n")  # may be the tail of "ER 47 ohm" or of a longer number
    station.poll()
    assert station.readings == {}
    os.write(far, b"R 12")
    station.poll()
    assert station.readings == {}
    os.write(far, b"3.5 ohm\n")
    station.poll()
    assert station.readings["ohms"].value == 123.5


def test_garbage_is_counted_and_long_lines_are_dropped(meter: Bench) -> None:
    far, station, _ = meter
    os.write(far, b"\n\xff\xfe\nR 1 ohm extra\n" + b"x" * 300)
    station.poll()
    os.write(far, b"R 1 ohm\nR 2 ohm\n")  # the first is the end of the long line
    station.poll()
    assert station.readings["ohms"].value == 2.0
    assert station.garbage == 3


@pytest.mark.parametrize(
    ("text", "quality"),
    [(b"OL", Quality.INVALID), (b"2000", Quality.OVER_RANGE), (b"-1", Quality.OVER_RANGE)],
)
def test_what_is_no_good_number_is_graded(meter: Bench, text: bytes, quality: Quality) -> None:
    far, station, _ = meter
    os.write(far, b"\nR " + text + b" ohm\n")
    station.poll()
    assert station.readings["ohms"].quality is quality


def test_it_has_no_outputs_and_no_registers(meter: Bench) -> None:
    _, station, _ = meter
    station.write({})
    station.make_safe()
    with pytest.raises(Refused):
        station.write({"relay": True})
    with pytest.raises(Refused):
        station.read_holding("meter", 0, 1)


def test_a_vanished_port_is_a_fault() -> None:
    far, near = os.openpty()
    spec = described(os.ttyname(near))
    station = PrintedStation(spec, spec.lines["line"], TickClock())
    station.open()
    os.close(near)
    os.close(far)
    station.poll()
    assert type(station.fault) is LineLost
    station.close()


@given(st.lists(st.binary(max_size=60)))
def test_cutting_does_not_depend_on_how_bytes_arrive(chunks: list[bytes]) -> None:
    data = b"".join(chunks)
    cutter = LineCutter("\n")
    lines = [line for chunk in chunks for line in cutter.feed(chunk)]
    assert all(len(line) <= 200 and b"\n" not in line for line in lines)
    assert b"".join(lines) in data.replace(b"\n", b"")
    if all(len(line) <= 200 for line in data.split(b"\n")):
        assert lines == data.split(b"\n")[1:-1]
