"""Readings that contradict one another are found, and honest ones with their accuracies are not."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from procedures.scan import Accuracy, Feed
from rig.plausible import Plausible

ACCURACY = {
    "leakage_ma": Accuracy(1.0, 0.01),
    "leakage_resistive_ma": Accuracy(1.0, 0.01),
    "leakage_capacitive_ma": Accuracy(1.0, 0.01),
    "second_leakage_ma": Accuracy(2.0, 0.02),
    "bay_v": Accuracy(1.0, 0.5),
    "load_a": Accuracy(1.0, 0.05),
    "power_w": Accuracy(1.5, 2.0),
}
HONEST = {
    "leakage_ma": 0.50,
    "leakage_resistive_ma": 0.30,
    "leakage_capacitive_ma": 0.40,
    "second_leakage_ma": 0.51,
    "supply_v": 120.0,
    "supply_2_v": 119.5,
    "bay_v": 239.0,
    "load_a": 20.0,
    "power_w": 4780.0,
    "temperature_c": 25.0,
}


def watched(
    changes: Mapping[str, float | None],
    feed: Feed | None = "line_line",
    seconds: float = 5.0,
    heats: bool = True,
) -> str:
    """What is said after so long with the readings changed (None: not read)."""
    plausible = Plausible(ACCURACY, heats)
    values = {k: v for k, v in {**HONEST, **changes}.items() if v is not None}
    said = ""
    for n in range(round(seconds * 10) + 1):
        said = plausible.check(values, feed, n / 10)
    return said


def test_honest_readings_pass() -> None:
    assert watched({}) == ""


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"second_leakage_ma": 0.60}, "the leakage readings disagree"),
        ({"second_leakage_ma": 0.0}, "the leakage readings disagree"),
        ({"leakage_resistive_ma": 0.45}, "leakage in r.m.s. is less than its own vector"),
        ({"bay_v": 120.0}, "bay voltage is not that of the supply"),
        ({"bay_v": 300.0}, "bay voltage is not that of the supply"),
        ({"power_w": 5400.0}, "power is more than volts times amperes"),
    ],
)
def test_each_contradiction_is_told(changes: Mapping[str, float], words: str) -> None:
    assert watched(changes) == words


def test_water_that_stays_cold_under_heat_is_told_after_a_while() -> None:
    assert watched({}, seconds=80.0) == ""
    assert watched({}, seconds=95.0) == "water temperature does not follow the heat"
    assert watched({"power_w": 20.0, "load_a": 0.1}, seconds=200.0) == ""
    assert watched({}, seconds=200.0, heats=False) == ""


def test_water_that_warms_is_honest() -> None:
    plausible = Plausible(ACCURACY, heats=True)
    for n in range(2000):
        warm = {**HONEST, "temperature_c": 25.0 + n / 1000}
        assert plausible.check(warm, "line_line", n / 10) == ""


def test_a_short_disagreement_while_meters_update_is_no_contradiction() -> None:
    plausible = Plausible(ACCURACY, heats=True)
    for n in range(100):
        second = 0.9 if n % 12 < 6 else 0.51  # 0.6 s apart, again and again
        assert plausible.check({**HONEST, "second_leakage_ma": second}, "line_line", n / 10) == ""


@pytest.mark.parametrize(
    ("second_ma", "apart"),
    [(0.510, False), (0.555, False), (0.558, True), (10.0, True), (None, False)],
)
def test_apart_is_said_at_once_and_beyond_the_accuracies_only(
    second_ma: float | None, apart: bool
) -> None:
    """0.50 mA: 0.015 and 0.02 + 2 % of the second, and 2 % of the greater: 0.0573 at 0.5573, by hand."""
    values = {**HONEST, "second_leakage_ma": second_ma}
    read = {name: value for name, value in values.items() if value is not None}
    assert Plausible(ACCURACY, heats=True).apart(read) is apart


def test_nothing_is_said_of_the_bus_while_nothing_is_live() -> None:
    assert watched({"bay_v": 0.1, "load_a": 0.0, "power_w": 0.0}, feed=None) == ""


@pytest.mark.parametrize("missing", sorted(HONEST))
def test_a_missing_reading_contradicts_nothing(missing: str) -> None:
    assert watched({missing: None}) in ("", "water temperature does not follow the heat")


def test_both_ends_hot_expects_one_leg() -> None:
    assert watched({"bay_v": 119.0, "power_w": 1.0, "load_a": 0.0}, feed="both_hot") == ""
