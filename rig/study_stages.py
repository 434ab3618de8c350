"""What a study's parts really leak in each stage of their family's procedure, as arrays.

``SHARES`` says per kind of fault how much of its worst leakage shows in which state of the part;
``STAGES`` lists per family the energised stages in the order of its procedure, with their feeds and
times. Both restate in closed form what the virtual bench's plant and ``procedures/families`` do step by
step; 200 parts decided both ways must agree (``tests/rig/test_study_agreement.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from procedures.arrays import BoolArray, FloatArray
from procedures.scan import Feed
from rig.study_draw import SOUND, Parts, classes
from rig.study_population import Law, Population

State = Literal["received", "cold", "hot", "soaked", "rest", "low", "warm", "dried", "humid"]
LATE_RISE_S = 60.0  # a breakdown is complete so long after it begins
BREAKDOWN_COLD = 0.02
AFTER_BAKE = 0.65  # of what comes back after a re-soak
COOLED = 0.3  # of a hot fault's extra that is still there after the re-soak
AT_REST = 0.05  # of a seal leak before the pump has run
SPEND_S = 8.0  # a stage's routing, proving off, settling and control


class Plan(NamedTuple):
    """One energised stage: its feed, the state that the part is in, its seconds. ``soak``: the rated
    run whose length is adaptive. ``counts`` false: recorded, not decided on where a change follows.
    ``failing`` false: not for a part that has failed already."""

    name: str
    feed: Feed
    state: State
    seconds: float
    soak: bool = False
    counts: bool = True
    failing: bool = True
    before_s: float = 0.0  # nothing on: filling, soaking, humid air


def _plain(converter: bool = False) -> tuple[Plan, ...]:
    return (
        Plan("limited step", "limited", "cold", 8.0, counts=not converter),
        Plan("rated run, warm", "line_neutral", "warm", 120.0, soak=True),
        Plan("the other way round, warm", "neutral_line", "warm", 40.0),
    )


_HEATER = (
    Plan("limited step, cold dry", "limited", "received", 8.0),
    Plan("limited step, cold wet", "limited", "cold", 8.0, before_s=60.0),
    Plan("line-neutral, cold wet", "line_neutral", "cold", 20.0),
    Plan("neutral-line, cold wet", "neutral_line", "cold", 20.0),
    Plan("both ends hot, cold wet", "both_hot", "cold", 20.0),
    Plan("rated run, hot wet", "line_line", "hot", 720.0, soak=True),
    Plan("both ends hot, hot wet", "both_hot", "hot", 20.0),
    Plan("both ends hot, after re-soak", "both_hot", "soaked", 20.0, failing=False, before_s=240.0),
)
_PUMP = (
    Plan("limited step", "limited", "rest", 8.0),
    Plan("low speed", "line_line", "low", 180.0),
    Plan("high speed, warm", "line_line", "warm", 300.0, soak=True),
    Plan("both ends hot, warm", "both_hot", "warm", 15.0),
)
_BLOWER = (
    Plan("limited step, as received", "limited", "received", 8.0, counts=False),
    Plan("first run", "line_neutral", "received", 300.0, counts=False),
    Plan("limited step, dry", "limited", "dried", 8.0),
    Plan("rated run, warm", "line_neutral", "dried", 60.0),
    Plan("the other way round, warm", "neutral_line", "dried", 15.0),
    Plan("rated run, humid", "line_neutral", "humid", 240.0, soak=True, before_s=60.0),
    Plan("the other way round, humid", "neutral_line", "humid", 15.0),
)
_CIRCULATION = (_PUMP[0], Plan("rated run, warm", "line_line", "warm", 180.0, soak=True), _PUMP[3])
STAGES: Mapping[str, tuple[Plan, ...]] = {
    "heater": _HEATER,
    "pump": _PUMP,
    "circulation_pump": _CIRCULATION,
    "blower": _BLOWER,
    "ozone_corona": _plain(),
    "ozone_uv": _plain(),
    "converter": _plain(converter=True),
    "transformer": _plain(),
    "light": _plain(),
}
DEAD_TESTS_S: Mapping[str, float] = {"heater": 60.0, "pump": 40.0, "circulation_pump": 40.0}
USUAL_DEAD_TESTS_S = 25.0

# Insulation before full voltage: below its stop value a part is rejected or, as a heater is, judged by
# its leakage only (limits.py). Ohm's law turns the leak's in-phase mA at 120 V into what DC reads.
STOP_MOHM: Mapping[str, float] = {"heater": 0.05}
USUAL_STOP_MOHM = 1.0
VOLTS = 120.0

Share = Callable[[Parts, State, FloatArray, Population], FloatArray]


def _always(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    return np.ones(parts.size)


def _wet(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    """In water in proportion to its conductivity, dry next to nothing."""
    wet = parts.bench_ms_cm / of.water.service_ms_cm
    return np.zeros(parts.size) if state == "received" else wet


def _bake(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    damp = parts.damp_ma / np.maximum(parts.resistive_ma, 1e-9)
    after = {"received": damp, "soaked": np.ones(parts.size)}
    return after.get(state, np.full(parts.size, AFTER_BAKE))


def _hot(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    extra = {"hot": 1.0, "warm": 1.0, "soaked": COOLED}.get(state, 0.0)
    return parts.cold + (1.0 - parts.cold) * extra


def _breakdown(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    broken = (state in ("hot", "warm")) & (parts.after_s + LATE_RISE_S <= ran_s)
    return np.where(broken, 1.0, BREAKDOWN_COLD)


def _seal(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    fixed = {"rest": AT_REST, "warm": 1.0}
    return np.full(parts.size, fixed[state]) if state in fixed else parts.cold


def _blow_dry(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    return np.ones(parts.size) if state in ("received", "humid") else parts.cold


def _bursts(parts: Parts, state: State, ran_s: FloatArray, of: Population) -> FloatArray:
    """Nothing between bursts; whether one falls into a stage is drawn by whoever measures."""
    return np.zeros(parts.size)


SHARES: Mapping[Law, Share] = {
    "steady": _always,
    "wet": _wet,
    "bake": _bake,
    "hot": _hot,
    "breakdown": _breakdown,
    "seal": _seal,
    "blow_dry": _blow_dry,
    "erratic": _always,
    "half_wave": _always,
    "bursts": _bursts,
}


@dataclass(frozen=True, slots=True)
class Flow:
    """What really flows at nominal volts: in phase and at 90 degrees (AC), and DC; mA."""

    res: FloatArray
    cap: FloatArray
    dc: FloatArray


def leaking(parts: Parts, plan: Plan, ran_s: FloatArray, of: Population) -> Flow:
    """The part's leakage in one stage; ``ran_s`` seconds of the rated run so far."""
    share = np.ones(parts.size)
    for place, one in enumerate(classes(of)):
        here = parts.cls == place
        if here.any():
            share[here] = SHARES[one.kind.law](parts.where(here), plan.state, ran_s[here], of)
    whole = parts.resistive_ma * share
    res_part, cap_part = _seen_by(plan.feed, parts.at)
    dc = whole * parts.dc
    ac = np.sqrt(np.maximum(np.square(whole) - np.square(dc), 0.0))
    sound = parts.cls == SOUND
    at_feed = np.where(sound, np.abs(cap_part), res_part)  # a sound part leaks evenly
    return Flow(ac * at_feed, parts.capacitive_ma * cap_part, dc * np.abs(at_feed))


