"""Commissioning without mains: each output alone, each interlock opened once, the watchdog."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from procedures.commissioning_run import (
    Band,
    Plan,
    differs,
    dwell,
    mirrors,
    reach,
    released,
    supply,
)
from procedures.proof_run import Proof, live
from procedures.proof_steps import watchdog
from procedures.scan import AIDS, FEEDS, SOURCES, Aid, Ask, Setup
from procedures.steps import DEAD_TESTS, Run, Step, ask, dead_test, give, switch_off

DEAD_V = 10.0
FOLLOW_S = 1.0  # relays, lock and polling have followed by then
MOVE_S, REST_S = 10.0, 60.0  # an interlock after a person said "done"; filling takes longer
NO_MAINS = Band(
    "no_mains",
    "Switch the bench's supply off at the isolator, lock it, tag it, try to switch it on, and test "
    "before touch. Bays empty, lid closed. Is it locked out?",
    "no mains",
    0.0,
    DEAD_V,
)


def no_mains(proof: Proof, plan: Plan) -> Step[None]:
    """Everything that follows happens with the supply locked out, confirmed by measurement."""
    yield from supply(proof, NO_MAINS)
    proof.run.bus_v = 0.0


# ---- outputs ---------------------------------------------------------------------------------------


def outputs_of(setup: Setup, plan: Plan) -> tuple[str, ...]:
    """Every relay that can be put on alone with the contactors open."""
    bays = [f"bay_{n}" for n in range(1, plan.bays + 1)]
    feeds = [f"feed_{feed}" for feed in FEEDS if feed in setup.feeds]
    aids = [f"aid_{aid}" for aid in AIDS if aid in setup.aids]
    return (*bays, *feeds, *aids, *sorted(setup.proof), "positive_control")


def outputs_alone(proof: Proof, plan: Plan) -> Step[None]:
    """One relay at a time, on and off: its mirror follows, no other moves, the lid locks."""
    run = proof.run
    for name in outputs_of(run.setup, plan):
        want = replace(run.demand(f"{name} alone"), route=frozenset({name}))
        words = "it did not come on"
        if (yield from reach(run, want, "routed")):
            yield from dwell(run, want, FOLLOW_S)
            words = differs(run.setup, run.scan.inputs, mirrors(name))
        yield from switch_off(run, f"off after {name}")
        yield from dwell(run, run.demand(f"off after {name}"), FOLLOW_S)
        left = differs(run.setup, run.scan.inputs, mirrors(locked=False))
        words = "; ".join(filter(None, (words, left and f"afterwards {left}")))
        proof.check(f"{name} alone", None, "", "it follows, nothing else moves", not words, words)


def sources_alone(proof: Proof, plan: Plan) -> Step[None]:
    """Each test source on an empty bay: it comes on and goes off, contactors and feeds stay open."""
    run = proof.run
    for source in SOURCES:
        if source not in run.setup.sources:
            continue
        reading = yield from dead_test(run, f"source {source} alone", source)
        expected = {**mirrors(), "bays_open": False}
        words = differs(run.setup, run.scan.inputs, expected)
        yield from switch_off(run, f"off after source {source}")
        unit = {"bond": "ohm", "ohms": "ohm"}.get(DEAD_TESTS[source].source, "Mohm")
        allowed = "contactors and feeds stay open"
        proof.check(f"source {source} alone", reading.value, unit, allowed, not words, words)


def contactors_follow(proof: Proof, plan: Plan) -> Step[None]:
    """Each contactor alone: its own mirror contact follows and the other's does not."""
    run = proof.run
    for number in (1, 2):
        alone = frozenset({number})
        want = replace(run.demand(f"contactor {number} alone"), energise=True, contactors=alone)
        closed = yield from live(run, want)
        words = "" if closed else "its mirror contact did not follow, or the other's did"
        proof.check(f"contactor {number} alone", None, "", "its mirror follows", closed, words)
        yield from switch_off(run, f"off after contactor {number}")


