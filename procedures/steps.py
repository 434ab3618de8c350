"""Common steps of every procedure: waiting, looking, dead tests, off. Used with ``yield from``.

A step yields one demand per scan and counts only *new* samples (``taken_s`` after the output was seen
on), because a reading that is older than the output proves nothing about it. A missing value stays
None: it is never a number.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple, TypeVar

from procedures.limits import Limit
from procedures.scan import (
    BOND_OHM,
    INSULATION_MOHM,
    NOT_BELIEVED,
    RESISTANCE_OHM,
    UNREAD,
    Aid,
    Ask,
    Check,
    Condition,
    Demand,
    Feed,
    Findings,
    Part,
    Scan,
    Setup,
    Source,
)

T = TypeVar("T")
Step = Generator[Demand, Scan, T]
NEVER_S = 3600.0  # stages without an output on: a person may take their time
LOOKS = ("clean", "bulge", "pit", "rust", "burnt", "water at the terminals")


@dataclass(slots=True)
class Run:
    """What one attempt knows so far. Currents in mA, times in s of control time."""

    part: Part
    setup: Setup
    limits: Mapping[str, Limit]
    aids: frozenset[Aid] = frozenset()
    grounded: bool = False
    control_seen: bool = False
    prospective_ma: dict[str, float] = field(default_factory=dict)
    conditions: list[Condition] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    facts: dict[str, float | str] = field(default_factory=dict)
    rising: dict[str, str] = field(default_factory=dict)  # condition: words, where a rise rejects
    doubts: dict[str, str] = field(default_factory=dict)  # condition: words, where sensors disagree
    swings: dict[str, tuple[float, float, float]] = field(default_factory=dict)  # see swing.py
    tripped: bool = False  # the GFCI tripped: it must be proved again before anything is energised
    unexplained: str = ""  # the stage in which it tripped although next to nothing was read
    insulated_by: Source | None = None  # the source that this family's insulation is measured with
    change: str = ""  # what the procedure itself changed (baked out, dried), for the record
    bus_v: float | None = None  # commissioning only: what is connected instead of the mains
    last: Scan | None = None

    @property
    def scan(self) -> Scan:
        """The newest scan; a procedure has one from its first step on."""
        if self.last is None:
            raise RuntimeError("no scan yet: a step looked before it yielded a demand")
        return self.last

    def limit(self, name: str) -> float:
        """A limit's value in its own unit."""
        return self.limits[name].value

    def demand(self, stage: str) -> Demand:
        """The demand that all others are made from: aids and findings as they stand, nothing on."""
        findings = Findings(self.grounded, dict(self.prospective_ma), self.control_seen)
        return Demand(stage, aids=self.aids, findings=findings, stage_s=NEVER_S, bus_v=self.bus_v)

    def forbids(self, feed: Feed) -> str:
        """Why this feed may not be energised now, in words; empty when it may.

        The guard would refuse it as well; asking for it would only wait for what can't come.
        """
        if feed not in self.setup.feeds:
            return "this feed is not fitted"
        if self.tripped:
            return "the GFCI has tripped and is not proved again"
        if not self.grounded:
            return "the ground is not proved"
        if feed == "limited":
            return ""
        if not self.control_seen:
            return "the positive control did not show"
        bound_ma = self.prospective_ma.get(feed)
        gated = bound_ma is not None and bound_ma <= self.limit("gate_ma")
        return "" if gated else "the limited step does not allow it"

    def check(self, name: str) -> Check | None:
        """The newest check of that name."""
        return next((c for c in reversed(self.checks) if c.name == name), None)

    def rejected(self) -> bool:
        """Whether any check has been judged and not met."""
        return any(c.met is False for c in self.checks)

    def condition(self, name: str) -> Condition | None:
        """The newest condition of that name."""
        return next((c for c in reversed(self.conditions) if c.name == name), None)

    def fails(self) -> bool:
        """Whether a counted condition fails the part by the verdict's rule: cut off, or y above."""
        counted = [c for c in self.conditions if c.counts]
        return any(c.basis == "above" or c.y_ma > self.limit("fail_ma") for c in counted)

    def failed(self) -> bool:
        """As ``fails``, by more than U: so clear that a run may be cut short for it."""
        fail_ma = self.limit("fail_ma")
        counted = [c for c in self.conditions if c.counts]
        return any(c.basis == "above" or c.y_ma - c.u_ma > fail_ma for c in counted)


def give(run: Run, demand: Demand) -> Step[Scan]:
    """One scan."""
    run.last = yield demand
    return run.last


def new_value(scan: Scan, quantity: str, after_s: float) -> float | None:
    """A reading taken after ``after_s``, else None."""
    if scan.taken_s.get(quantity, after_s) <= after_s:
        return None
    return scan.values.get(quantity)


# ---- a person -------------------------------------------------------------------------------------


