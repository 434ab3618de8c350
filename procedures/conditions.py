"""From a stage's samples to a condition: vector, fixture off, normalised, uncertainty, agreement.

Worst counts: of all windows of a stage the one with the greatest mean decides, unless noise explains why
they differ (``level.py``). The r.m.s. reading is a floor: what it shows beyond vector and DC (harmonics,
other frequencies) is not thrown away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from procedures.arrays import FloatArray
from procedures.budget import Budget
from procedures.leakage import Live, Sample
from procedures.level import Levels, levels, whole
from procedures.limited import (
    Step,
    fault_phasor,
    impedance_words,
    limited_budget,
    prospective_of,
)
from procedures.scan import (
    LEAKAGE_DC_MA,
    LEAKAGE_MA,
    LEAKAGE_RESISTIVE_MA,
    SECOND_LEAKAGE_RESISTIVE_MA,
    SUPPLY_V,
    Accuracy,
    Condition,
    Setup,
)
from procedures.sequential import type_a_factor
from procedures.series import settle
from procedures.trend import trend_of
from procedures.uncertainty import Mean, leakage_budget
from procedures.vectors import magnitude, normalise, remove

LEAST = 3  # fewer samples prove nothing
IMBALANCE = 5e-6  # of the load current: what the bench proof lets the residual sensor fake
NO_BOUND_MA = 1000.0  # a short circuit behind the limiting resistor: recorded instead of infinity
TREND_POINTS = 240
DISAGREE = "the two leakage readings disagree: parallel path or sensor fault"
NO_ACCURACY = Accuracy(5.0, 0.05)  # a bench file without a statement: assume a poor meter


class Vector(NamedTuple):
    """Mean leakage of a window at nominal volts, fixture off; mA. ``u_ma`` is the standard
    uncertainty of the mean (type A), ``dof`` its degrees of freedom."""

    res_ma: float
    cap_ma: float
    dc_ma: float | None
    u_ma: float
    dof: float


def condition(live: Live) -> Condition | None:
    """The stage's condition; None when there are too few samples to say anything."""
    if live.event is not None:
        return above(live)
    quiet = live.quiet()
    if live.refused or len(quiet) < LEAST:
        return None
    window, vector = _level(quiet, live, live.look_bound)
    made = _measured(live, window, vector)
    agreed, second_ma = _agree(live.run.setup, live, window, made)
    made = replace(made, second_ma=second_ma)
    if not agreed:
        live.run.doubts[made.name] = DISAGREE
    return made


def so_far(live: Live, look_bound: float = 2.0) -> tuple[float, float] | None:
    """Level and expanded uncertainty of a stage that still runs, mA; None where nothing can be said.

    ``look_bound`` is what type A counts by at this look.
    """
    quiet = live.quiet()
    if len(quiet) < LEAST:
        return None
    window, vector = _level(quiet, live, look_bound)
    y_ma, _ = _floor(live.run.setup, window, vector, _magnitude(vector))
    v = float(np.mean([s.supply_v for s in window]))
    u_ma = float(_budget(live.run.setup, y_ma, vector, v).expanded)
    return (y_ma, u_ma) if math.isfinite(y_ma + u_ma) else None


def above(live: Live) -> Condition:
    """The guard switched off: the leakage is above the cut-off, by how much is not known.

    A GFCI that tripped first leaves what every sensor had read as the lower bound; where that does not
    explain the trip, it is recorded as measured, and ``tripped.py`` has noted the doubt.
    """
    event, run, stage = live.event, live.run, live.stage
    assert event is not None
    cutoff_ma = min(run.limit("cutoff_ma"), stage.cutoff_ma or math.inf)
    last = live.samples[-1] if live.samples else None
    unexplained = run.unexplained == stage.name
    bound_ma = 2.0 / math.sqrt(3.0) * _accuracy(run.setup, LEAKAGE_MA).half_width(live.seen_ma)
    words = {"gfci_trip": "the GFCI tripped", "cut_off": f"cut off above {cutoff_ma:g} mA"}
    return Condition(
        name=stage.name,
        feed=stage.feed,
        basis="measured" if unexplained else "above",
        y_ma=min(cutoff_ma, live.seen_ma) if event.kind == "gfci_trip" else cutoff_ma,
        u_ma=bound_ma if unexplained else 0.0,
        resistive_ma=last.res if last else 0.0,
        capacitive_ma=last.cap if last else 0.0,
        dc_ma=last.dc if last else None,
        second_ma=last.second_rms if last else None,
        supply_v=last.supply_v if last else run.setup.nominal_v,
        samples=len(live.samples),
        start_s=live.on_s,
        end_s=event.at_s,
        temperature_c=last.temperature_c if last else None,
        control_seen=live.control_seen,
        counts=True,
        after_s=event.after_s,
        note=words.get(event.kind, event.kind),
    )


