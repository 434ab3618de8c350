"""The plant against circuit facts worked by hand: 120-0-120 V, Ohm and Kirchhoff.

The expected figures are written out here from elementary circuit theory; the plant itself only knows
node voltages. Capacitor currents: I = U·2πfC.
"""

from __future__ import annotations

import cmath
import math

import pytest

from drivers.virtual.truth import LeakTruth, PartTruth
from tests.drivers.virtual.operate import Operator, heater, leak_ohm

FAULT_OHM = 120_000.0  # 1 mA at 120 V: far from tripping, whatever the feed


@pytest.mark.parametrize("at", [0.0, 0.1, 0.3, 0.5, 0.7, 1.0])
def test_leg_to_leg_sees_120_times_1_minus_2x(at: float) -> None:
    """A fault at x from leg 1 sees 120·(1-2x) V to ground, negative past the middle."""
    leakage = Operator(heater(leak_ohm(at, FAULT_OHM))).leakage_ma("line_line")
    assert leakage.real == pytest.approx(1.0 * (1 - 2 * at), abs=0.006)


@pytest.mark.parametrize("at", [0.0, 0.2, 0.5, 0.9])
def test_one_way_round_and_the_other(at: float) -> None:
    """I1 = V(1-x)/Rf, I2 = V·x/Rf, both ends on one hot: their sum."""
    bench = Operator(heater(leak_ohm(at, FAULT_OHM)))
    one = bench.leakage_ma("line_neutral").real
    other = bench.leakage_ma("neutral_line").real
    both = bench.leakage_ma("both_hot").real
    assert one == pytest.approx(1 - at, abs=0.004)
    assert other == pytest.approx(at, abs=0.004)
    assert both == pytest.approx(one + other, abs=0.004)


@pytest.mark.parametrize(
    "leaks",
    [
        (leak_ohm(0.5, 60_000.0),),
        (leak_ohm(0.1, 120_000.0), leak_ohm(0.9, 120_000.0)),
        (LeakTruth(spread=True, resistive_ma=2.0),),
    ],
    ids=["one pinhole in the middle", "two at 0.1 and 0.9", "uniform damp"],
)
def test_the_middle_two_ends_and_damp_can_not_be_told_apart(leaks: tuple[LeakTruth, ...]) -> None:
    """Ten times the resistances of the well-known 6 kohm case: 0, 1, 1 and 2 mA each time."""
    bench = Operator(heater(*leaks))
    feeds = ("line_line", "line_neutral", "neutral_line", "both_hot")
    readings = [bench.leakage_ma(feed).real for feed in feeds]
    assert readings == pytest.approx([0.0, 1.0, 1.0, 2.0], abs=0.008)


def test_limited_step_of_6_kohm_reads_2_26_ma() -> None:
    """120 V / (47 kohm + 6 kohm) = 2.264 mA; the bench's resistor is within 0.5 %."""
    leakage = Operator(heater(leak_ohm(0.5, 6000.0))).leakage_ma("limited")
    assert leakage.real == pytest.approx(2.264, rel=0.005)


def test_limited_step_of_a_bolted_fault_is_2_55_ma() -> None:
    leakage = Operator(heater(leak_ohm(0.0, 600.0))).leakage_ma("limited")
    assert leakage.real == pytest.approx(120.0 / 47.6, rel=0.005)


@pytest.mark.parametrize(("nanofarad", "expected_ma"), [(2.2, 0.0995), (4.7, 0.2126)])
def test_y_capacitor(nanofarad: float, expected_ma: float) -> None:
    """2.2 nF is 0.10 mA and 4.7 nF 0.21 mA at 120 V 60 Hz, leading by 90 degrees."""
    drives_ma = 120.0 * math.tau * 60.0 * nanofarad * 1e-6
    part = PartTruth(family="light", rated_w=10.0, leaks=(LeakTruth(capacitive_ma=drives_ma),))
    leakage = Operator(part).leakage_ma("line_neutral")
    assert abs(leakage) == pytest.approx(expected_ma, abs=0.0005)
    assert math.degrees(cmath.phase(leakage)) == pytest.approx(90.0, abs=0.5)


