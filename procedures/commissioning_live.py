"""Commissioning with voltage: extra-low at first, then the mains with a lamp, then known leaks."""

from __future__ import annotations

from dataclasses import replace

from procedures.commissioning_dead import Interlock, exercise
from procedures.commissioning_run import (
    PERSON_S,
    Band,
    Plan,
    bay_volts,
    differs,
    mean_of,
    released,
    supply,
)
from procedures.proof_leakage import fixture, references
from procedures.proof_run import Proof, live
from procedures.proof_steps import contactors_alone, earth_and_empty
from procedures.scan import EXTRA_LOW_V, FEEDS, LOAD_A, SUPPLY_2_V, SUPPLY_V, Ask, Feed
from procedures.steps import Step, ask, give, switch_off

SHARE = 0.25  # of the supply: leads, relays, and a bench transformer without load
MAINS_SHARE = 0.15
DEAD_V = 10.0
LAMP_A = (0.05, 1.2)  # 25 to 100 W at 100 to 240 V
CYCLES = 2  # the guard alternates which contactor breaks first
PROVED_BY = ("check live", "check dead", "check live again")
EXTRA_LOW = Band(
    "extra_low",
    "Connect an isolated source of 24 V AC, limited in current, to each leg in place of the mains; "
    "the isolator stays locked. Clip a voltmeter or a 24 V lamp to each bay's clips, close the lid. "
    "Done?",
    "extra-low voltage",
    EXTRA_LOW_V * (1.0 - SHARE),
    EXTRA_LOW_V * (1.0 + SHARE),
)
MAINS_WORDS = (
    "Take the 24 V source and its instruments away. Clip a lamp of 25 to 100 W for mains voltage into "
    "bay {bay}, its metal earthed, close the lid. Stand clear, unlock the isolator, switch the supply "
    "on. Done?"
)
LAMP_OUT = Ask(
    "lamp_out",
    "Test before touch, take the lamp out, close the lid. Is the bay empty?",
    deadline_s=PERSON_S,
)
GFCI = Interlock("Press the GFCI's test button.", "Reset the GFCI by hand.")


# ---- extra-low voltage -----------------------------------------------------------------------------


def extra_low(proof: Proof, plan: Plan) -> Step[None]:
    """24 V in place of the mains: each feed reaches the bus, each bay relay its own bay."""
    yield from supply(proof, EXTRA_LOW)
    if proof.run.rejected():
        return
    proof.run.bus_v = EXTRA_LOW_V
    for feed in FEEDS:
        if feed in proof.run.setup.feeds:
            yield from _feed(proof, feed)
    for number in range(1, plan.bays + 1):
        yield from _bay(proof, plan, number)


def _feed(proof: Proof, feed: Feed) -> Step[None]:
    run = proof.run
    want = replace(run.demand(f"24 V, {feed}"), feed=feed, energise=True)
    closed = yield from live(run, want)
    volts = (yield from bay_volts(run, want)) if closed else None
    expected_v = _expected_v(proof, feed)
    closed_now = dict.fromkeys(("contactor_1_open", "contactor_2_open"), False)
    seen = {**closed_now, "bays_open": False, "feeds_open": False, "lid_locked": True}
    words = differs(run.setup, run.scan.inputs, seen) if closed else "it did not come on"
    near = volts is not None and abs(volts - expected_v) <= SHARE * expected_v
    allowed = f"{(1 - SHARE) * expected_v:.4g} to {(1 + SHARE) * expected_v:.4g}"
    proof.check(f"24 V, {feed}", volts, "V", allowed, near and not words, words)
    yield from switch_off(run, f"off after 24 V, {feed}")


def _expected_v(proof: Proof, feed: Feed) -> float:
    """The leg's volts as read now; leg to leg on a split-phase bench both."""
    values = proof.run.scan.values
    leg_v = values.get(SUPPLY_V, EXTRA_LOW_V)
    both = feed == "line_line" and proof.run.setup.split_phase
    return leg_v + values.get(SUPPLY_2_V, leg_v) if both else leg_v


