"""A test meter that says nothing is no finding about the part: neither a pass nor a reject."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.virtual.plant import Plant
from drivers.virtual.scenario import DEMO, load
from procedures.scan import UNREAD, Part
from tests.procedures.harness import prove

SHELF = load(DEMO)


def silent(*names: str) -> Callable[[Plant], None]:
    """The meter prints nothing more of these, not even that it is over its range."""

    def prepare(plant: Plant) -> None:
        plant.meters.lying.append(
            lambda values: [values.pop(name, None) for name in names] and None
        )

    return prepare


def transformer(serial: str) -> Part:
    return Part("P-0001", "transformer", serial=serial, rated_v=120.0, rated_w=50.0)


@pytest.mark.parametrize("name", ["bond_ohm", "insulation_mohm"])
def test_a_sound_part_is_not_failed_for_a_silent_meter(name: str) -> None:
    outcome, _ = prove(SHELF, "TR50-8001", transformer("TR50-8001"), prepare=silent(name))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert UNREAD in outcome.verdict.reason


def test_a_breakdown_to_the_secondary_is_not_passed_for_a_silent_meter() -> None:
    """0.3 Mohm from primary to secondary, which no leakage reading can show."""
    with_meter, _ = prove(SHELF, "DP12-8801", transformer("DP12-8801"))
    assert with_meter.verdict.verdict == "fail"
    without, follower = prove(
        SHELF, "DP12-8801", transformer("DP12-8801"), prepare=silent("insulation_mohm")
    )
    assert without.verdict.verdict == "none"
    assert "rated run, warm" not in follower.stages


def test_over_range_still_means_open_or_sound() -> None:
    outcome, _ = prove(SHELF, "TR50-8001", transformer("TR50-8001"))
    assert outcome.verdict.verdict == "pass"