def test_resistive_and_capacitive_add_at_right_angles() -> None:
    """0.3 and 0.4 mA make 0.5."""
    part = PartTruth(
        family="light", rated_w=10.0, leaks=(LeakTruth(resistive_ma=0.3, capacitive_ma=0.4),)
    )
    assert abs(Operator(part).leakage_ma("line_neutral")) == pytest.approx(0.5, abs=0.002)


def test_leaks_on_opposite_legs_cancel() -> None:
    part = heater(leak_ohm(0.0, 60_000.0), leak_ohm(1.0, 60_000.0))
    bench = Operator(part)
    assert abs(bench.leakage_ma("line_line")) < 0.01
    assert bench.leakage_ma("both_hot").real == pytest.approx(4.0, abs=0.02)


@pytest.mark.parametrize(
    ("feed", "watts", "amperes"),
    [("line_line", 5500.0, 22.92), ("line_neutral", 1375.0, 11.46), ("both_hot", 0.0, 0.0)],
)
def test_element_power_follows_the_square(feed: str, watts: float, amperes: float) -> None:
    """5.5 kW at 240 V is 1.375 kW at 120 V and nothing with both ends on one leg; wiring drops 0.4 %."""
    bench = Operator(heater())
    bench.water()
    plant = bench.live(feed)
    scale = plant.supply.leg_1_v / 120.0
    true_w = (plant.world.across_v * plant.world.load_a.conjugate()).real / scale**2
    assert true_w == pytest.approx(watts, rel=0.012, abs=0.01)
    assert abs(plant.world.load_a) / scale == pytest.approx(amperes, rel=0.006, abs=0.01)


def test_quarter_power_warms_ten_litres_by_2_degrees_a_minute() -> None:
    """1.375 kW into 10 L: 1375·60/(10·4186) = 1.97 K a minute, without flow."""
    bench = Operator(heater())
    bench.on(["aid_water"])
    bench.plant.step(20.0)
    bench.live("line_neutral", 1.0)
    before_c = bench.plant.water.temperature_c
    bench.plant.step(60.0)
    assert bench.plant.water.temperature_c - before_c == pytest.approx(1.97, abs=0.06)


def test_full_power_from_20_to_45_degrees_in_190_s() -> None:
    """5.5 kW into 10 L: 10·4186·25/5500 = 190 s, without flow; wiring and air cost a little."""
    bench = Operator(heater())
    bench.on(["aid_water"])
    bench.plant.step(20.0)
    bench.live("line_line", 190.0)
    assert bench.plant.water.temperature_c == pytest.approx(45.0, abs=1.2)


def test_flow_through_keeps_5_5_kw_below_45_degrees_for_good() -> None:
    """4 L/min carry 5.5 kW away at 5500/(4/60·4186) = 19.7 K above 20 degrees."""
    bench = Operator(heater())
    bench.water()
    bench.live("line_line", 1200.0)
    share = (bench.plant.supply.leg_1_v / 120.0) ** 2
    assert bench.plant.water.temperature_c == pytest.approx(20.0 + 19.7 * share, abs=0.4)
    assert bench.plant.water.thermal_ok


def test_without_flow_the_cut_out_opens() -> None:
    bench = Operator(heater())
    bench.on(["aid_water"])
    bench.plant.step(20.0)
    bench.live("line_line", 330.0)
    assert not bench.plant.inputs()["thermal_ok"]


def test_a_plastic_shell_without_electrode_leaks_nothing_and_hides_the_control() -> None:
    part = PartTruth(
        family="light",
        rated_w=12.0,
        grounded=False,
        protective_class="II",
        leaks=(LeakTruth(resistive_ma=3.0),),
    )
    bench = Operator(part)
    assert abs(bench.leakage_ma("line_neutral")) < 0.002
    bench.on(["positive_control"])
    bench.plant.step(0.3)
    assert abs(1000.0 * bench.plant.world.earth_a) < 0.04