def _seen_by(feed: Feed, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Share of a leak at ``at``, and of evenly spread capacitance, that a feed drives."""
    even, whole = np.full(at.size, 0.5), np.ones(at.size)
    table: Mapping[Feed, tuple[FloatArray, FloatArray]] = {
        "limited": (whole, whole),
        "both_hot": (whole, whole),
        "line_neutral": (1.0 - at, even),
        "neutral_line": (at, even),
        "line_line": (1.0 - 2.0 * at, np.zeros(at.size)),
    }
    return table[feed]


def insulation_mohm(parts: Parts, state: State, of: Population) -> FloatArray:
    """What a DC insulation test reads of a part in that state: only its resistive leak counts."""
    plan = Plan("insulation", "both_hot", state, 0.0)
    flow = leaking(parts, plan, np.zeros(parts.size), of)
    siemens_ma = np.where(parts.cls == SOUND, parts.resistive_ma, np.abs(flow.res))
    return VOLTS / 1000.0 / np.maximum(siemens_ma, 1e-9)


def law_of(parts: Parts, of: Population, law: Law) -> BoolArray:
    """Which parts have a fault of this law."""
    places = [place for place, one in enumerate(classes(of)) if one.kind.law == law]
    found: BoolArray = np.isin(parts.cls, places)
    return found