def ask(run: Run, question: Ask, base: Demand | None = None) -> Step[str | float]:
    """Put a question and scan on until it is answered. ``base`` may keep something energised."""
    want = replace(base or run.demand(question.key), ask=question)
    scan = yield from give(run, want)
    while question.key not in scan.answers:
        scan = yield from give(run, want)
    answer = scan.answers[question.key]
    yield from give(run, replace(want, ask=None))  # the answer is taken; the prompt goes away
    return answer


def look(run: Run) -> Step[str]:
    """Ask what a person sees; anything but "clean" is a reject (trade's rule, common practice)."""
    words = "Look at the part: bulges, pits, rust, burns, water at the terminals?"
    seen = yield from ask(run, Ask("look", words, "choice", LOOKS))
    run.checks.append(Check("look", None, "", "clean", seen == "clean", str(seen)))
    return str(seen)


# ---- dead tests ------------------------------------------------------------------------------------


class DeadTest(NamedTuple):
    """One test source with the quantity it is read by. ``settle_s`` before the first sample."""

    source: Source
    quantity: str
    settle_s: float
    seconds: float


DEAD_TESTS: Mapping[Source, DeadTest] = {
    "bond": DeadTest("bond", BOND_OHM, 1.0, 3.5),
    "ohms": DeadTest("ohms", RESISTANCE_OHM, 1.0, 3.5),
    "insulation": DeadTest("insulation", INSULATION_MOHM, 2.0, 5.0),
    "insulation_low": DeadTest("insulation_low", INSULATION_MOHM, 2.0, 5.0),
    "insulation_secondary": DeadTest("insulation_secondary", INSULATION_MOHM, 2.0, 5.0),
}


OVER, UNFITTED, BY_HAND = "open or over range", "not fitted", "entered from a hand instrument"


class Reading(NamedTuple):
    """A dead test's result: mean of ``n`` samples, None when there was none, and where it is from.
    ``digits``: what the meter has shown, each once."""

    value: float | None
    n: int
    words: str
    digits: frozenset[float] = frozenset()

    @property
    def over(self) -> bool:
        """The meter says that it is more than it can read."""
        return self.words == OVER

    @property
    def unproved(self) -> bool:
        """It says nothing about the part: no reading, or a meter that was caught at lying."""
        return self.words.startswith((UNREAD, NOT_BELIEVED))


def dead_test(run: Run, stage: str, source: Source) -> Step[Reading]:
    """Put a test source on, collect its readings, report their mean (unit of the quantity)."""
    test = DEAD_TESTS[source]
    if test.quantity in run.setup.hand:
        return Reading(run.setup.hand[test.quantity], 1, BY_HAND)
    if source not in run.setup.sources or test.quantity not in run.setup.quantities:
        return Reading(None, 0, UNFITTED)
    return (yield from read_source(run, replace(run.demand(stage), source=source), test))


def read_source(run: Run, want: Demand, test: DeadTest) -> Step[Reading]:
    """Put ``want.source`` on, wait until it is seen on, collect what ``test`` reads."""
    scan = yield from give(run, want)
    while scan.source != test.source:
        scan = yield from give(run, want)
    values, over = yield from _collect(run, want, test)
    if not values:
        return Reading(None, 0, OVER if over else UNREAD)
    return Reading(sum(values) / len(values), len(values), "", frozenset(values))


def _collect(run: Run, want: Demand, test: DeadTest) -> Step[tuple[list[float], bool]]:
    """The settled samples, and whether the meter said at their end that it is over its range."""
    start_s = run.scan.t_s
    last_s = start_s + test.settle_s
    values: list[float] = []
    while run.scan.t_s < start_s + test.seconds:
        done = (run.scan.t_s - start_s) / test.seconds
        scan = yield from give(run, replace(want, progress=min(1.0, done)))
        value = new_value(scan, test.quantity, last_s)
        if value is not None:
            values.append(value)
            last_s = scan.taken_s[test.quantity]
    return values, test.quantity in run.scan.over


# ---- off, waiting, water ---------------------------------------------------------------------------


def switch_off(run: Run, stage: str = "off") -> Step[None]:
    """Nothing on, until off is proved. The aids stay as they are."""
    want = run.demand(stage)
    scan = yield from give(run, want)
    while not scan.off:
        scan = yield from give(run, want)


def wait(run: Run, stage: str, seconds: float) -> Step[None]:
    """Wait with everything off, the aids as they are."""
    want = run.demand(stage)
    start_s = (yield from give(run, want)).t_s
    while run.scan.t_s < start_s + seconds:
        done = (run.scan.t_s - start_s) / seconds
        yield from give(run, replace(want, progress=done))


def wait_input(run: Run, stage: str, name: str, longest_s: float) -> Step[bool]:
    """Wait for an input, at most ``longest_s``; false when it did not come."""
    want = run.demand(stage)
    start_s = (yield from give(run, want)).t_s
    while run.scan.inputs.get(name) is not True:
        if run.scan.t_s - start_s > longest_s:
            return False
        yield from give(run, want)
    return True
