"""From a series of readings to a settled value, its drying and its rise.

Arrays are parts x time, last axis time; the plain names take one part and give plain numbers.
Times in seconds, values in mA.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from procedures.arrays import BoolArray, FloatArray
from procedures.decay import Decay, fit_decay
from procedures.errors import BadSeries
from procedures.limits import RISE
from procedures.noise import type_a

STEADY_MA_PER_S = 0.05 / 60.0  # 0.05 mA a minute; common practice, no source
QUARTERS_APART = math.sqrt(8.0)  # two quarter means differ by sqrt(2·4) times s/sqrt(n)
ONE_SIDED_95 = 1.645  # standard normal quantile (JCGM 106:2012 table 1, from memory)


@dataclass(frozen=True, slots=True)
class Settled:
    """The end of a series: mean and sample standard deviation of its last window, ``n`` samples.

    ``mean_u`` is the standard uncertainty of that mean, correlation of the samples counted, with ``dof``
    effective degrees of freedom. ``rise`` is the mean of the last quarter minus that of the first.
    ``slope_per_s`` is the straight line through the window. NaN where there are too few samples to say.
    """

    mean: float
    scatter: float
    mean_u: float
    dof: float
    n: int
    rise: float
    slope_per_s: float
    steady: bool


@dataclass(frozen=True, slots=True)
class SettledMany:
    """As Settled, one element per part."""

    mean: FloatArray
    scatter: FloatArray
    mean_u: FloatArray
    dof: FloatArray
    n: int
    rise: FloatArray
    slope_per_s: FloatArray
    steady: BoolArray


@dataclass(frozen=True, slots=True)
class Drying:
    """An exponential fall y = asymptote + fall·exp(-t/tau) fitted to the series.

    ``end_s`` is when the fall is over to within ``within_ma``. Not falling, or no end in sight
    (nothing bends yet): asymptote NaN, tau and end infinite.
    """

    falling: bool
    asymptote: float
    tau_s: float
    end_s: float


def settle_many(
    t_s: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    window_s: float | None = None,
    limit_per_s: float = STEADY_MA_PER_S,
) -> SettledMany:
    """Settle each part's series; the window is the last ``window_s`` or the last quarter.

    Raises BadSeries where times and values don't belong together.
    """
    t, rows = checked(t_s, y)
    quarter = max(1, math.ceil(t.size / 4))
    start = t.size - quarter if window_s is None else int(np.searchsorted(t, t[-1] - window_s))
    window = rows[:, start:]
    slope, noise = _slope(t[start:], window), type_a(window)
    return SettledMany(
        mean=window.mean(axis=1),
        scatter=_deviation(window),
        mean_u=noise.u,
        dof=noise.dof,
        n=window.shape[1],
        rise=rows[:, -quarter:].mean(axis=1) - rows[:, :quarter].mean(axis=1),
        slope_per_s=slope,
        steady=np.abs(slope) <= limit_per_s,
    )


def settle(
    t_s: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    window_s: float | None = None,
    limit_per_s: float = STEADY_MA_PER_S,
) -> Settled:
    """Settle one part's series. An empty one has no value: NaN, not 0. Raises BadSeries."""
    if np.size(y) == 0:
        nothing = math.nan
        return Settled(nothing, nothing, nothing, nothing, 0, nothing, nothing, False)
    many = settle_many(t_s, y, window_s=window_s, limit_per_s=limit_per_s)
    return Settled(
        mean=float(many.mean[0]),
        scatter=float(many.scatter[0]),
        mean_u=float(many.mean_u[0]),
        dof=float(many.dof[0]),
        n=many.n,
        rise=float(many.rise[0]),
        slope_per_s=float(many.slope_per_s[0]),
        steady=bool(many.steady[0]),
    )


