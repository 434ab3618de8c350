"""The bench's whole decision over arrays of parts: the procedures' own functions, parts x time.

Stage by stage as a family's procedure does: meters read what really flows with their own errors and
noise, the level and its uncertainty follow (``level.py``, ``uncertainty.py``, ``limited.py``), both
sensors must agree, the positive control must show, and ``decide.py``'s rules decide. What has failed is
not soaked; what is undecided is retested once after a change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from procedures.arrays import BoolArray, FloatArray, IntArray
from procedures.decide import CODES, RULES, decide_arrays
from procedures.level import levels, whole
from procedures.limited import Step, limited_budget, prospective_many
from procedures.limits import COMMON, RISE
from procedures.scan import Accuracy
from procedures.uncertainty import Mean, leakage_budget
from rig.study_draw import SERIES_PERCENT, Generator, Parts
from rig.study_population import Law, Population
from rig.study_stages import (
    DEAD_TESTS_S,
    SPEND_S,
    STAGES,
    STOP_MOHM,
    USUAL_DEAD_TESTS_S,
    USUAL_STOP_MOHM,
    Flow,
    Plan,
    State,
    insulation_mohm,
    law_of,
    leaking,
)

NOMINAL_V, SERIES_OHM = 120.0, 47_000.0
SAMPLES = 50  # ten seconds of a meter that reads five times a second
CONTROL_MA, CONTROL_SHARE = 0.25, 0.2
LIMITED_S = 16.0  # a rejected part still gets its limited step, for the record
SHORT_S = 60.0  # instead of a soak, once a part has failed
BOUNDS: Mapping[str, float] = {one.name: one.value for one in COMMON.limits}
COMING: tuple[Law, ...] = ("hot", "breakdown", "seal", "blow_dry")
PASS, FAIL, NONE = 0, 1, 2
VERDICTS: IntArray = np.array([("pass", "fail", "none").index(rule.verdict) for rule in RULES])
AGAIN = frozenset({CODES["too close to call"], CODES["retest"]})  # worth a retest after a change


@dataclass(frozen=True, slots=True)
class Decided:
    """One element per part: verdict (PASS, FAIL, NONE), the rule's code, minutes on the bench, whether
    a retest was needed, and how near the deciding figure came to a limit, mA beyond its U."""

    verdict: IntArray
    code: IntArray
    minutes: FloatArray
    retested: BoolArray
    margin_ma: FloatArray


@dataclass(slots=True)
class _Running:
    """What a run has come to so far, part by part."""

    code: IntArray
    seconds: FloatArray
    stopped: BoolArray  # nothing more is energised
    failed: BoolArray
    margin: FloatArray


def decided(
    parts: Parts,
    of: Population,
    rng: Generator,
    soak_s: float | None = None,
    *,
    retest: bool = True,
) -> Decided:
    """The bench's verdicts. ``soak_s`` None: its own adaptive soak, else that fixed one, never cut short.

    ``retest``: what was undecided once is measured again on another day, after a recorded change."""
    first = _attempt(parts, of, rng, soak_s, 1)
    again = np.isin(first.code, list(AGAIN)) & retest
    code, seconds, margin = first.code.copy(), first.seconds.copy(), first.margin.copy()
    if again.any():
        second = _attempt(parts.where(again), of, rng, soak_s, 2)
        code[again], margin[again] = second.code, second.margin
        seconds[again] += second.seconds
    return Decided(VERDICTS[code], code, seconds / 60.0, again, margin)


def _attempt(
    parts: Parts, of: Population, rng: Generator, soak_s: float | None, attempt: int
) -> _Running:
    n = parts.size
    run = _Running(
        np.full(n, CODES["pass"]),
        np.zeros(n),
        np.zeros(n, np.bool_),
        np.zeros(n, np.bool_),
        np.full(n, math.inf),
    )
    for place, one in enumerate(of.family):
        here = np.flatnonzero(parts.family == place)
        if here.size:
            found = _family(one.name, parts.where(here), of, rng, soak_s, attempt)
            run.code[here], run.seconds[here] = found.code, found.seconds
            run.margin[here] = found.margin
    return run


def _family(
    name: str, parts: Parts, of: Population, rng: Generator, soak_s: float | None, attempt: int
) -> _Running:
    n = parts.size
    dead_s = DEAD_TESTS_S.get(name, USUAL_DEAD_TESTS_S)
    nothing = np.zeros(n, np.bool_)
    run = _Running(
        np.full(n, CODES["pass"]), np.full(n, dead_s), nothing, nothing.copy(), np.full(n, math.inf)
    )
    _dead_tests(name, parts, of, run)
    for plan in STAGES[name]:
        live = ~run.stopped & (plan.failing | ~run.failed)
        if live.any():
            _stage(name, plan, parts, of, rng, soak_s, attempt, run, live)
    unproved = run.stopped & (run.code == CODES["pass"])  # what is required was never measured
    run.code[unproved] = CODES["not proved"]
    return run


def _dead_tests(name: str, parts: Parts, of: Population, run: _Running) -> None:
    """Insulation dry, and wet where water is on before the limited step; too low: nothing full."""
    state: State = STAGES[name][0].state
    stop_mohm = STOP_MOHM.get(name, USUAL_STOP_MOHM)
    reads = insulation_mohm(parts, state, of)
    bad = (reads < stop_mohm) & (name != "heater")  # a damp heater is baked out instead
    run.code[bad], run.seconds[bad] = CODES["rejected"], run.seconds[bad] + LIMITED_S
    run.stopped |= bad
    run.failed |= bad


def _stage(
    name: str,
    plan: Plan,
    parts: Parts,
    of: Population,
    rng: Generator,
    soak_s: float | None,
    attempt: int,
    run: _Running,
    live: BoolArray,
) -> None:
    """One stage for all parts that are still energised."""
    here = np.flatnonzero(live)
    some = parts.where(here)
    ran_s = _ran_s(name, plan, soak_s, run.failed[here])
    found = _measured(plan, some, of, rng, ran_s)
    opened = _opens(plan, found)
    counts = _counts(name, plan, found, opened)
    code = _codes(found, counts, attempt)
    run.code[here] = np.minimum(run.code[here], code)
    run.seconds[here] += plan.before_s + ran_s + SPEND_S + _baking_s(name, plan, found, opened)
    run.failed[here] |= VERDICTS[code] == FAIL
    run.margin[here] = np.minimum(run.margin[here], np.where(counts, found.margin, math.inf))
    run.stopped[here] |= found.above | ~opened


def _ran_s(name: str, plan: Plan, soak_s: float | None, failed: BoolArray) -> FloatArray:
    """How long the stage runs for each part."""
    if not plan.soak:
        return np.full(failed.size, plan.seconds)
    if soak_s is not None:
        return np.full(failed.size, soak_s)
    return np.where(failed, SHORT_S, plan.seconds)


# ---- one stage -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    """What a stage gives: figure and U in mA, and what the rules ask besides."""

    y: FloatArray
    u: FloatArray
    above: BoolArray
    proved: BoolArray
    rising: BoolArray
    limited: bool

    @property
    def margin(self) -> FloatArray:
        """How far the figure is from the nearest limit, beyond its U; negative: within it."""
        far = [np.abs(self.y - BOUNDS[name]) - self.u for name in ("pass_ma", "fail_ma")]
        gap: FloatArray = np.minimum(far[0], far[1])
        return gap


def _measured(
    plan: Plan, parts: Parts, of: Population, rng: Generator, ran_s: FloatArray
) -> _Found:
    """Both sensors' readings of one stage, and what follows from them."""
    true = _with_bursts(parts, of, leaking(parts, plan, ran_s, of), ran_s, rng)
    flowing = _through_resistor(parts, true) if plan.feed == "limited" else _at_volts(parts, true)
    first, second = _read(parts, of, flowing, rng)
    limited = plan.feed == "limited"
    y, u = _limited(parts, of, first) if limited else _full(parts, of, first)
    other = np.hypot(*second.mean(axis=1)[:, :2].T)
    agreed = _agree(of, first, other)
    control = np.abs(_gain(parts, 1) - 1.0) < CONTROL_SHARE
    control &= np.abs(_gain(parts, 2) - 1.0) < CONTROL_SHARE
    above = (not limited) & (y > BOUNDS["cutoff_ma"])
    rising = _rises(plan, parts, of, y, u)
    return _Found(y, u, above, agreed & control, rising, limited)


