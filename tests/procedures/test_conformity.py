"""Edges of the decision mathematics, and what is said to settle an open verdict."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.budget import Budget, Line, budget
from procedures.conformity import (
    GUARD_RULES,
    REMEDIES,
    Tolerance,
    conformity,
    global_risks,
    normal_prior,
    would_settle,
)
from procedures.limited import Step, limited_budget
from procedures.limits import COMMON
from procedures.scan import Accuracy
from procedures.uncertainty import FIXTURE, NOISE, Mean, leakage_budget

UP_TO = Tolerance(-math.inf, 0.75)


def _budget(y: float, **u: float) -> Budget:
    lines = [Line(name, y, value, "mA", "normal", math.inf, 1.0) for name, value in u.items()]
    return budget(y, lines, "mA")


@pytest.mark.parametrize(("y", "chance"), [(0.7499, 1.0), (0.75, 1.0), (0.7501, 0.0)])
def test_without_uncertainty_the_limit_itself_is_within(y: float, chance: float) -> None:
    assert conformity(y, 0.0, UP_TO) == chance
    assert conformity(-y, 0.0, Tolerance(-0.75, math.inf)) == chance


def test_exactly_at_the_limit_it_is_even() -> None:
    assert conformity(0.75, 0.03, UP_TO) == pytest.approx(0.5)


def test_a_guard_band_is_kept_inside_both_limits() -> None:
    assert Tolerance(1.0, 2.0).guarded(0.1) == pytest.approx((1.1, 1.9))


def test_the_shops_own_rule_is_one_of_the_table() -> None:
    chosen = next(limit for limit in COMMON.limits if limit.name == "guard_band_u")
    assert (chosen.value, chosen.unit, chosen.mark) == (1.0, "U", "P")
    assert chosen.value in {rule.share for rule in GUARD_RULES}


@given(st.floats(0.0, 0.3), st.floats(0.01, 0.3))
def test_a_wider_guard_moves_risk_from_consumer_to_producer(w: float, more: float) -> None:
    prior = normal_prior(0.5, 0.2)
    one, other = (global_risks(prior, 0.05, UP_TO, UP_TO.guarded(g)) for g in (w, w + more))
    assert other.consumer <= one.consumer
    assert other.producer >= one.producer
    assert other.accepted < one.accepted


def test_perfect_measurement_has_no_risk() -> None:
    got = global_risks(normal_prior(0.5, 0.2), 1e-9, UP_TO, UP_TO)
    assert got.consumer == pytest.approx(0.0, abs=1e-8)
    assert got.producer == pytest.approx(0.0, abs=1e-8)


# ---- what would settle it ----------------------------------------------------------------------------


def test_noise_is_settled_by_more_samples_and_how_many() -> None:
    """0.70 with u 0.03 of noise: 0.05 of room is u 0.025, (0.03/0.025)² = 1.44 times as many."""
    words = would_settle(_budget(0.70, noise=0.06), 0.75, 1.0)
    assert words == "more samples: a longer soak (6 times as many)"  # (0.06/0.025)² = 5.76


def test_the_greatest_contribution_is_named_with_what_may_remain_of_it() -> None:
    """u² allowed 0.025² = 0.0225² + 0.0109²: of 0.03 a third and a bit may remain."""
    made = budget(
        0.70,
        [
            Line("meter accuracy", 0.7, 0.03, "mA", "rectangular", math.inf, -1.0),
            Line("fixture", 0.0, 0.0225, "mA", "rectangular", math.inf, 1.0),
        ],
        "mA",
    )
    words = would_settle(made, 0.75, 1.0)
    assert words.startswith("a leakage meter with a better accuracy statement (at most 36 %")


def test_when_one_remedy_is_not_enough_it_says_so() -> None:
    words = would_settle(_budget(0.74, noise=0.03, fixture=0.02), 0.75, 1.0)
    assert words == "more samples: a longer soak, and more: U must come down to 0.010 mA"


def test_half_a_guard_band_needs_half_as_much() -> None:
    words = would_settle(_budget(0.74, noise=0.03, fixture=0.02), 0.75, 0.5)
    assert words.endswith("U must come down to 0.020 mA")


@pytest.mark.parametrize("y", [0.75, 0.80])
def test_no_better_meter_makes_a_pass_of_what_is_not_below_the_limit(y: float) -> None:
    words = would_settle(_budget(y, noise=0.03), 0.75, 1.0)
    assert words == "no smaller uncertainty can make it a pass: change the part and retest"


def test_every_line_of_a_real_budget_has_a_remedy() -> None:
    meter, supply = Accuracy(1.0, 0.01), Accuracy(0.5, 0.1)
    measured = leakage_budget(Mean(0.7, 0.01, 9.0, 120.0, 0.1), 120.0, meter, supply, meter)
    step = Step(120.0, 0.7, 0.0, 0.001, 9.0, 47_000.0, 1.0, 120.0)
    lines = [*measured.lines, *limited_budget(step, meter, supply).lines]
    assert {line.name for line in lines} == set(REMEDIES)
    assert {NOISE, FIXTURE} < set(REMEDIES)