def _bay(proof: Proof, plan: Plan, number: int) -> Step[None]:
    """The bay relay reaches this bay and no other: a person's instrument at the clips says so."""
    run = proof.run
    feed: Feed = "line_neutral" if "line_neutral" in run.setup.feeds else "limited"
    route = frozenset({f"bay_{number}", f"feed_{feed}"})
    want = replace(run.demand(f"24 V, bay {number}"), feed=feed, energise=True, route=route)
    seen: str | float = "it did not come on"
    if (yield from live(run, want)):
        bays = tuple(f"bay {n}" for n in range(1, plan.bays + 1))
        words = "At which bay's clips is there voltage, seen through the lid?"
        question = Ask("lit_bay", words, "choice", (*bays, "several", "none"))
        seen = yield from ask(run, question, want)
    met = seen == f"bay {number}"
    proof.check(f"24 V at the clips, bay {number}", None, "", f"bay {number}", met, str(seen))
    yield from switch_off(run, f"off after 24 V, bay {number}")


# ---- mains with a lamp -----------------------------------------------------------------------------


def lamp(proof: Proof, plan: Plan) -> Step[None]:
    """Mains for the first time: GFCI opened once, each contactor breaks alone, off is proved."""
    run = proof.run
    nominal_v = run.setup.nominal_v
    low_v, high_v = (1.0 - MAINS_SHARE) * nominal_v, (1.0 + MAINS_SHARE) * nominal_v
    words = MAINS_WORDS.format(bay=plan.bay)
    yield from supply(proof, Band("mains_lamp", words, "mains", low_v, high_v))
    if run.rejected():
        return
    run.bus_v = nominal_v
    yield from exercise(proof, "gfci_live", GFCI)
    if run.rejected():
        return
    yield from contactors_alone(proof)
    for cycle in range(1, CYCLES + 1):
        yield from _lamp_on_and_off(proof, cycle)


def _lamp_on_and_off(proof: Proof, cycle: int) -> Step[None]:
    """On, the lamp draws; off, and proved so, live-dead-live."""
    run = proof.run
    feed: Feed = "line_neutral" if "line_neutral" in run.setup.feeds else "limited"
    want = replace(run.demand(f"lamp {cycle}"), feed=feed, energise=True)
    closed = yield from live(run, want)
    if closed and feed != "limited":
        yield from _lamp_draws(proof, cycle)
    states, off = set[str](), run.demand(f"lamp {cycle} off")
    scan = yield from give(run, off)
    while not scan.off:
        scan = yield from give(run, off)
        states.add(scan.state)
    volts = yield from bay_volts(run, off)
    proved = states.issuperset(PROVED_BY) and volts is not None and volts < DEAD_V
    words = "" if closed else "it did not come on"
    name, allowed = f"lamp {cycle}: off, proved live-dead-live", f"< {DEAD_V:g}"
    proof.check(name, volts, "V", allowed, closed and proved, words)


def _lamp_draws(proof: Proof, cycle: int) -> Step[None]:
    run, (low_a, high_a) = proof.run, LAMP_A
    want = replace(run.demand(f"lamp {cycle}"), feed="line_neutral", energise=True)
    name = f"lamp {cycle}: on"
    if LOAD_A not in run.setup.quantities:
        question = Ask("lamp_on", "Does the lamp burn?", "choice", ("yes", "no"), deadline_s=60.0)
        seen = yield from ask(run, question, want)
        proof.check(name, None, "", "yes", seen == "yes", str(seen))
        return
    amps = yield from mean_of(run, want, LOAD_A)
    met = amps is not None and low_a <= amps <= high_a
    proof.check(name, amps, "A", f"{low_a:g} to {high_a:g}", met)


# ---- known leaks -----------------------------------------------------------------------------------


def known_leaks(proof: Proof, plan: Plan) -> Step[None]:
    """As in the bench proof: fixture by feed, then each reference leak in both sensors."""
    yield from released(proof.run, "lamp out")
    yield from ask(proof.run, LAMP_OUT)
    yield from earth_and_empty(proof)
    yield from fixture(proof)
    before = len(proof.run.checks)
    yield from references(proof)
    if not any(check.met is not None for check in proof.run.checks[before:]):
        words = "no reference leak is fitted: what the sensors read would be taken on trust"
        proof.check("known leaks", None, "", "one at least", False, words)