def _with_bursts(
    parts: Parts, of: Population, true: Flow, ran_s: FloatArray, rng: Generator
) -> Flow:
    """An intermittent leak shows where a burst falls into the stage (Poisson)."""
    bursts = law_of(parts, of, "bursts")
    seen = rng.random(parts.size) < -np.expm1(-parts.rate_per_h * ran_s / 3600.0)
    return replace(true, res=np.where(bursts & seen, parts.resistive_ma, true.res))


def _at_volts(parts: Parts, true: Flow) -> FloatArray:
    """What flows at the supply's volts; parts x (in phase, at 90 degrees, DC)."""
    table: FloatArray = np.stack([true.res, true.cap, true.dc], axis=1) * parts.volts[:, None]
    return table


def _through_resistor(parts: Parts, true: Flow) -> FloatArray:
    """What flows through the limiting resistor: V/(Zf + Rs), Ohm's law."""
    driven = true.res + 1j * true.cap
    fault = NOMINAL_V / np.where(driven == 0.0, np.nan, driven) * 1000.0
    current = NOMINAL_V * parts.volts / (fault + SERIES_OHM * parts.resistor) * 1000.0
    current = np.where(np.isnan(current), 0.0, current)
    shrunk = np.abs(current) / np.maximum(np.abs(driven), 1e-12)
    return np.stack([current.real, current.imag, true.dc * shrunk], axis=1)


