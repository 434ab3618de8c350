"""Both confirmations stand around every procedure, and nothing is on while they are open."""

from __future__ import annotations

import pytest

from procedures.cautions import BEFORE, END, cautioned
from procedures.scan import Demand, Outcome, Procedure, Scan, Verdict

OUTCOME = Outcome(Verdict("pass", "rule", "because"))


def scan(**answers: str) -> Scan:
    return Scan(0.0, {}, {}, {}, answers=answers)


def inner() -> Procedure:
    yield Demand("one", feed="limited", energise=True)
    yield Demand("two")
    return OUTCOME


def test_nothing_is_demanded_before_the_cautions_are_confirmed() -> None:
    ended: list[Outcome] = []
    steps = cautioned(inner(), ("Hot.", "Sharp."), ended.append)
    demand = next(steps)
    for _ in range(50):
        assert demand.ask is not None
        assert (demand.ask.key, demand.energise, demand.source) == (BEFORE, False, None)
        assert "Hot. Sharp." in demand.ask.words
        demand = steps.send(scan())
    assert steps.send(scan(cautions="yes")).stage == "one"
    assert steps.send(scan(cautions="yes")).stage == "two"
    assert not ended


def test_the_outcome_is_kept_before_lockout_is_confirmed_and_returned_after_it() -> None:
    ended: list[Outcome] = []
    steps = cautioned(inner(), (), ended.append)
    assert next(steps).stage == "one"
    steps.send(scan())
    demand = steps.send(scan())
    assert ended == [OUTCOME]
    assert demand.ask is not None
    assert (demand.ask.key, demand.energise) == (END, False)
    assert steps.send(scan()).ask is not None
    with pytest.raises(StopIteration) as done:
        steps.send(scan(cautions_end="yes"))
    assert done.value.value is OUTCOME


def test_a_procedure_that_is_closed_is_closed_inside_too() -> None:
    closed: list[bool] = []

    def holding() -> Procedure:
        try:
            while True:
                yield Demand("on", feed="limited", energise=True)
        finally:
            closed.append(True)

    steps = cautioned(holding(), (), lambda outcome: None)
    next(steps)
    steps.close()
    assert closed