def limited_condition(live: Live) -> Condition | None:
    """The limited step's prospective current (calculated, never called measured)."""
    quiet = live.quiet()
    if live.event is not None or len(quiet) < LEAST:
        return above(live) if live.event is not None else None
    setup, v = live.run.setup, float(np.mean([s.supply_v for s in quiet]))
    vector = _vector(quiet, whole(_table(quiet, live)[None]))
    bare = _measured(live, quiet, vector)
    agreed, _ = _agree(setup, live, quiet, bare)
    step = _as_read(setup, v, vector)
    found = prospective_of(step)
    made_of = limited_budget(
        step, _accuracy(setup, LEAKAGE_RESISTIVE_MA), _accuracy(setup, SUPPLY_V)
    )
    u_ma = float(made_of.expanded)
    _note_impedance(live, step, found.magnitude_ma + u_ma)
    unbounded = not math.isfinite(found.magnitude_ma)
    made = replace(
        bare,
        basis="prospective",
        y_ma=min(found.magnitude_ma, NO_BOUND_MA),
        u_ma=min(u_ma, NO_BOUND_MA) if math.isfinite(u_ma) else NO_BOUND_MA,
        resistive_ma=0.0 if unbounded else found.res_ma,
        capacitive_ma=0.0 if unbounded else found.cap_ma,
        rise_ma=0.0,
        note="no upper bound" if unbounded else live.stage.note,
        budget=made_of,
    )
    if not agreed:
        live.run.doubts[made.name] = DISAGREE
    return made


def _note_impedance(live: Live, step: Step, most_ma: float) -> None:
    """What the step says of the fault itself; the uncertainty grows as it falls."""
    setup = live.run.setup
    meters = (_accuracy(setup, name) for name in (LEAKAGE_RESISTIVE_MA, SUPPLY_V))
    least_kohm = setup.nominal_v / most_ma if most_ma > 0.0 else 0.0
    words = impedance_words(fault_phasor(step, *meters), least_kohm)
    live.run.facts[f"fault impedance, {live.stage.name}"] = words


def trend(live: Live) -> tuple[FloatArray, FloatArray]:
    """Times and magnitudes of a stage at nominal volts, mA, in at most ``TREND_POINTS`` means."""
    return live.once("trend", lambda: _trend(live))


def _trend(live: Live) -> tuple[FloatArray, FloatArray]:
    quiet = live.quiet()
    if not quiet:
        return np.zeros(0), np.zeros(0)
    begins = np.arange(0, len(quiet), max(1, math.ceil(len(quiet) / TREND_POINTS)))
    counts = np.diff(np.append(begins, len(quiet)))
    t_s = np.add.reduceat(np.array([s.t_s for s in quiet]), begins) / counts
    means = np.add.reduceat(_quiet_table(live), begins, axis=0) / counts[:, None]
    return t_s, np.sqrt(np.square(means).sum(axis=1))


# ---- vector and uncertainty ------------------------------------------------------------------------


def _quiet_table(live: Live) -> FloatArray:
    return live.once("table", lambda: _table(live.quiet(), live))


def _table(samples: Sequence[Sample], live: Live) -> FloatArray:
    """In phase, at right angles and DC of each sample at nominal volts, fixture off; mA, a row each.

    DC that was not read in every sample stands with its mean in all of them, and with 0 where none was.
    """
    vectors = _at_nominal([(s.res, s.cap) for s in samples], samples, live)
    dcs = [s.dc for s in samples if s.dc is not None]
    if len(dcs) == len(samples):
        return np.column_stack([vectors, dcs])
    return np.column_stack([vectors, np.full(len(samples), np.mean(dcs) if dcs else 0.0)])


def _level(samples: list[Sample], live: Live, look_bound: float) -> tuple[list[Sample], Vector]:
    """The level of a stage's quiet samples, and those of them that it is the mean of. Looks count."""
    found = live.once("level", lambda: levels(_quiet_table(live)[None]))
    window = samples[int(found.start[0]) : int(found.stop[0])]
    vector = _vector(window, found)
    factor = float(type_a_factor(look_bound, vector.dof))
    return window, vector._replace(u_ma=vector.u_ma * factor)


def _vector(samples: Sequence[Sample], found: Levels) -> Vector:
    res_ma, cap_ma, dc_ma = (float(value) for value in found.mean[0])
    read = any(s.dc is not None for s in samples)
    u_ma, dof = float(found.u[0]), float(found.dof[0])
    return Vector(res_ma, cap_ma, dc_ma if read else None, u_ma, dof)


def _at_nominal(
    vectors: Sequence[tuple[float, float]], samples: Sequence[Sample], live: Live
) -> FloatArray:
    """One sensor's vectors of ``samples``, fixture taken off, at nominal volts: mA, a row each."""
    nominal_v = live.run.setup.nominal_v
    fixture = live.run.setup.fixture_ma.get(live.stage.feed, (0.0, 0.0))
    v = np.array([s.supply_v for s in samples])
    res, cap = np.array(vectors).T
    parts = remove(res, cap, fixture, v / nominal_v)
    return np.stack([normalise(part, v, nominal_v) for part in parts], axis=1)


