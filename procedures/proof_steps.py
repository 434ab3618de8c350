"""The bench proof's single checks, in order. Each puts one or more checks into the record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from procedures.proof_leakage import fixture, references, residual_zero
from procedures.proof_run import Proof, live
from procedures.protection import longest_rcd_s, longest_trip_s
from procedures.scan import (
    BAY_V,
    INJECTION_MA,
    Ask,
    Demand,
)
from procedures.steps import Run, Step, ask, dead_test, give, new_value, switch_off

SETTLE_S, SAMPLE_S = 1.0, 3.0
NEUTRAL_LEAST_MA, NEUTRAL_MOST_MA = 5.0, 0.5  # reference present; absent
DEAD_V = 10.0  # bus with one contactor closed
HOLD_S, TRIP_LONGEST_S = 10.0, 12.0
HOLD_MA, TRIP_MA = (3.4, 3.7), (6.3, 6.6)  # Class A: the windows of the bench's own resistors
HOLD_RCD, TRIP_RCD = (0.40, 0.50), (1.0, 1.1)  # of the rated residual current (IEC 61008-1)
FLOWS_MA = 1.0  # injection is on


# ---- before anything is energised ------------------------------------------------------------------


def earth_and_empty(proof: Proof) -> Step[None]:
    """Independent earth continuity; the bay empty by a person's word and by the bond source."""
    run = proof.run
    word = yield from ask(run, Ask("bay_empty", "Is the bay empty and the fixture dry?"))
    proof.check("bay empty, by eye", None, "", "yes", word == "yes")
    earth = run.scan.inputs.get("earth_ok")
    words = "" if "earth_ok" in run.setup.inputs else "not done: no independent earth loop"
    proof.check("earth continuity", None, "", "closed", earth if not words else None, words)
    reading = yield from dead_test(run, "bay empty, bond open", "bond")
    fitted = reading.words != "not fitted"
    met = reading.over if fitted else None
    proof.check("bay empty, bond open", reading.value, "ohm", "open", met, reading.words)


def neutral(proof: Proof) -> Step[None]:
    """Neutral-to-ground reference by an injected current: upstream present, downstream absent."""
    upstream = "a GFCI is blind when its supply floats"
    if proof.fitted("neutral_upstream", "neutral reference upstream", upstream):
        ma = yield from _injected(proof, "neutral_upstream")
        met = ma is not None and ma >= NEUTRAL_LEAST_MA
        proof.check("neutral reference upstream", ma, "mA", f">= {NEUTRAL_LEAST_MA:g}", met)
    downstream = "a second neutral-to-ground link would make the GFCI blind"
    if proof.fitted("neutral_downstream", "neutral reference downstream", downstream):
        ma = yield from _injected(proof, "neutral_downstream")
        met = ma is not None and ma <= NEUTRAL_MOST_MA
        allowed = f"absent, <= {NEUTRAL_MOST_MA:g}"
        proof.check("neutral reference downstream", ma, "mA", allowed, met)


def _injected(proof: Proof, output: str) -> Step[float | None]:
    """What flows while an extra-low-voltage injector is on and everything else off."""
    run = proof.run
    yield from switch_off(run, "off before the neutral's proof")
    want = replace(run.demand(output.replace("_", " ")), proof=frozenset({output}))
    start_s = (yield from give(run, want)).t_s
    values: list[float] = []
    while run.scan.t_s < start_s + SAMPLE_S:
        scan = yield from give(run, want)
        value = new_value(scan, INJECTION_MA, start_s + SETTLE_S)
        values += [] if value is None else [value]
    return float(np.mean(values)) if values else None


# ---- contactors and watchdog -----------------------------------------------------------------------


def contactors_alone(proof: Proof) -> Step[None]:
    """With either contactor closed alone the bus is dead: the other one breaks by itself."""
    for number in (1, 2):
        run = proof.run
        want = replace(
            run.demand(f"contactor {number} alone"),
            energise=True,
            contactors=frozenset({number}),
        )
        closed = yield from live(run, want)
        volts = (yield from _most_volts(run, want)) if closed else None
        met = volts is not None and volts < DEAD_V
        name = f"contactor {3 - number} breaks alone"
        words = "" if closed else "it did not close"
        proof.check(name, volts, "V", f"< {DEAD_V:g}", met, words)
        yield from switch_off(run, f"off after contactor {number} alone")


def _most_volts(run: Run, want: Demand) -> Step[float | None]:
    start_s, volts = run.scan.t_s, None
    while run.scan.t_s < start_s + SETTLE_S + 1.0:
        scan = yield from give(run, want)
        value = new_value(scan, BAY_V, start_s)
        volts = value if value is not None and value > (volts or 0.0) else volts
    return volts


