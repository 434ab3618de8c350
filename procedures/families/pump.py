"""Two-speed and circulation pumps: each speed from rest, warm, with inrush and running current."""

from __future__ import annotations

from collections.abc import Mapping

from procedures.bond import winding_ratio
from procedures.dead_tests import METER_PROOF, insulation, judge_insulation, ohms
from procedures.family import Family, rated_feed
from procedures.insulation import absorption
from procedures.leakage import Stage
from procedures.limits import Limit
from procedures.load_meter import load_note
from procedures.outcome import conclude
from procedures.scan import Aid, Ask, Check, Declaration, Part, Procedure, Setup, Source
from procedures.sequence import begin, finish, limited_step, may_energise, measure
from procedures.soak import steady
from procedures.steps import Run, Step, ask, dead_test, wait_input

CAUTIONS = (
    "Clamp the pump and keep clear of the shaft: starting torque.",
    "No long dry running: the seal burns.",
    "Capacitors hold charge; wait for the discharge to be proved.",
)
SOURCES: frozenset[Source] = frozenset({"bond", "ohms", "insulation"})
INRUSH = 1.5  # times the plate's current: more than this after the inrush time does not decay
LOW_SOAK_S, WARM_S, FILL_S = 180.0, 15.0, 60.0
FLOWS = Ask("water_flows", "Does water flow?", "choice", ("yes", "no"), deadline_s=60.0)
SHAFT_TURNS = "shaft turns by hand"
SHAFT = Ask(
    "shaft_turns",
    "Locked out and dead: does the shaft turn freely by hand?",
    "choice",
    ("yes", "no", "not tried"),
)


def declare(part: Part, setup: Setup) -> Declaration:
    """Everything a pump's procedure may use."""
    aids: set[Aid] = {"water", "high_speed"} if part.speeds == 2 else {"water"}
    return Declaration(
        part.family,
        feeds=frozenset({"limited", rated_feed(part, setup), "both_hot"}) & setup.feeds,
        sources=SOURCES & setup.sources,
        aids=frozenset(aids) & setup.aids,
        proof=METER_PROOF & setup.proof,
        cautions=CAUTIONS,
    )


def prove(part: Part, setup: Setup, limits: Mapping[str, Limit]) -> Procedure:
    """The whole attempt, for both pump families."""
    run = Run(part, setup, limits)
    yield from _measure_all(run)
    judge_insulation(run, "insulation, wet")
    judge_insulation(run, "insulation, dry")
    yield from finish(run)
    yield from _shaft(run)
    return conclude(run, required_of(part), CAUTIONS)


def _shaft(run: Run) -> Step[None]:
    """What tells a stuck rotor from a dead capacitor: a hand at the shaft, with everything off."""
    if any(c.name.startswith("inrush") and c.met is False for c in run.checks):
        run.facts[SHAFT_TURNS] = str((yield from ask(run, SHAFT)))


def required_of(part: Part) -> tuple[str, ...]:
    """The conditions that a pass needs: both speeds, warm."""
    if part.speeds == 2:
        return TWO_SPEEDS
    return ONE_SPEED


LOW, HIGH, ONE = "low speed", "high speed, warm", "rated run, warm"
ONE_SPEED = ("limited step", ONE, f"current, {ONE}")
TWO_SPEEDS = (
    "limited step, low speed",
    "limited step, high speed",
    *(LOW, HIGH, f"current, {LOW}", f"current, {HIGH}"),
)


def _measure_all(run: Run) -> Step[None]:
    if not (yield from begin(run)):
        return
    yield from ohms(run, None)
    yield from _balance(run)
    good = yield from _insulation(run)
    if not (yield from _limited(run)) or not good:
        return
    for high in (False, True)[2 - run.part.speeds :]:
        if not (yield from _speed(run, high)):
            return
    yield from measure(run, Stage("both ends hot, warm", "both_hot", WARM_S))