def _magnitude(vector: Vector) -> float:
    return float(magnitude(vector.res_ma, vector.cap_ma, vector.dc_ma or 0.0))


def _measured(live: Live, window: Sequence[Sample], vector: Vector) -> Condition:
    setup = live.run.setup
    v = float(np.mean([s.supply_v for s in window]))
    y_ma, beyond = _floor(setup, window, vector, _magnitude(vector))
    made_of = _budget(setup, y_ma, vector, v)
    t_s, series = trend(live)
    temperatures = [s.temperature_c for s in window if s.temperature_c is not None]
    return Condition(
        name=live.stage.name,
        feed=live.stage.feed,
        basis="measured",
        y_ma=y_ma,
        u_ma=float(made_of.expanded),
        resistive_ma=vector.res_ma,
        capacitive_ma=vector.cap_ma,
        dc_ma=vector.dc_ma,
        second_ma=None,
        supply_v=v,
        samples=len(live.quiet()),
        start_s=live.on_s,
        end_s=live.end_s,
        temperature_c=temperatures[-1] if temperatures else None,
        rise_ma=float(settle(t_s, series).rise),
        control_seen=live.control_seen,
        counts=live.stage.counts,
        wave=live.wave,
        wave_words=live.wave_words,
        note=beyond or live.stage.note,
        budget=made_of,
        trend=trend_of(t_s, series).kind,
    )


def _accuracy(setup: Setup, quantity: str) -> Accuracy:
    return setup.accuracy.get(quantity, NO_ACCURACY)


def _budget(setup: Setup, y_ma: float, vector: Vector, v: float) -> Budget:
    """Where the uncertainty of a measured leakage comes from."""
    mean = Mean(y_ma, vector.u_ma, vector.dof, v, vector.dc_ma)
    meters = (_accuracy(setup, n) for n in (LEAKAGE_RESISTIVE_MA, SUPPLY_V, LEAKAGE_DC_MA))
    return leakage_budget(mean, setup.nominal_v, *meters)


def _as_read(setup: Setup, v: float, vector: Vector) -> Step:
    """The limited step's own reading: at the volts that were there, not at nominal ones."""
    scale = v / setup.nominal_v
    return Step(
        v=v,
        res_ma=vector.res_ma * scale,
        cap_ma=vector.cap_ma * scale,
        u_ma=vector.u_ma * scale,
        dof=vector.dof,
        series_ohm=setup.series_ohm,
        series_percent=setup.series_percent,
        nominal_v=setup.nominal_v,
    )


def _floor(
    setup: Setup, window: Sequence[Sample], vector: Vector, y_ma: float
) -> tuple[float, str]:
    """The r.m.s. reading as a floor: the greater counts when they differ by more than they may."""
    readings = [s.rms for s in window if s.rms is not None]
    if not readings:
        return y_ma, ""
    rms_ma = float(np.mean(readings))
    res_ma, cap_ma = (float(np.mean(v)) for v in ([s.res for s in window], [s.cap for s in window]))
    raw_ma = float(magnitude(res_ma, cap_ma, vector.dc_ma or 0.0))
    allowed_ma = sum(
        _accuracy(setup, name).half_width(value)
        for name, value in (
            (LEAKAGE_MA, rms_ma),
            (LEAKAGE_RESISTIVE_MA, raw_ma),
            (LEAKAGE_DC_MA, vector.dc_ma or 0.0),
        )
    )
    beyond_ma = rms_ma - raw_ma
    if beyond_ma <= allowed_ma:
        return y_ma, ""
    return y_ma + beyond_ma, f"r.m.s. reads {beyond_ma:.2f} mA more than vector and DC: it counts"


def _agree(
    setup: Setup, live: Live, window: Sequence[Sample], made: Condition
) -> tuple[bool, float | None]:
    """Whether both sensors agree within their accuracy; the second one's magnitude, normalised."""
    if SECOND_LEAKAGE_RESISTIVE_MA not in setup.quantities:
        return True, None
    seconds = [s for s in window if s.second_res is not None]
    if len(seconds) < LEAST:
        return False, None
    vectors = [(s.second_res or 0.0, s.second_cap or 0.0) for s in seconds]
    second_ma = float(np.hypot(*np.mean(_at_nominal(vectors, seconds, live), axis=0)))
    first_ma = math.hypot(made.resistive_ma, made.capacitive_ma)
    loads = [s.load_a for s in window if s.load_a is not None]
    allowed_ma = (
        _accuracy(setup, LEAKAGE_RESISTIVE_MA).half_width(first_ma)
        + _accuracy(setup, SECOND_LEAKAGE_RESISTIVE_MA).half_width(second_ma)
        + IMBALANCE * 1000 * max(loads, default=0.0)
        + made.u_ma / 2
    )
    return abs(first_ma - second_ma) <= allowed_ma, second_ma