def _gain(parts: Parts, sensor: int) -> FloatArray:
    """A sensor's gain in this run, its failure included."""
    own = parts.first if sensor == 1 else parts.second
    return np.where(parts.failed == sensor, own * parts.left, own)


def _read(
    parts: Parts, of: Population, flowing: FloatArray, rng: Generator
) -> tuple[FloatArray, FloatArray]:
    """Readings of both sensors; parts x SAMPLES x components, AC with gain, zero error and noise."""
    jumps = _jumps(parts, rng)
    found = []
    for sensor, zero in ((1, parts.first_zero_ma), (2, parts.second_zero_ma)):
        noise = _noise(of, (parts.size, SAMPLES, 3), rng)
        table = flowing[:, None, :] * _gain(parts, sensor)[:, None, None] + noise
        table[:, :, 0] = table[:, :, 0] * jumps + zero[:, None] / math.sqrt(2.0)
        table[:, :, 1] += zero[:, None] / math.sqrt(2.0)
        found.append(table)
    return found[0], found[1]


def _jumps(parts: Parts, rng: Generator) -> FloatArray:
    """An erratic leak: every two seconds another level, 1/(1 ± jump) as the plant has it."""
    steps = rng.uniform(-1.0, 1.0, (parts.size, SAMPLES // 10)) * parts.jump[:, None]
    factors: FloatArray = np.repeat(1.0 / (1.0 + steps), 10, axis=1)
    return factors


def _noise(of: Population, shape: tuple[int, int, int], rng: Generator) -> FloatArray:
    """First-order autoregressive noise along time."""
    tools = of.instruments
    noise = rng.normal(0.0, tools.noise_ma, shape)
    r, fresh = tools.noise_ar1, math.sqrt(1.0 - tools.noise_ar1**2)
    for t in range(1, shape[1]):
        noise[:, t] = r * noise[:, t - 1] + fresh * noise[:, t]
    return noise


def _full(parts: Parts, of: Population, read: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Level and expanded uncertainty at nominal volts."""
    shown_v = parts.volts * parts.volts_error
    found = levels(read / shown_v[:, None, None])
    mean = Mean(found.y, found.u, found.dof, NOMINAL_V * shown_v, found.mean[:, 2])
    made = leakage_budget(mean, NOMINAL_V, _meter(of), _supply(of), _meter(of))
    return found.y, np.asarray(made.expanded)


def _limited(parts: Parts, of: Population, read: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Prospective current and its expanded uncertainty."""
    found = whole(read)
    step = Step(
        v=NOMINAL_V * parts.volts * parts.volts_error,
        res_ma=found.mean[:, 0],
        cap_ma=found.mean[:, 1],
        u_ma=found.u,
        dof=found.dof,
        series_ohm=SERIES_OHM,
        series_percent=SERIES_PERCENT,
        nominal_v=NOMINAL_V,
    )
    made = limited_budget(step, _meter(of), _supply(of))
    driven = prospective_many(step.v, step.res_ma, step.cap_ma, SERIES_OHM, NOMINAL_V)
    return driven.magnitude_ma, np.asarray(made.expanded)


def _meter(of: Population) -> Accuracy:
    return Accuracy(*of.instruments.leakage)


def _supply(of: Population) -> Accuracy:
    return Accuracy(of.instruments.supply_percent, 0.1)


def _agree(of: Population, first: FloatArray, other_ma: FloatArray) -> BoolArray:
    """Both sensors within the sum of their statements, as the procedures demand."""
    own_ma = np.hypot(*first.mean(axis=1)[:, :2].T)
    second = Accuracy(*of.instruments.second)
    allowed: Any = _half(_meter(of), own_ma) + _half(second, other_ma) + 0.02 * own_ma
    agreed: BoolArray = np.abs(own_ma - other_ma) <= allowed
    return agreed


def _half(accuracy: Accuracy, value: FloatArray) -> FloatArray:
    return np.abs(value) * accuracy.percent / 100.0 + accuracy.floor


def _rises(plan: Plan, parts: Parts, of: Population, y: FloatArray, u: FloatArray) -> BoolArray:
    """A fault that comes with heat, speed or humid air rises within the soak: by more than counts, to
    above the limit."""
    if not plan.soak:
        return np.zeros(parts.size, np.bool_)
    comes = np.logical_or.reduce([law_of(parts, of, law) for law in COMING])
    from_ma = y * np.where(comes, parts.cold, 1.0)
    counts = (y - from_ma) > np.maximum(RISE.value, 2.0 * u)
    rising: BoolArray = comes & counts & (y > BOUNDS["pass_ma"])
    return rising


# ---- deciding --------------------------------------------------------------------------------------


def _opens(plan: Plan, found: _Found) -> BoolArray:
    """Whether a limited step opens the full feeds: y + U at most the gate; a run that dries the part
    may begin with y at most the gate and y + U at most the cut-off."""
    if not found.limited:
        return np.ones(found.y.size, np.bool_)
    bound, gate = found.y + found.u, BOUNDS["gate_ma"]
    opened = bound <= gate
    if plan.state == "received":
        opened |= (found.y <= gate) & (bound <= BOUNDS["cutoff_ma"])
    return opened


def _counts(name: str, plan: Plan, found: _Found, opened: BoolArray) -> BoolArray:
    """What was measured before a change (bake-out, running dry), or as a diagnosis, is recorded and not
    decided on; where nothing follows it, it counts, and a cut-off always does."""
    changed = found.y > BOUNDS["pass_ma"] if name == "heater" else np.full(opened.shape, True)
    aside = (plan.state == "received") & changed & opened
    aside |= np.full(opened.shape, not plan.counts) & opened
    return found.above | ~aside


def _baking_s(name: str, plan: Plan, found: _Found, opened: BoolArray) -> FloatArray:
    """A damp heater is baked out at quarter power: about six minutes, and cools down."""
    damp = opened & (found.y > BOUNDS["pass_ma"])
    baked = damp & (name == "heater") & (plan.state == "received")
    return np.where(baked, 460.0, 0.0)


def _codes(found: _Found, counts: BoolArray, attempt: int) -> IntArray:
    """The rules' codes; what doesn't count can't decide."""
    code = decide_arrays(
        found.y, found.u, found.above, False, found.proved, found.rising, attempt, changed=True
    )
    return np.where(counts, code, CODES["pass"])