def _balance(run: Run) -> Step[None]:
    """Winding ohms at the high speed selection too, and the ratio of both: logged, no grade."""
    low = run.check("ohms")
    if run.part.speeds != 2 or low is None or low.value is None:
        return
    _select(run, True)
    high = yield from dead_test(run, "winding ohms, high speed", "ohms")
    _select(run, False)
    found = winding_ratio(low.value, high.value)
    words = high.words or "recorded, no grade"
    run.checks.append(Check("winding ohms, high speed", high.value, "ohm", "", None, words))
    run.checks.append(Check("winding ratio, low to high speed", found, "", "", None, words))


def _insulation(run: Run) -> Step[bool]:
    """Dry, then with water in the wet end."""
    stop_mohm = run.limit("insulation_stop_mohm")
    good = yield from insulation(run, "insulation, dry", "insulation", stop_mohm)
    yield from absorption(run, "insulation, dry", "insulation")
    if "water" not in run.setup.aids:
        return good
    run.aids = frozenset({"water"})
    filled = yield from wait_input(run, "filling", "level_ok", FILL_S)
    words = "" if filled else "the wet end is not filled: no running"
    run.checks.append(Check("wet end filled", None, "", "level reached", filled or None, words))
    wet = yield from insulation(run, "insulation, wet", "insulation", stop_mohm)
    return good and wet and filled


def _limited(run: Run) -> Step[bool]:
    """The limited step at each speed selection; the worse of them opens the full feeds or doesn't."""
    if run.part.speeds != 2:
        yield from limited_step(run, "limited step")
        return may_energise(run)
    yield from limited_step(run, "limited step, low speed")
    low_ma, seen = dict(run.prospective_ma), run.control_seen
    _select(run, True)
    yield from limited_step(run, "limited step, high speed")
    _select(run, False)
    run.prospective_ma = {
        feed: max(ma, low_ma[feed]) for feed, ma in run.prospective_ma.items() if feed in low_ma
    }
    run.control_seen = run.control_seen and seen
    return may_energise(run)


def _select(run: Run, high: bool) -> None:
    speed: frozenset[Aid] = frozenset({"high_speed"})
    run.aids = (run.aids | speed) & run.setup.aids if high else run.aids - speed


def _speed(run: Run, high: bool) -> Step[bool]:
    """One speed from rest: inrush, soak, current against the plate; false: go no further."""
    two = run.part.speeds == 2
    _select(run, high and two)
    name = (HIGH if high else LOW) if two else ONE
    plate_a = run.part.rated_a if high else run.part.low_a
    minimum_s = run.limit("soak_min_s") if high else LOW_SOAK_S
    stage = Stage(
        name,
        rated_feed(run.part, run.setup),
        minimum_s,
        run.limit("soak_max_s") if high else 0.0,
        inrush_above_a=None if plate_a is None else INRUSH * plate_a,
        question=FLOWS,
    )
    live = yield from measure(run, stage, steady if high else None)
    if live.on and plate_a is not None:
        yield from load_note(run, live, f"current, {name}", plate_a, "load_a", "A")
    return live.on


DOES = (
    "look, ground bond, winding ohms (recorded), insulation dry and with the wet end filled",
    "limited step at each speed selection",
    "each speed from rest: inrush, soak with trend, running current, water flows",
    "both ends hot while warm: leg to leg hides the middle of a winding",
)
NEEDS = ("feed limited", "load_a", "aid water", "input level_ok")

FAMILY = Family(
    name="pump",
    title="Pump, one or two speeds",
    does=DOES,
    required=TWO_SPEEDS,
    cautions=CAUTIONS,
    plate=("rated_v", "rated_a"),
    declaration=declare,
    procedure=prove,
    needs=NEEDS,
)
CIRCULATION = Family(
    name="circulation_pump",
    title="Circulation pump",
    does=DOES,
    required=ONE_SPEED,
    cautions=CAUTIONS,
    plate=("rated_v", "rated_a"),
    declaration=declare,
    procedure=prove,
    needs=NEEDS,
)
