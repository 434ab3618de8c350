"""Single steps with scans written by hand: what is new, what is open, what a bound is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from procedures.dead_tests import ground
from procedures.leakage import Stage, energise
from procedures.limits import limits_for
from procedures.scan import Ask, Condition, Demand, Part, Scan
from procedures.sequence import _bound_ma
from procedures.steps import Run, Step, ask, dead_test, new_value
from tests.procedures.harness import setup

PART = Part("P-1", "heater", rated_v=240.0, rated_w=5500.0)
EMPTY = Scan(t_s=0.0, values={}, taken_s={}, inputs={})


def _run(**setup_changes: Any) -> Run:
    return Run(PART, setup(**setup_changes), limits_for("heater", PART))


def _drive(step: Step[Any], scans: Iterator[Scan]) -> tuple[Any, list[Demand]]:
    demands = [next(step)]
    try:
        for scan in scans:
            demands += [step.send(scan)]
    except StopIteration as done:
        return done.value, demands
    raise AssertionError(f"still wants {demands[-1].stage}")


def _bond_scans(taken_s: float | None, ohm: float) -> Iterator[Scan]:
    """The source comes on at 1.0 s; the reading is dated ``taken_s``, or each scan anew."""
    for n in range(200):
        t_s = n / 10
        yield replace(
            EMPTY,
            t_s=t_s,
            source="bond" if t_s >= 1.0 else None,
            values={"bond_ohm": ohm},
            taken_s={"bond_ohm": t_s if taken_s is None else taken_s},
        )


def test_a_reading_from_before_the_source_was_on_proves_nothing() -> None:
    run = _run()
    good, demands = _drive(ground(run), _bond_scans(0.5, 0.03))
    assert not good
    assert not run.grounded
    assert run.checks[-1].value is None
    assert {d.source for d in demands} == {"bond"}


def test_a_fresh_reading_counts_and_its_samples_are_new_ones_only() -> None:
    reading, _ = _drive(dead_test(_run(), "bond", "bond"), _bond_scans(None, 0.03))
    assert reading.value == pytest.approx(0.03)
    assert reading.n == pytest.approx(25, abs=1)


def test_a_hand_value_is_used_without_an_output_and_says_so() -> None:
    run = _run(hand={"bond_ohm": 0.05})
    step = ground(run)
    with pytest.raises(StopIteration) as done:
        next(step)
    assert done.value.value is True
    assert run.checks[-1].words == "entered from a hand instrument"


def test_a_missing_value_is_none() -> None:
    scan = replace(EMPTY, values={}, taken_s={"leakage_ma": 9.0})
    assert new_value(scan, "leakage_ma", 1.0) is None
    old = replace(EMPTY, values={"leakage_ma": 0.1}, taken_s={"leakage_ma": 1.0})
    assert new_value(old, "leakage_ma", 1.0) is None


def test_a_question_is_put_until_it_is_answered_and_then_goes_away() -> None:
    question = Ask("look", "?", "choice", ("clean", "bulge"))
    answered = replace(EMPTY, answers={"look": "bulge"})
    answer, demands = _drive(ask(_run(), question), iter([EMPTY, EMPTY, answered, EMPTY]))
    assert answer == "bulge"
    assert [d.ask is None for d in demands] == [False, False, False, True]


def _forbidden(run: Run) -> list[str]:
    return [feed for feed in ("limited", "both_hot", "line_line") if run.forbids(feed)]  # type: ignore[arg-type]


def test_feeds_open_in_the_order_ground_control_gate() -> None:
    run = _run()
    assert _forbidden(run) == ["limited", "both_hot", "line_line"]
    run.grounded = True
    assert _forbidden(run) == ["both_hot", "line_line"]
    run.prospective_ma = {"both_hot": 3.0, "line_line": 3.001}
    assert _forbidden(run) == ["both_hot", "line_line"]
    run.control_seen = True
    assert _forbidden(run) == ["line_line"]
    run.tripped = True
    assert _forbidden(run) == ["limited", "both_hot", "line_line"]


def test_a_forbidden_stage_demands_nothing() -> None:
    run = _run()
    run.last = EMPTY
    step = energise(run, Stage("rated run", "line_line", 60.0))
    with pytest.raises(StopIteration) as done:
        next(step)
    assert not done.value.value.on
    assert done.value.value.refused == "the ground is not proved"


def test_a_bench_that_never_switches_on_ends_the_stage() -> None:
    run = _run()
    run.grounded = True
    scans = (replace(EMPTY, t_s=float(t), waiting="hood is off") for t in range(700))
    live, _ = _drive(energise(run, Stage("limited step", "limited", 8.0)), scans)
    assert live.refused == "hood is off"
    assert not live.samples


def _step(y_ma: float, u_ma: float) -> Condition:
    zeros = {"resistive_ma": y_ma, "capacitive_ma": 0.0, "dc_ma": None, "second_ma": None}
    return Condition(
        "limited step",
        "limited",
        "prospective",
        y_ma,
        u_ma,
        supply_v=120.0,
        samples=20,
        start_s=0.0,
        end_s=8.0,
        **zeros,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("y_ma", "u_ma", "drying", "bound_ma"),
    [
        (2.9, 0.05, False, 2.95),
        (2.9, 0.14, False, 3.04),  # above the gate of 3.0: no full feed
        (2.9, 0.14, True, 3.0),  # a drying run may begin
        (3.01, 0.14, True, 3.15),  # y itself above the gate: never
        (2.9, 0.61, True, 3.51),  # y + U above the cut-off of 3.5: never
    ],
)
def test_only_a_drying_run_may_begin_with_the_gate_within_u(
    y_ma: float, u_ma: float, drying: bool, bound_ma: float
) -> None:
    assert _bound_ma(_run(), _step(y_ma, u_ma), drying) == pytest.approx(bound_ma)
