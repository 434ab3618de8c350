"""Uncertainty of a reading and of a leakage by hand: statement, assumptions, scatter, what is missing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from procedures.budget import Budget
from procedures.scan import Accuracy
from procedures.uncertainty import Mean, leakage_budget, meter_lines, reading_budget

BARE = Accuracy(1.0, 0.01, resolution=0.0, temperature_percent_per_k=0.0, calibration_percent=0.0)
NOTHING = replace(BARE, percent=0.0, floor=0.0)
ROOT3 = math.sqrt(3.0)


def _u(budget: Budget, name: str) -> float:
    return float(next(line for line in budget.lines if line.name == name).contribution)


def test_one_per_cent_and_a_floor_at_the_pass_limit() -> None:
    """a = 0.0175; s = 0.03 of 9: 2·sqrt(0.0175²/3 + 0.01²) = 0.02843."""
    got = reading_budget(0.75, BARE, "mA", 0.03 / 3.0)
    assert got.expanded == pytest.approx(0.02843, abs=5e-6)


def test_scatter_of_few_samples_widens_the_factor() -> None:
    many, few = (reading_budget(0.75, NOTHING, "mA", 0.01, dof) for dof in (math.inf, 4.0))
    assert many.expanded == pytest.approx(0.02)
    assert few.expanded == pytest.approx(0.0286931)


def test_without_a_sample_there_is_no_uncertainty() -> None:
    assert math.isnan(float(reading_budget(0.75, BARE, "mA", math.nan, 9.0).expanded))
    assert math.isnan(float(reading_budget(0.75, BARE, "mA", 0.01, 0.0).expanded))


def test_what_a_statement_may_consist_of_adds_up_to_one_rectangle() -> None:
    """1 % of 2 mA, 0.1 % of 30 mA, 3 digits of 0.001 mA, 0.004 mA: 0.02 + 0.03 + 0.003 + 0.004."""
    accuracy = Accuracy(1.0, 0.004, range_percent=0.1, full=30.0, digits=3.0, resolution=0.001)
    assert accuracy.half_width(-2.0) == pytest.approx(0.057)
    assert accuracy.half_width(0.0) == pytest.approx(0.037)
    first = meter_lines(2.0, accuracy, "mA", 1.0)[0]
    assert first.u == pytest.approx(0.057 / ROOT3)
    assert first.distribution == "rectangular"


def test_what_is_stated_besides() -> None:
    """Calibrated to 0.4 % (k = 2), 0.02 %/K and 5 K outside, last digit 0.01 mA; 2 mA."""
    accuracy = replace(
        BARE, calibration_percent=0.4, temperature_percent_per_k=0.02, resolution=0.01
    )
    _, calibration, temperature, resolution = meter_lines(-2.0, accuracy, "mA", 1.0)
    assert (calibration.u, calibration.distribution) == (pytest.approx(0.004), "normal")
    assert temperature.u == pytest.approx(0.002 / ROOT3)
    assert resolution.u == pytest.approx(0.005 / ROOT3)
    assert temperature.distribution == resolution.distribution == "rectangular"


def test_what_is_not_stated_is_assumed_and_never_nothing() -> None:
    """1 % + 0.01 at 1 mA: a quarter of 0.02 (k = 2), 0.1 %/K over 5 K, a last digit of 0.01 mA."""
    _, calibration, temperature, resolution = meter_lines(1.0, Accuracy(1.0, 0.01), "mA", 1.0)
    assert calibration.u == pytest.approx(0.0025)
    assert temperature.u == pytest.approx(0.005 / ROOT3)
    assert resolution.u == pytest.approx(0.005 / ROOT3)


def test_a_fuller_statement_of_a_good_meter_narrows_the_interval() -> None:
    poor = reading_budget(0.75, Accuracy(1.0, 0.01), "mA")
    assert float(reading_budget(0.75, BARE, "mA").expanded) < float(poor.expanded)


# ---- a leakage at nominal volts ----------------------------------------------------------------------


def _leakage(mean: Mean, meter: Accuracy = NOTHING, supply: Accuracy = NOTHING) -> Budget:
    return leakage_budget(mean, 120.0, meter, supply, replace(NOTHING, percent=2.0, floor=0.02))


def test_each_line_of_a_leakage_by_hand() -> None:
    """0.75 mA at nominal from 114 V: the meter read 0.7125 mA."""
    supply = replace(BARE, percent=0.5, floor=0.1)
    got = _leakage(Mean(0.75, 0.003, 9.0, 114.0, 0.3), BARE, supply)
    scale = 120.0 / 114.0
    assert _u(got, "meter accuracy") == pytest.approx((0.007125 + 0.01) / ROOT3 * scale)
    assert _u(got, "noise") == pytest.approx(0.003)
    assert _u(got, "fixture") == pytest.approx(-0.01 / ROOT3)
    assert _u(got, "supply voltage") == pytest.approx(-0.67 / ROOT3 * 0.75 / 114.0)
    assert _u(got, "DC meter") == pytest.approx((0.006 + 0.02) / ROOT3 * 0.3 / 0.75)
    assert got.u == pytest.approx(math.sqrt(sum(float(x.contribution) ** 2 for x in got.lines)))
    assert (got.y, got.unit) == (0.75, "mA")


def test_each_line_of_a_leakage_says_what_it_is_of_in_which_unit() -> None:
    got = _leakage(Mean(0.75, 0.003, 9.0, 114.0, 0.3), BARE, BARE)
    assert [(x.name, x.unit, x.distribution) for x in got.lines] == [
        ("meter accuracy", "mA", "rectangular"),
        ("meter calibration", "mA", "normal"),
        ("meter temperature", "mA", "rectangular"),
        ("meter resolution", "mA", "rectangular"),
        ("noise", "mA", "normal"),
        ("fixture", "mA", "rectangular"),
        ("supply voltage", "V", "normal"),
        ("DC meter", "mA", "normal"),
    ]
    read = 0.7125
    values = [x.value for x in got.lines]
    assert values == pytest.approx([read, read, read, read, 0.75, 0.0, 114.0, 0.3])
    assert [x.dof for x in got.lines] == [math.inf] * 4 + [9.0] + [math.inf] * 3


def test_a_readings_budget_says_its_unit_and_value() -> None:
    got = reading_budget(0.75, BARE, "V", 0.003, 9.0)
    assert (got.y, got.unit) == (0.75, "V")
    assert {(x.unit, x.value) for x in got.lines} == {("V", 0.75)}
    assert [x.name for x in got.lines][-1] == "noise"
    assert got.lines[-1].distribution == "normal"
    assert [x.sensitivity for x in got.lines] == [1.0] * 5


def test_a_small_leakages_dc_counts_in_its_proportion() -> None:
    got = _leakage(Mean(0.05, 0.0, 9.0, 120.0, -0.03))
    assert _u(got, "DC meter") == pytest.approx((0.0006 + 0.02) / ROOT3 * 0.6)
    assert isinstance(got.lines[-1].sensitivity, float)


def test_without_a_dc_reading_there_is_no_line_for_it() -> None:
    names = [line.name for line in _leakage(Mean(0.75, 0.003, 9.0, 114.0)).lines]
    assert "DC meter" not in names
    assert len(names) == 7


def test_no_leakage_has_the_meters_zero_for_its_uncertainty() -> None:
    got = _leakage(Mean(0.0, 0.0, 9.0, 120.0, 0.0), BARE)
    assert got.u == pytest.approx(math.hypot(0.01, 0.01) / ROOT3)
    assert _u(got, "DC meter") == 0.0


def test_the_degrees_of_freedom_are_those_of_the_noise() -> None:
    assert _leakage(Mean(0.75, 0.01, 9.0, 120.0)).dof == pytest.approx(9.0)
    mixed = _leakage(Mean(0.75, 0.01, 9.0, 120.0), BARE)
    others = mixed.u**2 - 0.01**2
    assert mixed.dof == pytest.approx(9.0 * (others + 0.01**2) ** 2 / 0.01**4)


def test_many_parts_at_once_are_as_each_alone() -> None:
    y, v = np.array([0.0, 0.4, 1.4]), np.array([118.0, 120.0, 121.0])
    dc = np.array([0.0, 0.1, 0.0])
    many = _leakage(Mean(y, 0.002, 9.0, v, dc), Accuracy(1.0, 0.01), Accuracy(0.5, 0.1))
    for n in range(3):
        mean = Mean(float(y[n]), 0.002, 9.0, float(v[n]), float(dc[n]))
        alone = _leakage(mean, Accuracy(1.0, 0.01), Accuracy(0.5, 0.1))
        assert many.expanded[n] == pytest.approx(alone.expanded)  # type: ignore[index]