def watchdog(proof: Proof) -> Step[None]:
    """Withhold the heartbeat: the relay board must drop the contactors by itself."""
    run = proof.run
    want = replace(run.demand("watchdog"), feed="limited", energise=True)
    if not (yield from live(run, want)):
        proof.check("watchdog drops out", None, "s", "", False, "the bench did not energise")
        return
    start_s = run.scan.t_s
    scan = yield from give(run, replace(want, withhold_heartbeat=True))
    while scan.event is None and scan.t_s < start_s + 2.0 * proof.watchdog_s:
        scan = yield from give(run, replace(want, withhold_heartbeat=True))
    dropped = scan.event is not None and scan.event.kind == "watchdog"
    seconds = scan.event.value if scan.event is not None else None
    met = dropped and seconds is not None and seconds <= proof.watchdog_s
    proof.check("watchdog drops out", seconds, "s", f"<= {proof.watchdog_s:g}", met)
    yield from switch_off(run, "off after the watchdog's proof")


# ---- the protective device -------------------------------------------------------------------------


def hold(proof: Proof) -> Step[None]:
    """Just below its range the device must hold, on each leg."""
    setup = proof.run.setup
    rated = setup.rated_residual_ma
    low, high = HOLD_MA if setup.protection == "gfci" else (k * rated for k in HOLD_RCD)
    for leg in _legs(proof):
        output, name = f"hold_leg_{leg}", f"holds {HOLD_S:g} s, leg {leg}"
        if not proof.fitted(output, name, "nuisance trips would be blamed on parts"):
            continue
        found = yield from _inject(proof, output, HOLD_S)
        held = not found.tripped and found.ma is not None and low <= found.ma <= high
        words = "it tripped" if found.tripped else ""
        proof.check(name, found.ma, "mA", f"{low:.4g} to {high:.4g}", held, words)
        yield from _reset(proof, found)


def trip(proof: Proof) -> Step[None]:
    """Just above its range the device must trip within its curve at the measured current."""
    setup = proof.run.setup
    rated = setup.rated_residual_ma
    low, high = TRIP_MA if setup.protection == "gfci" else (k * rated for k in TRIP_RCD)
    for leg in _legs(proof):
        output, name = f"trip_leg_{leg}", f"trips, leg {leg}"
        if not proof.fitted(output, name, "the protective device is taken on trust"):
            continue
        found = yield from _inject(proof, output, TRIP_LONGEST_S)
        in_range = found.ma is not None and low <= found.ma <= high
        proof.check(f"{name}, current", found.ma, "mA", f"{low:.4g} to {high:.4g}", in_range)
        longest_s = _longest_s(proof, found.ma or low)
        met = found.tripped and found.seconds is not None and found.seconds <= longest_s
        words = "" if found.tripped else "it did not trip"
        proof.check(name, found.seconds, "s", f"<= {longest_s:.2f}", met, words)
        yield from _reset(proof, found)


def _legs(proof: Proof) -> tuple[int, ...]:
    return (1, 2) if proof.run.setup.split_phase else (1,)


def _longest_s(proof: Proof, ma: float) -> float:
    setup = proof.run.setup
    if setup.protection == "gfci":
        return longest_trip_s(ma)
    return longest_rcd_s(ma, setup.rated_residual_ma)


class Injected(NamedTuple):
    """Mean injected current, whether the device tripped, and after how long."""

    ma: float | None
    tripped: bool
    seconds: float | None


def _inject(proof: Proof, output: str, seconds: float) -> Step[Injected]:
    """Energise the limited feed, then the timed resistor; until the trip or the time is over.

    The time runs from the scan that asked for the resistor, so it is too long rather than too short.
    """
    run = proof.run
    want = replace(run.demand(output.replace("_", " ")), feed="limited", energise=True)
    if not (yield from live(run, want)):
        return Injected(None, False, None)
    on_s, values = run.scan.t_s, list[float]()
    while run.scan.t_s < on_s + seconds:
        scan = yield from give(run, replace(want, proof=frozenset({output})))
        if scan.event is not None:
            ma = _settled(values)
            return Injected(ma, scan.event.kind == "gfci_trip", scan.t_s - on_s)
        value = scan.values.get(INJECTION_MA)
        values += [value] if value is not None and value > FLOWS_MA else []
    return Injected(_settled(values), False, None)


def _settled(values: list[float]) -> float | None:
    """The middle one: the first and the last sample may fall into the switching."""
    return float(np.median(values)) if values else None


def _reset(proof: Proof, found: Injected) -> Step[None]:
    """Contactors proved open, then a reset by hand, then on."""
    run = proof.run
    yield from switch_off(run, "off after the injection")
    if not found.tripped:
        return
    question = Ask("reset_gfci", "The GFCI has opened as it must. Reset it by hand.")
    while run.scan.inputs.get("gfci_live") is not True:
        yield from ask(run, question)


def close_proof(proof: Proof) -> Step[None]:
    """Off, proved off, and all relays open."""
    run = proof.run
    yield from switch_off(run)
    for name in ("feeds_open", "bays_open"):
        if name in run.setup.inputs:
            proof.check(
                f"{name.replace('_', ' ')} at the end", None, "", "open", run.scan.inputs.get(name)
            )


PROOF_STEPS: tuple[Callable[[Proof], Step[None]], ...] = (
    earth_and_empty,
    neutral,
    contactors_alone,
    watchdog,
    fixture,
    references,
    residual_zero,
    hold,
    trip,
)
