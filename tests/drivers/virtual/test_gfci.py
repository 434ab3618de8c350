"""The bench's GFCI against UL 943 Class A: T = (20/I)^1.43, no trip below 4 mA.

Source: UL 943 as quoted in three secondary texts that agree; the limits of 4 and 6 mA after the NEC's
informational note to the definition of GFCI.
"""

from __future__ import annotations

from random import Random

import pytest

from drivers.virtual.gfci import Interrupter, class_a_longest_s
from tests.drivers.virtual.operate import Operator, heater, leak_ohm

# computed from the quoted formula, independently of this project
CURVE = [
    (6.0, 5.5939),
    (10.0, 2.6945),
    (20.0, 1.0),
    (40.0, 0.37113),
    (100.0, 0.10011),
    (264.0, 0.02498),
]


@pytest.mark.parametrize(("ma", "seconds"), CURVE)
def test_curve(ma: float, seconds: float) -> None:
    assert class_a_longest_s(ma) == pytest.approx(seconds, rel=5e-4)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(("ma", "seconds"), CURVE)
def test_trips_well_within_the_curve_but_not_at_once(seed: int, ma: float, seconds: float) -> None:
    device = Interrupter.drawn(Random(seed))
    t_s, dt_s = 0.0, seconds / 1000.0
    while device.closed and t_s < 2 * seconds:
        device.advance(ma, dt_s)
        t_s += dt_s
    assert 0.25 * seconds < t_s < 0.65 * seconds


@pytest.mark.parametrize("seed", range(20))
def test_holds_below_4_ma_for_ever(seed: int) -> None:
    device = Interrupter.drawn(Random(seed))
    for _ in range(10_000):
        device.advance(3.999, 0.1)
    assert device.closed


@pytest.mark.parametrize("leg", [1, 2])
def test_trip_resistor_trips_on_each_leg(leg: int) -> None:
    """6.3 to 6.6 mA measured; (20/6.3)^1.43 = 5.2 s at most."""
    bench = Operator(None)
    bench.live("line_neutral", 1.0, f"trip_leg_{leg}")
    values = bench.plant.values()
    assert 6.3 <= values["injection_ma"] <= 6.6
    assert values["leakage_ma"] < 0.1
    assert bench.plant.inputs()["gfci_live"]
    bench.plant.step(4.2)
    assert not bench.plant.inputs()["gfci_live"]
    assert bench.plant.values()["bay_v"] < 1.0
    assert bench.plant.values()["injection_ma"] < 0.05
    bench.plant.reset_gfci()
    bench.on([f"trip_leg_{leg}"], False)
    bench.plant.step(0.1)
    assert bench.plant.inputs()["gfci_live"]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("leg", [1, 2])
def test_hold_resistor_holds_ten_seconds(leg: int, seed: int) -> None:
    """3.6 mA, the fixture's own included, on leg 1."""
    bench = Operator(None, seed=seed)
    bench.live("line_neutral", 10.5, f"hold_leg_{leg}")
    assert bench.plant.inputs()["gfci_live"]
    assert bench.plant.values()["injection_ma"] == pytest.approx(3.58, abs=0.1)


def test_the_trip_resistor_takes_itself_out() -> None:
    """Hardware-timed: with the GFCI made deaf, it opens by itself after 8 s."""
    bench = Operator(None)
    bench.plant.gfci.threshold_ma = 1e9
    bench.live("line_neutral", 7.5, "trip_leg_1")
    assert bench.plant.values()["injection_ma"] > 6.0
    bench.plant.step(1.0)
    assert bench.plant.values()["injection_ma"] < 0.05


def test_a_part_that_leaks_20_ma_trips_it_and_the_current_stops() -> None:
    bench = Operator(heater(leak_ohm(0.0, 6000.0)))
    bench.live("line_neutral", 2.0)
    assert not bench.plant.inputs()["gfci_live"]
    assert bench.plant.values()["leakage_ma"] < 0.05
    assert not bench.plant.live


@pytest.mark.parametrize(("serial", "trips_ma"), [("GK50-0450", 3.1), ("GF50-8001", 5.0)])
def test_tested_device_trips_by_the_ramp_around_it(serial: str, trips_ma: float) -> None:
    bench = Operator(serial)
    bench.live("line_line", 0.5)
    assert bench.plant.inputs()["part_output_live"]
    bench.on(["gfci_injector"])
    waited_s = 0.0
    while bench.plant.inputs()["part_output_live"] and waited_s < 60.0:
        bench.plant.step(0.1)
        waited_s += 0.1
    assert bench.plant.values()["injection_ma"] == pytest.approx(trips_ma, rel=0.015, abs=0.03)
    assert bench.plant.inputs()["gfci_live"]  # the bench's own device does not see it
    bench.plant.step(5.5)
    assert bench.plant.values()["injection_ma"] < 0.05
