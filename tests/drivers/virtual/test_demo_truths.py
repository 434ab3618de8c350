"""Each part of the demo behaves as its description says. The figures are invented facts of the demo.

Prospective means: what 120 V on both ends would drive, measured here with both ends on one leg.
"""

from __future__ import annotations

import cmath
import math
from itertools import pairwise
from typing import get_args

import pytest

from drivers.virtual.plant import Plant
from drivers.virtual.truth import Family
from tests.drivers.virtual.operate import DEMO, Operator, leaks_of

SERIALS = (
    "OF55-0117",
    "OF55-0231",
    "TG40-0905",
    "MW10-4410",
    "MW10-3987",
    "LK01-2201",
    "FW12-0033",
    "CM05-7715",
    "GW30-1180",
    "MB60-5521",
    "DP12-8801",
    "GK50-0450",
    "OF40-0312",
    "DP12-9107",
)


def reading_ma(bench: Operator) -> float:
    return 1000.0 * abs(bench.plant.world.earth_a)


def until_above(bench: Operator, ma: float, longest_s: float) -> float:
    """Seconds until the leakage exceeds ``ma``; fails when it never does."""
    waited_s = 0.0
    while reading_ma(bench) <= ma:
        assert waited_s < longest_s
        assert bench.plant.gfci.closed
        bench.plant.step(0.1)
        waited_s += 0.1
    return waited_s


def test_the_fourteen_and_enough_sound_ones() -> None:
    assert tuple(DEMO)[:14] == SERIALS
    sound = [part.family for serial, part in DEMO.items() if serial not in SERIALS]
    assert {family: sound.count(family) for family in sound}.keys() == set(get_args(Family))
    assert all(6 <= sound.count(family) <= 8 for family in set(sound))


@pytest.mark.parametrize("seed", [1, 2])
def test_1_damp_filling_bakes_out_in_nine_minutes(seed: int) -> None:
    bench = Operator("OF55-0117", seed)
    assert bench.source("insulation")["insulation_mohm"] == pytest.approx(0.0414, abs=0.007)
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(2.9, abs=0.02)
    bench.water()
    falling = [abs(bench.leakage_ma("line_neutral", 60.0)) for _ in range(9)]
    assert all(later < earlier for earlier, later in pairwise(falling))
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(0.15, abs=0.01)
    bench.off()
    bench.plant.step(240.0)
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(0.20, abs=0.01)
    assert bench.source("insulation")["insulation_mohm"] == pytest.approx(0.71, abs=0.06)


def test_1_does_not_dry_by_waiting() -> None:
    bench = Operator("OF55-0117")
    bench.plant.step(1200.0)
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(2.9, abs=0.02)


def test_2_pinhole_in_the_middle() -> None:
    """Leg-leg 0, each way 1.0, both ends 2.0 mA when wet; more than 100 Mohm dry."""
    bench = Operator("OF55-0231")
    assert bench.source("insulation")["insulation_mohm"] > 100.0
    bench.water()
    feeds = ("line_line", "line_neutral", "neutral_line", "both_hot")
    readings = [abs(bench.leakage_ma(feed)) for feed in feeds]
    assert readings == pytest.approx([0.0, 1.0, 1.0, 2.0], abs=0.02)
    assert bench.source("insulation")["insulation_mohm"] == pytest.approx(0.060, abs=0.014)


def test_3_runs_away_after_eleven_minutes() -> None:
    bench = Operator("TG40-0905")
    bench.water()
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(0.2, abs=0.01)
    bench.live("line_line", 655.0)
    assert reading_ma(bench) < 0.25
    waited_s = until_above(bench, 3.5, 75.0)
    assert 30.0 < waited_s < 70.0
    bench.plant.gfci.threshold_ma = 1e9
    bench.plant.step(60.0)
    assert reading_ma(bench) == pytest.approx(7.0, abs=0.3)


def test_3_is_placed_at_a_fifth() -> None:
    """x = I2/(I1+I2) with the in-phase parts."""
    bench = Operator("TG40-0905")
    bench.water()
    one, other = (bench.leakage_ma(feed).real for feed in ("line_neutral", "neutral_line"))
    assert other / (one + other) == pytest.approx(0.2, abs=0.06)


def test_4_seal_leak_shows_only_at_high_speed() -> None:
    bench = Operator("MW10-4410")
    assert bench.source("insulation")["insulation_mohm"] == pytest.approx(2.0, rel=0.06)
    plant = bench.live("line_line", 60.0)
    assert plant.values()["load_a"] == pytest.approx(3.5, rel=0.04)
    assert reading_ma(bench) == pytest.approx(0.61, abs=0.03)
    bench.off()
    bench.on(["aid_high_speed"])
    bench.live("line_line", 1.0)
    assert plant.values()["load_a"] == pytest.approx(10.0, rel=0.04)
    assert 10.0 < until_above(bench, 3.5, 60.0) < 40.0
    plant.step(1.5)
    assert plant.gfci.closed  # the software cut-off comes first
    plant.gfci.threshold_ma = 1e9
    plant.step(60.0)
    assert reading_ma(bench) == pytest.approx(5.5, abs=0.1)


