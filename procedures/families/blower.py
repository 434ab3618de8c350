"""Air blower: run until dry, then humid. Backflow water leaks, dries while running, and comes back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from procedures.conditions import trend
from procedures.dead_tests import METER_PROOF, insulation, judge_insulation, ohms
from procedures.family import Family, rated_feed
from procedures.insulation import absorption
from procedures.leakage import Live, Stage
from procedures.limits import Limit
from procedures.load_meter import load_note
from procedures.outcome import conclude
from procedures.scan import Aid, Ask, Declaration, Feed, Part, Procedure, Setup, Source
from procedures.sequence import (
    begin,
    finish,
    limited_step,
    may_energise,
    measure,
)
from procedures.series import drying
from procedures.soak import steady
from procedures.steps import Run, Step, wait

CAUTIONS = (
    "Clamp the blower and keep the intake clear.",
    "The air and the housing get hot when the outlet is blocked.",
)
HUMID: frozenset[Aid] = frozenset({"humid"})
SOURCES: frozenset[Source] = frozenset({"bond", "ohms", "insulation"})
INRUSH = 1.5  # times the plate's current
FIRST_MIN_S, WARM_S, WAY_S = 120.0, 60.0, 15.0
BREATHE_S = 60.0  # humid air before the humid run; the run itself goes on breathing it
AIR = Ask("air_flows", "Does air flow?", "choice", ("yes", "no"), deadline_s=60.0)
LIMITED_FIRST, FIRST = "limited step, as received", "first run"
LIMITED_DRY, WARM, MOIST = "limited step, dry", "rated run, warm", "rated run, humid"
CURRENT = "current, warm"
REQUIRED = (LIMITED_DRY, WARM, MOIST, CURRENT)


def _other_way(part: Part, setup: Setup) -> Feed:
    """What shows the end of the winding that the rated feed holds near earth."""
    return "both_hot" if rated_feed(part, setup) == "line_line" else "neutral_line"


def declare(part: Part, setup: Setup) -> Declaration:
    """Everything a blower's procedure may use."""
    feeds: set[Feed] = {"limited", rated_feed(part, setup), _other_way(part, setup)}
    return Declaration(
        "blower",
        feeds=frozenset(feeds) & setup.feeds,
        sources=SOURCES & setup.sources,
        aids=HUMID & setup.aids,
        proof=METER_PROOF & setup.proof,
        cautions=CAUTIONS,
    )


def prove(part: Part, setup: Setup, limits: Mapping[str, Limit]) -> Procedure:
    """The whole attempt."""
    run = Run(part, setup, limits)
    yield from _measure_all(run)
    judge_insulation(run, "insulation")
    yield from finish(run)
    return conclude(run, REQUIRED, CAUTIONS)


def _measure_all(run: Run) -> Step[None]:
    if not (yield from begin(run)):
        return
    yield from ohms(run, None)
    stop_mohm = run.limit("insulation_stop_mohm")
    yield from insulation(run, "insulation", "insulation", stop_mohm)
    yield from absorption(run, "insulation", "insulation")
    yield from limited_step(run, LIMITED_FIRST, drying=True)
    if not may_energise(run) or not (yield from _run_dry(run)):
        return
    yield from limited_step(run, LIMITED_DRY)
    if not may_energise(run) or not (yield from _warm(run)):
        return
    yield from _humid(run)


def _run_dry(run: Run) -> Step[bool]:
    """Run until the leakage has stopped falling; what was wet before is recorded, not decided on."""
    stage = replace(
        _rated(run, FIRST, FIRST_MIN_S), longest_s=run.limit("soak_max_s"), question=AIR
    )
    live = yield from measure(run, replace(stage, counts=False), _dry)
    if not live.on:
        return False
    found = run.condition(FIRST)
    if found is not None and found.y_ma > run.limit("pass_ma"):
        run.change = f"run dry for {live.end_s - live.on_s:.0f} s"
        run.facts["change"] = run.change
        words = "before it was run dry"
        run.conditions[:] = [
            replace(c, counts=False, note=words) if c.name == LIMITED_FIRST else c
            for c in run.conditions
        ]
    return True


def _dry(live: Live) -> bool:
    """Nothing falls any more."""
    t_s, y_ma = trend(live)
    fit = drying(t_s, y_ma)
    return float(t_s[-1]) >= fit.end_s if fit.falling else steady(live)


def _rated(run: Run, name: str, seconds: float) -> Stage:
    rated_a = run.part.rated_a
    above_a = None if rated_a is None else INRUSH * rated_a
    return Stage(name, rated_feed(run.part, run.setup), seconds, inrush_above_a=above_a)


def _warm(run: Run) -> Step[bool]:
    live = yield from measure(run, _rated(run, WARM, WARM_S))
    if not live.on:
        return False
    if run.part.rated_a is not None:
        yield from load_note(run, live, CURRENT, run.part.rated_a, "load_a", "A")
    other = yield from measure(run, _way(run, "the other way round, warm"))
    return other.on


def _way(run: Run, name: str) -> Stage:
    return Stage(name, _other_way(run.part, run.setup), WAY_S)


def _humid(run: Run) -> Step[None]:
    """Humid air decides: the minimum soak, on to the longest while it still rises."""
    if not run.setup.aids >= HUMID:
        return
    run.aids = HUMID
    yield from wait(run, "humid air, off", BREATHE_S)
    stage = _rated(run, MOIST, run.limit("soak_min_s"))
    live = yield from measure(run, replace(stage, longest_s=run.limit("soak_max_s")), steady)
    if live.on and not run.failed():
        yield from measure(run, _way(run, "the other way round, humid"))


FAMILY = Family(
    name="blower",
    title="Air blower",
    does=(
        "look, ground bond, winding ohms and insulation (recorded)",
        "limited step as received, run until dry (at most 20 min), limited step dry",
        "rated run warm with inrush, current and air flow, the other way round",
        "rated run in humid air, at least 4 min, the other way round",
    ),
    required=REQUIRED,
    cautions=CAUTIONS,
    plate=("rated_v", "rated_a"),
    declaration=declare,
    procedure=prove,
    needs=("feed limited", "feed line_neutral", "aid humid", "load_a"),
)
