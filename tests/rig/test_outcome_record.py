"""An outcome becomes a record of integers; what is not known is null and never 0."""

from __future__ import annotations

from dataclasses import replace

from procedures.scan import Check, Condition, Outcome, Verdict
from results.record import canonical
from rig.outcome_record import check_body, closing_body, condition_body

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


def test_a_whole_closing_may_stand_in_a_record() -> None:
    verdict = Verdict("none", "too close to call", "too close", MEASURED)
    facts: dict[str, float | str] = {"place_x": 0.501, "change": "dried"}
    limits = (("pass_ma", 0.75, "mA", "shop rule", "P", "2026.1"),)
    body = closing_body(Outcome(verdict, (MEASURED,), (), facts=facts, limits=limits))
    assert body["facts"] == {"place_x_millionths": 501000, "change": "dried"}
    assert body["limits"][0]["value_millionths"] == 750000
    assert body["worst"]["y_ua"] == 730
    canonical(body)  # refuses floats
