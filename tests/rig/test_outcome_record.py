"""An outcome becomes a record of integers; what is not known is null and never 0."""

from __future__ import annotations

import math
from dataclasses import replace

from procedures.budget import Line, budget
from procedures.scan import Check, Condition, Outcome, Verdict
from results.record import canonical
from rig.outcome_record import budget_body, check_body, closing_body, condition_body

MEASURED = Condition(
    name="both ends hot, cold wet",
    feed="both_hot",
    basis="measured",
    y_ma=0.7304,
    u_ma=0.0246,
    resistive_ma=0.73,
    capacitive_ma=-0.0204,
    dc_ma=None,
    second_ma=0.72,
    supply_v=120.25,
    samples=100,
    start_s=10.0,
    end_s=30.5,
)


def test_currents_are_microamperes_and_missing_is_null() -> None:
    body = condition_body(MEASURED)
    assert (body["y_ua"], body["u_ua"], body["capacitive_ua"]) == (730, 25, -20)
    assert (body["supply_mv"], body["start_ms"], body["end_ms"]) == (120250, 10000, 30500)
    assert body["dc_ua"] is None
    assert body["temperature_mc"] is None


def test_a_lower_bound_has_no_uncertainty() -> None:
    above = replace(MEASURED, basis="above", y_ma=3.5, u_ma=0.0, after_s=11.86)
    body = condition_body(above)
    assert (body["y_ua"], body["u_ua"], body["after_ms"]) == (3500, None, 11860)


def test_a_check_keeps_its_value_in_millionths() -> None:
    assert check_body(Check("bond", 0.03062, "ohm", "<= 0.1", True))["value_millionths"] == 30620
    assert check_body(Check("look", None, "", "clean", None))["value_millionths"] is None


def test_where_an_uncertainty_comes_from() -> None:
    lines = (
        Line("noise", 0.73, 0.0012, "mA", "normal", 9.0, 1.0),
        Line("limiting resistor", 47.0, 0.271, "kohm", "rectangular", math.inf, 0.075),
    )
    made = replace(MEASURED, budget=budget(0.7304, lines, "mA"))
    body = condition_body(made)["budget"]
    assert body["u_na"] == round(math.hypot(0.0012, 0.271 * 0.075) * 1e6)
    assert body["k_millionths"] == 2_000_003  # t for 746 thousand degrees of freedom
    assert body["dof_thousandths"] > 1e6
    assert body["lines"][0] == {
        "input": "noise",
        "value_millionths": 730_000,
        "unit": "mA",
        "u_millionths": 1200,
        "distribution": "normal",
        "sensitivity_millionths": 1_000_000,
        "contribution_na": 1200,
        "dof_thousandths": 9000,
    }
    assert body["lines"][1]["dof_thousandths"] is None  # infinitely many
    assert body["lines"][1]["contribution_na"] == 20_325
    canonical(condition_body(made))
    assert condition_body(MEASURED)["budget"] is None


def test_no_bound_and_no_number_are_null() -> None:
    lines = [Line("noise", math.nan, 0.1, "mA", "normal", 9.0, math.inf)]
    body = budget_body(budget(math.inf, lines, "mA"))
    assert body is not None
    assert body["u_na"] is None
    first = body["lines"][0]
    assert (first["value_millionths"], first["contribution_na"]) == (None, None)
    canonical(body)


def test_more_than_a_record_can_hold_is_as_good_as_infinite() -> None:
    """Next to no noise leaves 2e13 degrees of freedom; a fault near no bound leaves any U."""
    lines = [
        Line("noise", 0.1, 1e-6, "mA", "normal", 9.0, 1.0),
        Line("meter accuracy", 0.1, 0.0063, "mA", "rectangular", math.inf, 1.0),
        Line("limiting resistor", 47.0, 0.271, "kohm", "rectangular", math.inf, 1e13),
    ]
    body = budget_body(budget(0.1, lines[:2], "mA"))
    assert body is not None
    assert body["dof_thousandths"] is None
    canonical(body)
    wild = budget_body(budget(0.1, lines, "mA"))
    assert wild is not None
    assert wild["u_na"] is None
    canonical(wild)


def test_a_whole_closing_may_stand_in_a_record() -> None:
    verdict = Verdict("none", "too close to call", "too close", MEASURED, 0.9434)
    facts: dict[str, float | str] = {"place_x": 0.501, "change": "dried"}
    limits = (("pass_ma", 0.75, "mA", "shop rule", "P", "2026.1", "resale"),)
    body = closing_body(Outcome(verdict, (MEASURED,), (), facts=facts, limits=limits))
    assert body["facts"] == {"place_x_millionths": 501000, "change": "dried"}
    assert body["limits"][0]["value_millionths"] == 750000
    assert body["worst"]["y_ua"] == 730
    assert body["conformity_millionths"] == 943_400
    canonical(body)  # refuses floats
