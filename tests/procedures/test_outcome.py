"""What is proposed for a part: a claim only above the warranty gate, a hold where a pass has a cause."""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.limits import limits_for
from procedures.outcome import HOLD, conclude
from procedures.scan import Check, Condition, Outcome, Part
from procedures.steps import Run
from tests.procedures.harness import setup

PART = Part("P", "light", rated_v=120.0, rated_w=20.0, warranty=True)
READ = Condition(
    name="rated run, warm",
    feed="line_neutral",
    basis="measured",
    y_ma=2.0,
    u_ma=0.05,
    resistive_ma=2.0,
    capacitive_ma=0.0,
    dc_ma=None,
    second_ma=None,
    supply_v=120.0,
    samples=100,
    start_s=0.0,
    end_s=10.0,
    control_seen=True,
)
GROUND = tuple(Check(n, 0.03, "ohm", "<= 0.1", True) for n in ("ground bond", "ground bond, after"))


def _concluded(
    y_ma: float, warranty_ma: float, *checks: Check, part: Part = PART, jumps: bool = False
) -> Outcome:
    limits = dict(limits_for(part.family, part))
    if part.warranty:
        limits["warranty_ma"] = replace(limits["warranty_ma"], value=warranty_ma)
    run = Run(part, setup(), limits)
    run.checks += [*GROUND, *checks]
    run.conditions.append(replace(READ, y_ma=y_ma, resistive_ma=y_ma))
    if jumps:
        run.swings[READ.name] = (0.3 * y_ma, y_ma, 0.05 * y_ma)
    return conclude(run, ("rated run, warm",), ())


@pytest.mark.parametrize(("gate_ma", "proposed"), [(1.5, "warranty claim"), (2.5, "scrap")])
def test_a_leakage_claims_only_above_the_suppliers_own_gate(gate_ma: float, proposed: str) -> None:
    outcome = _concluded(2.0, gate_ma)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "above the fail limit")
    assert outcome.disposition == proposed
    claim = next(one for one in outcome.gauges if one.set == "warranty")
    assert ("no finding" in claim.words) is (proposed == "warranty claim")


def test_a_failed_function_claims_by_itself_and_corrosion_never() -> None:
    dead = Check("lamp_on", None, "", "yes", False)
    assert _concluded(0.2, 5.0, dead).disposition == "warranty claim"
    rusty = Check("look", None, "", "clean", False, "rust")
    assert _concluded(0.2, 5.0, dead, rusty).disposition != "warranty claim"


def test_a_part_that_passed_with_a_fault_to_be_looked_for_is_held() -> None:
    """A contact that comes and goes passes today."""
    outcome = _concluded(0.5, 1.5, part=replace(PART, warranty=False), jumps=True)
    assert outcome.verdict.verdict == "pass", outcome.verdict.reason
    assert outcome.cause == "intermittent contact or crack"
    assert outcome.disposition == HOLD
    sound = _concluded(0.05, 1.5, part=replace(PART, warranty=False))
    assert sound.disposition == "resell"
