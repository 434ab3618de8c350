"""What a heater's feeds say of the leak's place, through the plant; and what is not said."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from drivers.virtual.scenario import load, plate
from procedures.element import Names, note_leg_to_leg, note_place, ways_of
from procedures.limits import limits_for
from procedures.scan import SUPPLY_2_V, SUPPLY_V, Condition, Part, Scan
from procedures.steps import Run
from tests.procedures.harness import prove, setup

SHELF = load()
NAMES = Names("ln", "ln again", "nl", "both")
PART = Part("P-1", "heater", rated_v=240.0, rated_w=4000.0)


def _way(name: str, res_ma: float, u_ma: float = 0.02) -> Condition:
    return Condition(
        name, "", "measured", abs(res_ma), u_ma, res_ma, 0.0, None, None, 120.0, 90, 0.0, 20.0
    )


def _run(**mA: float) -> Run:  # noqa: N803 - the unit is spelt so
    run = Run(PART, setup(), limits_for("heater", PART))
    run.conditions = [_way(name.replace("_", " "), value) for name, value in mA.items()]
    run.last = Scan(0.0, {SUPPLY_V: 120.0, SUPPLY_2_V: 119.0}, {}, {})
    return run


def test_a_pinhole_in_the_middle_is_placed_foretold_and_left_open() -> None:
    serial = "OF55-0231"
    outcome, _ = prove(SHELF, serial, Part("P-1", **plate(SHELF[serial])))
    facts = outcome.facts
    assert facts["place_low"] <= 0.5 <= facts["place_high"]  # type: ignore[operator]
    assert float(facts["place_high"]) - float(facts["place_low"]) < 0.05
    assert "damp all along" in str(facts["place, not told apart"])
    assert str(facts["predicted, both ends hot"]).endswith(": agrees")
    assert str(facts["predicted, leg to leg"]).endswith(": agrees")
    assert str(facts["fault impedance, limited step, cold wet"]).startswith(("59.", "60."))
    worst = outcome.verdict.worst
    assert worst is not None
    assert worst.budget is not None
    assert worst.u_ma == pytest.approx(float(worst.budget.expanded))


def test_across_the_windings_leakage_alone_would_have_passed_it() -> None:
    serial = "DP12-8801"
    outcome, _ = prove(SHELF, serial, Part("P-1", **plate(SHELF[serial])))
    assert "across the windings drives 0.40 mA: leakage would pass it" in str(
        outcome.facts["hidden"]
    )


def test_both_ways_and_the_sum_by_hand() -> None:
    run = _run(ln=1.4, ln_again=1.42, nl=0.6, both=2.0)
    note_place(run, NAMES)
    # 2x - 1 = (0.6 - 1.41)/(4.0 - 2.01)
    assert run.facts["place"] == round(0.5 - 0.5 * 0.81 / 1.99, 3)
    assert run.facts["neutral to earth_v"] == pytest.approx(120.0 * 0.01 / 2.0, abs=0.01)


def test_a_sum_that_no_neutral_explains_corrects_nothing() -> None:
    run = _run(ln=1.4, ln_again=1.4, nl=0.6, both=1.5)
    note_place(run, NAMES)
    assert run.facts["place"] == 0.3
    assert "neutral to earth_v" not in run.facts
    assert "disagrees" in str(run.facts["predicted, both ends hot"])


@pytest.mark.parametrize("left_out", ["ln", "ln_again", "nl"])
def test_without_one_way_there_is_no_place(left_out: str) -> None:
    ways = {"ln": 1.4, "ln_again": 1.4, "nl": 0.6, "both": 2.0}
    del ways[left_out]
    run = _run(**ways)
    note_place(run, NAMES)
    note_leg_to_leg(run, NAMES, _way("rated", 0.8))
    assert ways_of(run, NAMES) is None
    assert run.facts == {}


def test_a_way_that_was_cut_off_is_no_reading() -> None:
    run = _run(ln=3.5, ln_again=1.4, nl=0.6, both=2.0)
    run.conditions[0] = replace(run.conditions[0], basis="above")
    note_place(run, NAMES)
    assert "place" not in run.facts
    off = _run(ln=1.4, ln_again=1.4, nl=0.6, both=3.5)
    off.conditions[3] = replace(off.conditions[3], basis="above")
    note_place(off, NAMES)
    assert off.facts["place"] == 0.3
    assert "predicted, both ends hot" not in off.facts


def test_too_little_has_no_place() -> None:
    run = _run(ln=0.05, ln_again=0.05, nl=0.04, both=0.09)
    note_place(run, NAMES)
    assert run.facts == {}


def test_leg_to_leg_needs_both_legs_volts_and_a_measured_run() -> None:
    run = _run(ln=1.4, ln_again=1.4, nl=0.6, both=2.0)
    note_leg_to_leg(run, NAMES, _way("rated", 0.8))
    assert "predicted 0.8" in str(run.facts["predicted, leg to leg"])
    for missing in (None, replace(_way("rated", 3.5), basis="above")):
        fresh = _run(ln=1.4, ln_again=1.4, nl=0.6, both=2.0)
        note_leg_to_leg(fresh, NAMES, missing)
        assert fresh.facts == {}
    for values in ({SUPPLY_V: 120.0}, {SUPPLY_V: 120.0, SUPPLY_2_V: 0.0}):
        fresh = _run(ln=1.4, ln_again=1.4, nl=0.6, both=2.0)
        fresh.last = Scan(0.0, values, {}, {})
        note_leg_to_leg(fresh, NAMES, _way("rated", 0.8))
        assert fresh.facts == {}


def test_without_a_budget_a_condition_has_no_noise_of_its_own() -> None:
    ways = ways_of(_run(ln=1.4, ln_again=1.4, nl=0.6, both=2.0), NAMES)
    assert ways is not None
    assert (ways.u, ways.dof) == ((0.0, 0.0, 0.0), math.inf)
