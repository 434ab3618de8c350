"""Insulation held and logged, bond by lead, windings' ratio: on the plant, and what no meter says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.virtual.scenario import load
from drivers.virtual.truth import LeakTruth, PartTruth
from procedures.bond import in_service, lead_ohm, part_lead_ohm, winding_ratio
from procedures.errors import BadPlate
from procedures.scan import Check, Outcome, Part
from tests.procedures.harness import prove, setup
from tests.procedures.test_demo_parts import outcome_of, part_of

SHELF = load()
PUMP, HEATER = "PM10-8001", "HT55-8001"
Values = dict[str, float]


def _leaky(serial: str, mohm: float) -> dict[str, PartTruth]:
    """A part whose insulation is within the meter's range: 120 V over it in mA."""
    leak = LeakTruth(resistive_ma=0.12 / mohm)
    return {"X": SHELF[serial].model_copy(update={"leaks": (leak,)})}


def _rising(
    per_second: float, frozen_c: float | None, scans: int = 100_000
) -> Callable[[Values], Values]:
    """A part whose insulation creeps from its first reading on, for so many scans."""
    seen = [0]

    def tamper(values: Values) -> Values:
        values = dict(values)
        if "insulation_mohm" in values:
            seen[0] += 1
            creep = per_second * 0.1 * seen[0] if seen[0] <= scans else 0.0
            values["insulation_mohm"] *= 1.0 + creep
        if frozen_c is None:
            values.pop("temperature_c", None)
        return values

    return tamper


def _check(outcome: Outcome, name: str) -> Check:
    return next(c for c in outcome.checks if c.name == name)


def test_a_winding_is_logged_over_a_minute_and_at_40_c_without_a_grade() -> None:
    outcome, _ = prove(_leaky(PUMP, 20.0), "X", part_of(PUMP))
    found = _check(outcome, "insulation, dry, ratio 60 s to 30 s")
    assert found.value == pytest.approx(1.0, abs=0.05)  # the plant's insulation doesn't creep
    assert (found.met, found.words) == (None, "recorded, no grade")
    warm = _check(outcome, "insulation, dry, at 40 °C")
    told = float(warm.words.split("bench's ")[1].split(" °C")[0])
    assert warm.value == pytest.approx(20.0 * 0.5 ** ((40.0 - told) / 10.0), rel=0.05)
    assert not any("10 min" in c.name for c in outcome.checks)


def test_insulation_that_creeps_shows_its_ratio() -> None:
    """R = R0·(1 + a·t): the ratio is (1 + 60a)/(1 + 30a) with t from when the voltage came on."""
    outcome, _ = prove(_leaky(PUMP, 20.0), "X", part_of(PUMP), tamper=_rising(0.02, 20.0))
    value = _check(outcome, "insulation, dry, ratio 60 s to 30 s").value
    assert value is not None
    assert 1.15 < value < (1.0 + 60 * 0.02) / (1.0 + 30 * 0.02)  # it had begun before the hold


def test_ten_minutes_only_on_demand() -> None:
    bench = setup(polarisation=True)
    outcome, follower = prove(_leaky(PUMP, 20.0), "X", part_of(PUMP), bench=bench)
    found = _check(outcome, "insulation, dry, ratio 10 min to 1 min")
    assert found.value == pytest.approx(1.0, abs=0.05)
    assert found.met is None
    assert follower.plant.t_s > 600.0


def test_an_element_is_logged_and_never_corrected() -> None:
    """Mineral filling is outside IEEE 43."""
    outcome, _ = prove(_leaky(HEATER, 20.0), "X", part_of(HEATER))
    assert _check(outcome, "insulation, dry, ratio 60 s to 30 s").value is not None
    assert not any("40 °C" in c.name for c in outcome.checks)


def test_over_the_meters_range_there_is_no_ratio_and_no_minute_is_lost() -> None:
    outcome, _ = outcome_of(PUMP)
    found = _check(outcome, "insulation, dry, ratio 60 s to 30 s")
    assert found.value is None or found.value > 0.0
    if found.value is None:
        assert "no ratio" in found.words


def test_without_a_temperature_nothing_is_corrected() -> None:
    outcome, _ = prove(_leaky(PUMP, 20.0), "X", part_of(PUMP), tamper=_rising(0.0, None))
    found = _check(outcome, "insulation, dry, at 40 °C")
    assert (found.value, found.words) == (None, "no temperature read: not corrected")


def test_the_ratios_never_decide() -> None:
    """A ratio below one, which handbooks call bad, passes a part that passes."""
    outcome, _ = prove(_leaky(PUMP, 20.0), "X", part_of(PUMP), tamper=_rising(-0.002, 20.0, 700))
    value = _check(outcome, "insulation, dry, ratio 60 s to 30 s").value
    assert value is not None
    assert value < 0.99
    assert outcome.verdict.verdict == "pass", outcome.verdict.reason


# ---- bond and windings -------------------------------------------------------------------------------


def test_a_lead_by_length_and_section_widens_the_bond_limit() -> None:
    """8 m of 0.75 mm²: 8/(58·0.75) = 0.184 ohm, by hand; what was measured goes before it."""
    part = Part("P", "light", lead_m=8.0, lead_mm2=0.75)
    assert part_lead_ohm(part) == pytest.approx(0.18391, abs=1e-5)
    assert part_lead_ohm(replace(part, lead_ohm=0.12)) == 0.12
    assert part_lead_ohm(Part("P", "light", lead_m=8.0)) == 0.0
    light = "LT12-8001"
    shelf = {"X": SHELF[light].model_copy(update={"bond_ohm": 0.05, "lead_ohm": 0.18})}
    assert prove(shelf, "X", part_of(light))[0].verdict.rule == "dead test"
    outcome, _ = prove(shelf, "X", part_of(light, lead_m=8.0, lead_mm2=0.75))
    assert outcome.verdict.verdict == "pass", outcome.verdict.reason
    beside = _check(outcome, "bond beside the in-service limit")
    assert beside.met is None
    assert beside.words.startswith("would be within 0.4 ohm")


def test_the_in_service_limit_stands_beside_and_decides_nothing() -> None:
    long = Part("P", "light", lead_m=3.0, lead_mm2=0.75)
    found = in_service(long, 0.35)
    assert found is not None
    assert found.met is None
    assert found.words.startswith("would exceed 0.3 ohm")
    assert in_service(Part("P", "light"), 0.05) is None
    assert in_service(long, None) is None


@pytest.mark.parametrize(
    ("length_m", "section_mm2"), [(1.0, 0.0), (-1.0, 1.0), (float("nan"), 1.0)]
)
def test_a_lead_that_cannot_be(length_m: float, section_mm2: float) -> None:
    with pytest.raises(BadPlate, match="can't be"):
        lead_ohm(length_m, section_mm2)


def test_both_windings_of_a_two_speed_pump_are_logged() -> None:
    """The plant's low winding has rated/low times the ohms of the high one: 10.0/3.5."""
    outcome, _ = outcome_of(PUMP)
    truth = SHELF[PUMP]
    assert truth.low_a is not None
    assert truth.rated_a is not None
    found = _check(outcome, "winding ratio, low to high speed")
    assert found.value == pytest.approx(truth.rated_a / truth.low_a, rel=0.03)
    assert found.met is None
    assert winding_ratio(None, 1.0) is None
    assert winding_ratio(1.0, None) is None
    assert winding_ratio(1.0, 0.0) is None
