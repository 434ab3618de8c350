"""GFCI breaker: a diagnosis only, by a current injected load to line around the tested device.

Shop policy: never resold, whatever is measured. The bench's own GFCI must not see the injection.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from procedures.dead_tests import METER_PROOF, insulation, judge_insulation
from procedures.family import Family, rated_feed
from procedures.leakage import GRANT_S
from procedures.limits import Limit
from procedures.outcome import conclude
from procedures.scan import (
    GFCI_INJECTOR,
    INJECTION_MA,
    SUPPLY_V,
    Accuracy,
    Check,
    Condition,
    Declaration,
    Demand,
    Part,
    Procedure,
    Setup,
    Source,
    Verdict,
)
from procedures.sequence import begin, finish, limited_step, may_energise
from procedures.steps import Run, Step, give
from procedures.uncertainty import reading_budget

CAUTIONS = ("Diagnosis only, never resale.", "The tested device is live on its line side.")
SOURCES: frozenset[Source] = frozenset({"bond", "insulation"})
RAMP_LONGEST_S = 60.0
LIVE_S = 2.0  # the device's output must be seen live before the ramp means anything
NEVER = "diagnosis only, never resale"
TRIP = "trip current"
SWITCHED_OFF = "the bench itself switched off: the tested device had no say"
REQUIRED = ("limited step", TRIP)


def declare(part: Part, setup: Setup) -> Declaration:
    """Everything this procedure may use."""
    return Declaration(
        "gfci",
        feeds=frozenset({"limited", rated_feed(part, setup)}) & setup.feeds,
        sources=SOURCES & setup.sources,
        proof=frozenset({GFCI_INJECTOR}) | METER_PROOF & setup.proof,
        cautions=CAUTIONS,
    )


def prove(part: Part, setup: Setup, limits: Mapping[str, Limit]) -> Procedure:
    """The whole diagnosis."""
    run = Run(part, setup, limits)
    yield from _measure_all(run)
    judge_insulation(run, "insulation")
    yield from finish(run)
    return replace(conclude(run, REQUIRED, CAUTIONS, _verdict(run)), disposition=NEVER)


def _verdict(run: Run) -> Verdict | None:
    """A diagnosis by the trip current; None where something else decides (dead tests, leakage)."""
    trip, others = run.check(TRIP), [c for c in run.checks if c.name != TRIP]
    if trip is None or run.failed() or any(c.met is False for c in others):
        return None
    if trip.words == SWITCHED_OFF:
        return Verdict("none", "not proved", f"not proved: {TRIP}: {trip.words}")
    if trip.met is None:
        return None
    shown = run.condition(TRIP)
    if trip.met:
        words = "trips within its range; a diagnosis only, no pass is given"
        return Verdict("none", "diagnosis only", words, shown)
    value = "no trip" if trip.value is None else f"{trip.value:.2f} mA"
    words = f"trip current: {value}, allowed {trip.allowed} mA" + (trip.words and f"; {trip.words}")
    return Verdict("fail", "diagnosis only", words, shown)


def _condition(run: Run, start_s: float, ma: float) -> Condition:
    """The injected current at the trip, for the record: no leakage, so it never counts as one."""
    setup = run.setup
    made = reading_budget(ma, setup.accuracy.get(INJECTION_MA, Accuracy(5.0, 0.05)), "mA")
    return Condition(
        name=TRIP,
        feed=rated_feed(run.part, setup),
        basis="measured",
        y_ma=ma,
        u_ma=float(made.expanded),
        resistive_ma=ma,
        capacitive_ma=0.0,
        dc_ma=None,
        second_ma=None,
        supply_v=run.scan.values.get(SUPPLY_V, setup.nominal_v),
        samples=1,
        start_s=start_s,
        end_s=run.scan.t_s,
        counts=False,
        note="injected current, not leakage",
        budget=made,
    )


def _measure_all(run: Run) -> Step[None]:
    if not (yield from begin(run)):
        return
    stop_mohm = run.limit("insulation_stop_mohm")
    good = yield from insulation(run, "insulation", "insulation", stop_mohm)
    yield from limited_step(run, "limited step")
    if good and may_energise(run) and rated_feed(run.part, run.setup) in run.setup.feeds:
        yield from _ramp(run)


def _ramp(run: Run) -> Step[None]:
    """Raise the injected current until the device's output goes dead, or the ramp ends."""
    want = replace(
        run.demand("trip current, ramp"),
        feed=rated_feed(run.part, run.setup),
        energise=True,
        stage_s=RAMP_LONGEST_S + 60.0,
    )
    if not (yield from _output_live(run, want)):
        bench = run.scan.event is not None
        words = SWITCHED_OFF if bench else "its output does not come on"
        met = None if bench else False
        run.checks.append(Check(TRIP, None, "mA", _allowed(run), met, words))
        return
    start_s = run.scan.t_s
    ma, tripped = yield from _inject(run, replace(want, proof=frozenset({GFCI_INJECTOR})))
    if ma is not None:
        run.conditions.append(_condition(run, start_s, ma))
    low, high = run.limit("gfci_hold_ma"), run.limit("gfci_trip_ma")
    words = {True: "", False: "it did not trip", None: SWITCHED_OFF}[tripped]
    met = None if tripped is None else tripped and ma is not None and low <= ma <= high
    run.checks.append(Check(TRIP, ma, "mA", _allowed(run), met, words))


def _allowed(run: Run) -> str:
    return f"{run.limit('gfci_hold_ma'):g} to {run.limit('gfci_trip_ma'):g}"


def _output_live(run: Run, want: Demand) -> Step[bool]:
    scan = yield from give(run, want)
    granted_by_s = scan.t_s + GRANT_S
    while scan.feed != want.feed:
        if scan.event is not None or scan.t_s > granted_by_s:
            return False
        scan = yield from give(run, want)
    until_s = scan.t_s + LIVE_S
    while scan.t_s < until_s and not (scan.event or scan.inputs.get("part_output_live") is True):
        scan = yield from give(run, want)
    return scan.inputs.get("part_output_live") is True


def _inject(run: Run, want: Demand) -> Step[tuple[float | None, bool | None]]:
    """The greatest injected current seen up to the trip, and whether it tripped; None: the bench
    switched off, so that the tested device had no say."""
    start_s, top_ma = run.scan.t_s, None
    while run.scan.t_s < start_s + RAMP_LONGEST_S:
        done = (run.scan.t_s - start_s) / RAMP_LONGEST_S
        scan = yield from give(run, replace(want, progress=min(1.0, done)))
        now_ma = scan.values.get(INJECTION_MA)
        top_ma = max(top_ma or 0.0, now_ma) if now_ma is not None else top_ma
        if scan.event is not None:
            return top_ma, None
        if scan.inputs.get("part_output_live") is False:
            return top_ma, True
    return top_ma, False


FAMILY = Family(
    name="gfci",
    title="GFCI breaker",
    does=(
        "look, ground bond, insulation, limited step",
        "injected current around the device, raised until it trips",
    ),
    required=REQUIRED,
    cautions=CAUTIONS,
    plate=("rated_v",),
    declaration=declare,
    procedure=prove,
    needs=("feed limited", "injection_ma", "input part_output_live", "proof gfci_injector"),
)
