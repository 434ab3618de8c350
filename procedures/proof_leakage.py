"""The bench proof's leakage: fixture vector per feed, two reference leaks, residual zero under load."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from procedures.circuit import capacitor_ma
from procedures.leakage import Sample, sample_of
from procedures.proof_run import Proof, live
from procedures.scan import FEEDS, LEAKAGE_RESISTIVE_MA, SECOND_LEAKAGE_RESISTIVE_MA, Feed
from procedures.steps import Step, give

REFERENCE_OHM, REFERENCE_FARAD = 160_000.0, 16.6e-9  # domain rule: 0.75 mA each at 120 V
REFERENCE_SHARE = 0.01  # tolerance of the reference parts
SETTLE_S, SAMPLE_S = 1.0, 3.0
MOST_FIXTURE_MA = 0.10
IMBALANCE_MA_PER_A = 5e-3  # residual zero under load: 5 parts in a million of the load current
LOADED: tuple[Feed, ...] = ("line_neutral", "neutral_line", "line_line")


class Vectors(NamedTuple):
    """Mean vectors of both sensors as read, mA, the volts they were read at, the load."""

    first: tuple[float, float]
    second: tuple[float, float] | None
    volts: float
    load_a: float


def _vectors(proof: Proof, stage: str, feed: Feed, on: frozenset[str]) -> Step[Vectors | None]:
    """Energise ``feed`` with proof outputs ``on`` and read; None when too little was read."""
    run = proof.run
    want = replace(run.demand(stage), feed=feed, energise=True, proof=on)
    if not (yield from live(run, want)):
        return None
    start_s, taken_s = run.scan.t_s, run.scan.t_s + SETTLE_S
    samples: list[Sample] = []
    while run.scan.t_s < start_s + SETTLE_S + SAMPLE_S and run.scan.event is None:
        scan = yield from give(run, want)
        if scan.taken_s.get(LEAKAGE_RESISTIVE_MA, taken_s) <= taken_s:
            continue
        taken_s = scan.taken_s[LEAKAGE_RESISTIVE_MA]
        sample = sample_of(scan, feed, False)
        samples += [] if sample is None else [sample]
    return _mean(samples) if len(samples) >= 3 else None


def _mean(samples: list[Sample]) -> Vectors:
    first = (float(np.mean([s.res for s in samples])), float(np.mean([s.cap for s in samples])))
    pairs = [(s.second_res, s.second_cap) for s in samples]
    whole = [pair for pair in pairs if pair[0] is not None and pair[1] is not None]
    second = tuple(float(v) for v in np.mean(np.array(whole, float), axis=0)) if whole else None
    loads = [s.load_a for s in samples if s.load_a is not None]
    volts = float(np.mean([s.supply_v for s in samples]))
    load_a = float(np.mean(loads)) if loads else 0.0
    return Vectors(first, (second[0], second[1]) if second else None, volts, load_a)


def fixture(proof: Proof) -> Step[None]:
    """The bench's own leakage on each feed, and that each feed's relays follow."""
    setup = proof.run.setup
    for feed in FEEDS:
        if feed not in setup.feeds:
            continue
        found = yield from _vectors(proof, f"fixture, {feed.replace('_', ' ')}", feed, frozenset())
        _relays(proof, feed)
        name = f"fixture leakage, {feed.replace('_', ' ')}"
        if found is None:
            proof.check(name, None, "mA", "", False, "not read")
            continue
        scale = setup.nominal_v / found.volts
        proof.fixture_ma[feed] = (found.first[0] * scale, found.first[1] * scale)
        if found.second is not None:
            proof.second_ma[feed] = (found.second[0] * scale, found.second[1] * scale)
        size = math.hypot(*proof.fixture_ma[feed])
        proof.check(name, size, "mA", f"<= {MOST_FIXTURE_MA:g}", size <= MOST_FIXTURE_MA)


def _relays(proof: Proof, feed: Feed) -> None:
    """Mirrors of the feed and bay relays: not open while the feed is on (the bay of this run)."""
    inputs = proof.run.scan.inputs
    for name, what in (("feeds_open", "feed relay follows"), ("bays_open", "bay relay follows")):
        fitted = name in proof.run.setup.inputs
        met = inputs.get(name) is False if fitted else None
        words = "" if fitted else f"not done: no {name} mirror loop"
        proof.check(f"{what}, {feed.replace('_', ' ')}", None, "", "closed", met, words)


def references(proof: Proof) -> Step[None]:
    """Both meters against two known leaks, in phase and leading by 90 degrees."""
    setup = proof.run.setup
    hz = setup.frequency_hz
    known: Mapping[str, Callable[[float], tuple[float, float]]] = {
        "reference_resistive": lambda v: (v / REFERENCE_OHM * 1000.0, 0.0),
        "reference_capacitive": lambda v: (0.0, capacitor_ma(v, REFERENCE_FARAD, hz)),
    }
    for output, current in known.items():
        name = output.replace("_", " ")
        if not proof.fitted(output, name, "the meter's gain and phase are taken on trust"):
            continue
        found = yield from _vectors(proof, name, "limited", frozenset({output}))
        if found is None:
            proof.check(name, None, "mA", "", False, "not read")
            continue
        _compare(proof, name, found, current(found.volts))


def _compare(proof: Proof, name: str, found: Vectors, known: tuple[float, float]) -> None:
    """The difference vector against the known one, for each sensor."""
    scale = found.volts / proof.run.setup.nominal_v
    sensors = (
        ("", found.first, proof.fixture_ma, LEAKAGE_RESISTIVE_MA),
        (", second sensor", found.second, proof.second_ma, SECOND_LEAKAGE_RESISTIVE_MA),
    )
    for words, vector, own, quantity in sensors:
        if vector is None:
            continue
        zero = own.get("limited", (0.0, 0.0))
        net = (vector[0] - zero[0] * scale, vector[1] - zero[1] * scale)
        size = math.hypot(*known)
        allowed_ma = 1.5 * proof.accuracy(quantity).half_width(size) + REFERENCE_SHARE * size
        off_by = math.dist(net, known)
        allowed = f"{size:.3f} within {allowed_ma:.3f}"
        proof.check(name + words, math.hypot(*net), "mA", allowed, off_by <= allowed_ma)


def residual_zero(proof: Proof) -> Step[None]:
    """Under a known good rated load neither sensor may show what isn't leakage."""
    why = "0.01 % imbalance at 23 A fakes 2.3 mA"
    if not proof.fitted("known_load", "residual zero under load", why):
        return
    for feed in LOADED:
        if feed not in proof.run.setup.feeds:
            continue
        words = feed.replace("_", " ")
        load = frozenset({"known_load"})
        found = yield from _vectors(proof, f"residual zero, {words}", feed, load)
        if found is None:
            proof.check(f"residual zero, {words}", None, "mA", "", False, "not read")
            continue
        _zero(proof, f"residual zero, {words}", feed, found)


def _zero(proof: Proof, name: str, feed: Feed, found: Vectors) -> None:
    scale = found.volts / proof.run.setup.nominal_v
    sensors = (
        ("", found.first, proof.fixture_ma, LEAKAGE_RESISTIVE_MA),
        (", second sensor", found.second, proof.second_ma, SECOND_LEAKAGE_RESISTIVE_MA),
    )
    proof.check(f"{name}, load", found.load_a, "A", "> 1", found.load_a > 1.0)
    for words, vector, own, quantity in sensors:
        if vector is None or feed not in own:
            continue
        off_by = math.hypot(vector[0] - own[feed][0] * scale, vector[1] - own[feed][1] * scale)
        allowed_ma = proof.accuracy(quantity).floor + IMBALANCE_MA_PER_A * found.load_a
        proof.check(name + words, off_by, "mA", f"<= {allowed_ma:.3f}", off_by <= allowed_ma)