def drying(t_s: npt.ArrayLike, y: npt.ArrayLike, *, within_ma: float = 0.02) -> Drying:
    """Fit a drying part's fall. Falling means: from the first to the last quarter by more than
    ``within_ma`` and than three standard errors of that difference.

    Raises BadSeries where times and values don't belong together.
    """
    t, rows = checked(t_s, y)
    fit = fit_decay(t, rows[0])
    fall = -settle(t, rows[0]).rise
    if fit is None or fall <= max(within_ma, 3.0 * QUARTERS_APART * fit.mean_u):
        return Drying(False, math.nan, math.inf, math.inf)
    if not fit.bends or fit.amplitude <= within_ma:
        return Drying(True, math.nan, math.inf, math.inf)
    over_s = fit.tau_s * math.log(fit.amplitude / within_ma)
    return Drying(True, fit.asymptote, fit.tau_s, float(t[0]) + over_s)


def rising_rejects(
    t_s: npt.ArrayLike,
    y: npt.ArrayLike,
    u: float,
    limit: float,
    *,
    longest_s: float | None = None,
    rise_ma: float = RISE.value,
) -> tuple[bool, float, str]:
    """Whether a rise rejects the part: (rejects, 95 % upper projected plateau in mA, words).

    It does when the rise exceeds max(``rise_ma``, 2U) and the 95 % upper projected plateau exceeds
    ``limit``, or no plateau comes until ``longest_s``, the longest soak's end on the clock of ``t_s``
    (default: the series' own end): by then no more than that same amount may be left to rise. Judge
    within one condition only. ``u`` is expanded (k = 2) at the end of the series; it says what counts
    as a rise and is left out of the projection, because the guard band takes care of the meter. Shop
    rule (P). Raises BadSeries.
    """
    t, rows = checked(t_s, y)
    rise, counts_as_rise = settle(t, rows[0]).rise, max(rise_ma, 2.0 * u)
    if rise <= counts_as_rise:
        return False, math.nan, f"no rise: {rise:.2f} mA counts only above {counts_as_rise:.2f}"
    fit = fit_decay(t, rows[0])
    left_ma = _left_to_rise(fit, float(t[0]), float(t[-1]) if longest_s is None else longest_s)
    if fit is None or left_ma > counts_as_rise:
        return True, math.inf, f"rose by {rise:.2f} mA and no plateau within the longest soak"
    plateau = fit.asymptote + ONE_SIDED_95 * fit.asymptote_u
    words = f"rose by {rise:.2f} mA towards at most {plateau:.2f} mA, limit {limit:.2f} mA"
    return plateau > limit, plateau, words


def checked(t_s: npt.ArrayLike, y: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Times and parts x time as float arrays. Raises BadSeries; a NaN reading stays NaN."""
    t = np.asarray(t_s, dtype=np.float64)
    rows = np.atleast_2d(np.asarray(y, dtype=np.float64))
    if t.ndim != 1 or t.size == 0 or rows.ndim != 2 or rows.shape[1] != t.size:
        what = f"{t.shape} times for {rows.shape} values"
        raise BadSeries("series", what, "give one time for each value, at least one")
    if not bool(np.all(np.diff(t) >= 0.0)):
        raise BadSeries("series", "time runs backwards", "give the samples in order")
    return t, rows


def _left_to_rise(fit: Decay | None, start_s: float, at_s: float) -> float:
    """mA still to come at ``at_s``; infinite where nothing bends."""
    if fit is None or not fit.bends:
        return math.inf
    return abs(fit.amplitude) * math.exp(-max(0.0, at_s - start_s) / fit.tau_s)


def _deviation(window: FloatArray) -> FloatArray:
    """Sample standard deviation (GUM 4.2.2), two-pass; NaN for a single sample."""
    if window.shape[1] < 2:
        return np.full(window.shape[0], np.nan)
    deviation: FloatArray = window.std(axis=1, ddof=1)
    return deviation


def _slope(t: FloatArray, window: FloatArray) -> FloatArray:
    """Least-squares slope per second; NaN where all samples are of one moment."""
    centred = t - t.mean()
    spread = float(centred @ centred)
    slope: FloatArray = window @ centred / (spread if spread > 0.0 else np.nan)
    return slope
