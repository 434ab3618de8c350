"""What counts as leakage when a sensor is over its range, and what makes the next scan hurry."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from drivers.described import BenchSpec, ScpiReading, WatchdogSpec
from drivers.roles import Quality, Reading
from procedures.scan import Demand
from rig.scan_loop import ScanLoop
from rig.wiring import Wiring
from tests.rig.fake_stations import FakeStation, StepClock
from tests.rig.test_scan_loop import energise, make_loop

GOOD, OVER, INVALID = Quality.GOOD, Quality.OVER_RANGE, Quality.INVALID
CUT_OFF_MA = 3.5
FIRST, SECOND = "leakage_ma", "second_leakage_ma"


def wiring(*sensors: str) -> Wiring:
    """Sensors that read up to 30 mA and say so in A."""
    readings = {n: ScpiReading(n, "m", "A", "q", 1, 1.0, 0.0, 0.0, 0.03) for n in sensors}
    spec = BenchSpec({}, {}, {}, {}, readings, WatchdogSpec("B", "d", 0, 1.0))
    return Wiring(spec, dict.fromkeys(sensors, 0.6), 0.25)


def stations(read: Mapping[str, tuple[float, Quality]], age_s: float = 0.0) -> list[Any]:
    """A station with readings in A that are so old at 100 s."""
    station = FakeStation(StepClock())
    station.readings = {n: Reading(v, "A", 100.0 - age_s, q) for n, (v, q) in read.items()}
    return [station]


def worst_ma(ours: Wiring, read: list[Any]) -> float | None:
    values, _ = ours.values(read, 100.0)
    return ours.worst_leakage_ma(read, values, 100.0, CUT_OFF_MA)


@pytest.mark.parametrize(
    ("first", "second", "worst"),
    [
        ((0.001, GOOD), (0.002, GOOD), 2.0),
        ((0.001, GOOD), (0.004, GOOD), 4.0),
        ((9.9e37, OVER), (0.05, OVER), 30.0),
        ((9.9e37, OVER), (0.029, GOOD), 30.0),
        ((9.9e37, OVER), (0.0, INVALID), 30.0),
        ((9.9e37, OVER), (0.0005, GOOD), 0.5),  # one lies: the missing one switches off
        ((0.0005, GOOD), (0.05, OVER), 0.5),
        ((-9.9e37, OVER), (0.029, GOOD), 29.0),  # below its range is no leakage
        ((0.0, INVALID), (0.0, INVALID), None),
    ],
)
def test_over_range_counts_as_the_ranges_top_unless_the_other_sensor_reads_less(
    first: tuple[float, Quality], second: tuple[float, Quality], worst: float | None
) -> None:
    read = stations({FIRST: first, SECOND: second})
    found = worst_ma(wiring(FIRST, SECOND), read)
    assert found == (None if worst is None else pytest.approx(worst))


def test_a_lone_sensor_is_believed() -> None:
    assert worst_ma(wiring(FIRST), stations({FIRST: (0.05, OVER)})) == pytest.approx(30.0)


def test_a_stale_over_range_is_no_number() -> None:
    assert worst_ma(wiring(FIRST), stations({FIRST: (0.05, OVER)}, 0.7)) is None
    assert worst_ma(wiring(FIRST), stations({FIRST: (0.05, OVER)}, 0.5)) == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("reading", "leaks"),
    [
        ((0.0034, GOOD), False),
        ((0.0036, GOOD), True),
        ((9.9e37, OVER), True),
        ((0.0, INVALID), False),
    ],
)
def test_a_leak_is_seen_at_its_station(reading: tuple[float, Quality], leaks: bool) -> None:
    (station,) = stations({FIRST: reading})
    assert wiring(FIRST).leaks(station, CUT_OFF_MA) is leaks


def test_a_station_without_leakage_never_hurries_the_scan() -> None:
    (station,) = stations({"bay_v": (240.0, GOOD)})
    assert not wiring(FIRST).leaks(station, CUT_OFF_MA)


# ---- hurry -------------------------------------------------------------------------------------------


@pytest.fixture
def station() -> FakeStation:
    return FakeStation(StepClock())


def live(loop: ScanLoop) -> None:
    """Scan until something is on."""
    procedure = energise(1000)
    demand = next(procedure)
    for _ in range(200):
        scan, _ = loop.once(demand)
        if scan.feed:
            return
        demand = procedure.send(scan)
    raise AssertionError("never live")


def test_a_leak_makes_the_scan_hurry_only_while_something_is_on(station: FakeStation) -> None:
    loop = make_loop(station, station.clock)
    station.poll()
    station.world.force["leakage_ma"] = 5.0
    station.poll()
    loop.look(station)
    assert not loop.hurry.is_set()  # no scan yet
    del station.world.force["leakage_ma"]
    live(loop)
    loop.look(station)
    assert not loop.hurry.is_set()  # nothing leaks
    station.world.force["leakage_ma"] = 5.0
    station.poll()
    loop.look(station)
    assert loop.hurry.is_set()


def test_a_hurried_scan_does_not_wait_for_its_turn_and_the_next_one_does(
    station: FakeStation,
) -> None:
    loop = make_loop(station, station.clock)
    loop.poll_inline = False
    station.poll()
    loop.hurry.set()
    loop.next_s = station.clock.t_s + 3600.0  # would wait an hour of wall time
    loop.once(Demand("off"))
    assert not loop.hurry.is_set()
    assert loop.next_s == pytest.approx(station.clock.t_s + loop.scan_s)