def test_4_inrush_is_over_within_a_second() -> None:
    bench = Operator("MW10-4410")
    bench.on(["aid_high_speed"])
    plant = bench.live("line_line", 0.2)
    assert 45.0 < plant.values()["load_a"] < 62.0
    plant.step(0.8)
    assert plant.values()["load_a"] == pytest.approx(10.0, rel=0.04)


@pytest.mark.parametrize("high", [False, True])
def test_5_draws_48_amperes_and_never_runs_up(high: bool) -> None:
    bench = Operator("MW10-3987")
    bench.on(["aid_high_speed"], high)
    plant = bench.live("line_line", 3.0)
    assert plant.values()["load_a"] == pytest.approx(48.0, rel=0.03)
    assert reading_ma(bench) == pytest.approx(0.2, abs=0.03)
    assert plant.eyes("water_flows", 1) == "no"


def test_6_is_sound() -> None:
    bench = Operator("LK01-2201")
    assert abs(bench.leakage_ma("line_line", 5.0)) == pytest.approx(0.10, abs=0.005)
    assert bench.plant.values()["load_a"] == pytest.approx(1.0, abs=0.07)
    assert bench.plant.eyes("water_flows", 1) == "yes"


def test_7_dries_in_a_quarter_of_an_hour_and_comes_back_humid() -> None:
    bench = Operator("FW12-0033")
    assert abs(bench.leakage_ma("line_neutral")) == pytest.approx(2.8, abs=0.1)
    assert bench.plant.values()["load_a"] == pytest.approx(6.0, rel=0.03)
    bench.plant.step(900.0)
    assert reading_ma(bench) == pytest.approx(0.30, abs=0.03)
    bench.on(["aid_humid"])
    bench.plant.step(180.0)
    assert reading_ma(bench) == pytest.approx(3.0, abs=0.15)


def test_8_is_erratic_around_ten_kilohm() -> None:
    """120 V / 57 kohm = 2.1 mA in the limited step; 12 mA prospective."""
    bench = Operator("CM05-7715")
    bench.live("limited")
    readings = []
    for _ in range(300):
        bench.plant.step(0.2)
        readings.append(reading_ma(bench))
    assert sum(readings) / len(readings) == pytest.approx(2.1, abs=0.06)
    assert max(readings) - min(readings) > 0.08
    steps = [b - a for a, b in pairwise(readings) if abs(b - a) > 0.002]
    assert 15 <= len(steps) <= 60  # a jump each 1 to 3 s within 60 s


def test_9_draws_nothing() -> None:
    bench = Operator("GW30-1180")
    assert abs(bench.leakage_ma("line_neutral")) == pytest.approx(0.10, abs=0.003)
    assert bench.plant.values()["load_a"] < 0.05
    assert bench.plant.eyes("lamp_on", 1) == "no"
    assert "resistance_ohm" not in bench.source("ohms")


def test_10_two_equal_filter_capacitors() -> None:
    """4.64 nF drives 0.21 mA at 120 V 60 Hz; 87 degrees."""
    assert 120.0 * math.tau * 60.0 * 4.64e-6 == pytest.approx(0.2099, abs=1e-4)
    bench = Operator("MB60-5521")
    for feed in ("line_neutral", "neutral_line"):
        leakage = bench.leakage_ma(feed)
        assert abs(leakage) == pytest.approx(0.21, abs=0.003)
        assert math.degrees(cmath.phase(leakage)) == pytest.approx(87.0, abs=0.3)
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(0.42, abs=0.005)
    assert bench.plant.world.dc_ma == pytest.approx(0.005, abs=1e-3)


def test_11_breaks_down_to_the_secondary_only() -> None:
    bench = Operator("DP12-8801")
    assert bench.source("insulation_secondary")["insulation_mohm"] == pytest.approx(0.3, abs=0.025)
    assert bench.source("insulation")["insulation_mohm"] > 50.0
    assert abs(bench.leakage_ma("line_neutral")) == pytest.approx(0.08, abs=0.003)


def test_13_is_0_73_ma_hot_and_stays_so_long_enough_to_be_measured() -> None:
    bench = Operator("OF40-0312")
    bench.water()
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(0.30, abs=0.005)
    bench.live("line_line", 720.0)
    assert reading_ma(bench) < 0.05
    assert abs(bench.leakage_ma("both_hot", 4.0)) == pytest.approx(0.73, abs=0.008)
    bench.plant.step(25.0)
    assert reading_ma(bench) == pytest.approx(0.73, abs=0.03)
    bench.off()
    bench.plant.step(1500.0)
    assert abs(bench.leakage_ma("both_hot")) == pytest.approx(0.30, abs=0.01)


def test_14_has_nothing_to_earth_it_by() -> None:
    bench = Operator("DP12-9107")
    assert "bond_ohm" not in bench.source("bond")
    assert reading_ma(bench) < 0.001


@pytest.mark.parametrize("serial", [s for s in DEMO if s not in SERIALS])
def test_sound_parts_are_sound(serial: str) -> None:
    """Well below 0.5 mA prospective, bonded, at least 7 Mohm to a secondary."""
    part = DEMO[serial]
    plant = Plant(DEMO)
    plant.mount(1, serial)
    total = sum((leak.admittance() for leak in leaks_of(plant)), 0j)
    assert abs(total) * 120_000.0 < 0.5
    assert part.grounded
    assert part.bond_ohm <= 0.1
    assert part.secondary_mohm >= 7.0