# ---- interlocks ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Interlock:
    """How a person opens one and lets it close again. ``rest``: what its input reads normally;
    ``takes`` what moves along with it; ``aids`` what it needs to be at rest."""

    opens: str
    closes: str
    rest: bool = True
    takes: frozenset[str] = frozenset()
    aids: frozenset[Aid] = field(default_factory=frozenset)


WET: frozenset[Aid] = frozenset({"water", "flow"})
INTERLOCKS: Mapping[str, Interlock] = {
    "lid_closed": Interlock("Open the lid.", "Close the lid."),
    "stop_healthy": Interlock("Press the stop.", "Release the stop."),
    "arm_pressed": Interlock("Press and hold ARM.", "Release ARM.", rest=False),
    "level_ok": Interlock(
        "Open the level switch: lift it out of the water, or drain below it.",
        "Put the level switch back under water.",
        takes=frozenset({"flow_ok"}),
        aids=frozenset({"water"}),
    ),
    "flow_ok": Interlock("Shut the flow off.", "Let the water flow again.", aids=WET),
    "thermal_ok": Interlock(
        "Open the thermal cut-out (heat it, or its test knob).", "Reset the thermal cut-out."
    ),
    "hood_ok": Interlock("Take the hood off.", "Put the hood back."),
    "earth_ok": Interlock(
        "Open the earth loop at its test link.", "Close the earth loop's test link."
    ),
}
WATCHED = (*INTERLOCKS, "contactor_1_open", "contactor_2_open", "bays_open", "feeds_open")


def interlocks(proof: Proof, plan: Plan) -> Step[None]:
    """Each one opened once, seen to open alone, and seen to close again."""
    yield from released(proof.run, "interlocks")
    for name, one in INTERLOCKS.items():
        if name in proof.run.setup.inputs:
            yield from exercise(proof, name, one)
        else:
            words = f"not done, {name} is not fitted"
            proof.check(f"interlock {name}", None, "", "", None, words)
    proof.run.aids = frozenset()


def exercise(proof: Proof, name: str, one: Interlock) -> Step[None]:
    """Open it and let it close again, by hand. An input that does not move is a dead interlock."""
    run = proof.run
    run.aids = one.aids & run.setup.aids
    rested = yield from _until(run, f"rest {name}", one.closes, name, one.rest, REST_S)
    before = dict(run.scan.inputs)
    opened = yield from _until(run, f"open {name}", one.opens, name, not one.rest, MOVE_S)
    moved = [
        other
        for other in WATCHED
        if other not in (name, *one.takes) and run.scan.inputs.get(other) != before.get(other)
    ]
    if not opened:  # whatever was done by hand is undone: the input would not ask for it
        yield from ask(run, Ask(f"close {name}", one.closes))
    closed = yield from _until(run, f"close {name}", one.closes, name, one.rest, REST_S)
    wrong = (
        (not rested, "it is open from the start"),
        (not opened, "it did not open"),
        (bool(moved), f"with it moved {', '.join(moved)}"),
        (not closed, "it did not close again"),
    )
    words = "; ".join(said for bad, said in wrong if bad)
    proof.check(f"interlock {name}", None, "", "opens alone and closes", not words, words)


def _until(run: Run, key: str, words: str, name: str, wanted: bool, longest_s: float) -> Step[bool]:
    """Ask for it; the input itself is the answer. Someone who says "yes" gives it ``longest_s``."""
    question = Ask(key, f"{words} (The prompt ends when the bench sees it.)")
    run_on = run.demand(key)
    scan = yield from give(run, run_on)
    said_s: float | None = None
    while scan.inputs.get(name) is not wanted:
        scan = yield from give(run, replace(run_on, ask=question))
        said_s = scan.t_s if said_s is None and key in scan.answers else said_s
        if said_s is not None and scan.t_s - said_s > longest_s:
            return False
    yield from give(run, run_on)
    return True


# ---- watchdog --------------------------------------------------------------------------------------


def watchdog_drops(proof: Proof, plan: Plan) -> Step[None]:
    """Heartbeat withheld, both contactors closed: drop-out within the time that the file gives,
    plus the scans that it takes to see it."""
    proof.watchdog_s = plan.watchdog_s + 3.0 * plan.scan_s
    yield from watchdog(proof)
