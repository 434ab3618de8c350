"""The ways of deciding that a bench competes with, on the same parts: breaker, and one plain reading.

Breaker technique: connect it, switch on, wait, does it trip? Plain reading: one r.m.s. reading in use
against the limit, no more. Both in tap water, with the part as a spa would run it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from procedures.arrays import FloatArray, IntArray
from procedures.scan import Feed
from rig.study_bench import BOUNDS, FAIL, PASS
from rig.study_draw import Generator, Parts
from rig.study_population import Population
from rig.study_stages import Plan, State, law_of, leaking

WAIT_S = 180.0
READ_S = 120.0
HANDLE_S = 60.0  # clipping on, switching, taking off
USED: Mapping[
    str, tuple[Feed, tuple[State, ...]]
] = {  # family: feed, states that it passes through
    "heater": ("line_line", ("received", "hot")),
    "pump": ("line_line", ("low", "warm")),
    "circulation_pump": ("line_line", ("warm",)),
    "blower": ("line_neutral", ("received", "dried")),
}
USUAL: tuple[Feed, tuple[State, ...]] = ("line_neutral", ("warm",))


def breaker(parts: Parts, of: Population, rng: Generator) -> tuple[IntArray, FloatArray]:
    """Verdicts (it held: PASS) and minutes. The device sees AC only: DC may blind it."""
    ac_ma, _ = _in_use(parts, of, WAIT_S, rng)
    tripped = ac_ma * parts.volts > parts.threshold_ma
    minutes = np.where(tripped, HANDLE_S, HANDLE_S + WAIT_S) / 60.0
    return np.where(tripped, FAIL, PASS), minutes


def plain(parts: Parts, of: Population, rng: Generator) -> tuple[IntArray, FloatArray]:
    """Verdicts and minutes of one r.m.s. reading at whatever volts there are."""
    ac_ma, dc_ma = _in_use(parts, of, READ_S, rng)
    reading = np.hypot(ac_ma, dc_ma) * parts.volts * parts.plain + parts.plain_zero_ma
    minutes = np.full(parts.size, (HANDLE_S + READ_S) / 60.0)
    return np.where(reading <= BOUNDS["pass_ma"], PASS, FAIL), minutes


def _in_use(
    parts: Parts, of: Population, seconds: float, rng: Generator
) -> tuple[FloatArray, FloatArray]:
    """AC and DC at nominal volts, the worst of the states that the part passes through."""
    tapped = replace(parts, bench_ms_cm=parts.tap_ms_cm)
    ac, dc = np.zeros(parts.size), np.zeros(parts.size)
    for place, one in enumerate(of.family):
        here = np.flatnonzero(parts.family == place)
        some = tapped.where(here)
        feed, states = USED.get(one.name, USUAL)
        for state in states:
            plan = Plan("in use", feed, state, seconds)
            flow = leaking(some, plan, np.full(here.size, seconds), of)
            bursts = law_of(some, of, "bursts")
            seen = rng.random(here.size) < -np.expm1(-some.rate_per_h * seconds / 3600.0)
            res = np.where(bursts & seen, some.resistive_ma, flow.res)
            ac[here] = np.maximum(ac[here], np.hypot(res, flow.cap))
            dc[here] = np.maximum(dc[here], flow.dc)
    return ac, dc
