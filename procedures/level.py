"""The level that a stage of leakage samples shows: one for the whole stage, or its worst window.

Worst counts. But the worst of hundreds of short windows of a part that does not change is only the
noise's own maximum: it would say more than is there, the longer the soak the more. So windows, alone
and joined to lengths of 2, 4, 8 ..., are first held against what the noise explains. Where it explains
all, the whole stage is one level, with the uncertainty of its mean; where not, the worst window decides.
Arrays are parts x time x components (in phase, at right angles, DC); mA throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from procedures.arrays import BoolArray, FloatArray, IntArray
from procedures.budget import coverage
from procedures.noise import TypeA, steady_spectrum, type_a

WINDOW = 10  # samples: 2 s of a meter that reads five times a second
LEAST_WINDOWS = 3  # fewer can't be told apart
FALSE_ALARM = 0.0003  # a part that doesn't change is taken for one that does this often
NINETY_FIVE = 0.9545  # what k = 2 stands for
NEAR_ZERO = 3.0  # a magnitude below this many standard uncertainties has no direction yet
MEDIAN_EFFICIENCY = 0.37  # degrees of freedom of a median of squares, per independent square
SWING_MA = 0.05  # shop rule (P): a window this far above the rest counts, noise or not


@dataclass(frozen=True, slots=True)
class Levels:
    """One element per part. ``mean`` is parts x components; ``y`` its magnitude, with the standard
    uncertainty ``u`` (type A) and ``dof``. The level is that of samples ``start`` to ``stop``."""

    mean: FloatArray
    y: FloatArray
    u: FloatArray
    dof: FloatArray
    one: BoolArray
    start: IntArray
    stop: IntArray


def levels(vectors: FloatArray) -> Levels:
    """Each part's level; ``vectors`` parts x time x components, in order, without gaps (NaN)."""
    n = vectors.shape[1]
    middle = vectors.mean(axis=1)
    noise, along = _noise(vectors, middle)
    one = _explained(vectors, along)
    begin = np.where(one, 0, _worst_start(vectors))
    end = np.where(one, n, begin + min(WINDOW, n))
    mean = np.where(one[:, None], middle, _window_mean(vectors, begin))
    y = np.sqrt(np.square(mean).sum(axis=1))
    short_u, short_dof = _short(vectors, begin, along)
    u = np.where(one, noise.u, short_u)
    dof = np.where(one, noise.dof, short_dof)
    return Levels(mean, y, u, dof, one, begin.astype(np.int64), end.astype(np.int64))


def whole(vectors: FloatArray) -> Levels:
    """The mean of everything, whatever it does; ``one`` as if it were one level."""
    parts, n, _ = vectors.shape
    middle = vectors.mean(axis=1)
    noise, _ = _noise(vectors, middle)
    y = np.sqrt(np.square(middle).sum(axis=1))
    start, stop = np.zeros(parts, np.int64), np.full(parts, n, np.int64)
    return Levels(middle, y, noise.u, noise.dof, np.ones(parts, np.bool_), start, stop)


def _noise(vectors: FloatArray, middle: FloatArray) -> tuple[TypeA, FloatArray]:
    """Type A of the magnitude of the whole mean, and the robust spectrum at zero.

    Noise at right angles to the mean turns it and does not lengthen it (first order, GUM 5.1.2). Near
    zero there is no direction, and all components' noise counts.
    """
    parts, n, components = vectors.shape
    y = np.sqrt(np.square(middle).sum(axis=1))
    direction = middle / np.where(y > 0.0, y, 1.0)[:, None]
    projected = type_a(np.einsum("ptc,pc->pt", vectors, direction))
    each = type_a(vectors.transpose(0, 2, 1).reshape(parts * components, n))
    all_u = np.sqrt(np.square(each.u).reshape(parts, components).sum(axis=1))
    near = y < NEAR_ZERO * all_u
    dof = np.where(near, each.dof.reshape(parts, components).min(axis=1), projected.dof)
    spectra = steady_spectrum(vectors.transpose(0, 2, 1).reshape(parts * components, n))
    every = spectra.reshape(parts, components).sum(axis=1)
    along = steady_spectrum(np.einsum("ptc,pc->pt", vectors, direction))
    u = np.where(near, all_u, projected.u)
    found = TypeA(u, dof, projected.scatter, projected.correlation)
    return found, np.where(near, every, along)


def _explained(vectors: FloatArray, spectrum: FloatArray) -> BoolArray:
    """Whether noise explains every run of windows of 1, 2, 4 ... windows' length."""
    parts, n, _ = vectors.shape
    count = n // WINDOW
    if count < LEAST_WINDOWS:
        return np.ones(parts, np.bool_)
    sizes = _window_sizes(vectors, count)
    above = sizes - sizes.mean(axis=1, keepdims=True)
    by_noise = _excess(above) <= _critical(n) * np.sqrt(spectrum)
    explained: BoolArray = by_noise & (above.max(axis=1) <= SWING_MA)
    return explained


def _excess(above: FloatArray) -> FloatArray:
    """The greatest mean of 1, 2, 4 ... neighbouring windows, over that of white noise of spectrum 1."""
    parts, count = above.shape
    total = np.cumsum(np.pad(above, ((0, 0), (1, 0))), axis=1)
    excess, length = np.zeros(parts), 1
    while length <= count // 2:
        runs = (total[:, length:] - total[:, :-length]) / length
        spread = math.sqrt((1.0 / length - 1.0 / count) / WINDOW)
        excess = np.maximum(excess, np.abs(runs).max(axis=1) / spread)
        length *= 2
    return excess


@lru_cache(maxsize=64)
def _critical(n: int) -> float:
    """Standard deviations that the greatest of all runs may reach, Sidak for about 2n/WINDOW of them,
    wider where the noise itself is known from few samples."""
    runs = 2 * (n // WINDOW)
    z = NormalDist().inv_cdf((1.0 + (1.0 - FALSE_ALARM) ** (1.0 / runs)) / 2.0)
    return z * float(coverage(_steady_dof(n))) / 2.0


def _steady_dof(n: int) -> float:
    """Differences of neighbours, and twice as few where these are correlated."""
    return max(1.0, MEDIAN_EFFICIENCY * n / 4.0)


def _window_sizes(vectors: FloatArray, count: int) -> FloatArray:
    """Magnitudes of the last ``count`` windows' mean vectors; parts x windows."""
    parts, n, components = vectors.shape
    tail = vectors[:, n - count * WINDOW :]
    means = tail.reshape(parts, count, WINDOW, components).mean(axis=2)
    sizes: FloatArray = np.sqrt(np.square(means).sum(axis=2))
    return sizes


def _worst_start(vectors: FloatArray) -> IntArray:
    """First sample of the window whose mean vector is greatest."""
    n = vectors.shape[1]
    starts = np.array([*range(0, max(1, n - WINDOW + 1), WINDOW), max(0, n - WINDOW)])
    total = np.cumsum(np.pad(vectors, ((0, 0), (1, 0), (0, 0))), axis=1)
    sums = total[:, np.minimum(starts + WINDOW, n)] - total[:, starts]
    worst: IntArray = starts[np.square(sums).sum(axis=2).argmax(axis=1)]
    return worst


def _window(vectors: FloatArray, begin: IntArray) -> FloatArray:
    at = begin[:, None] + np.arange(min(WINDOW, vectors.shape[1]))
    at = np.minimum(at, vectors.shape[1] - 1)
    window: FloatArray = np.take_along_axis(vectors, at[:, :, None], axis=1)
    return window


def _window_mean(vectors: FloatArray, begin: IntArray) -> FloatArray:
    mean: FloatArray = _window(vectors, begin).mean(axis=1)
    return mean


def _short(
    vectors: FloatArray, begin: IntArray, spectrum: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Type A of the worst window: the stage's noise, or the window's own scatter where that is more.

    Which window is worst is chosen by its own noise too. So the interval is the simultaneous one of all
    windows (Sidak), as a factor on u: it holds whichever of them is the worst in truth.
    """
    parts, n, _ = vectors.shape
    window = _window(vectors, begin)
    own = window.var(axis=1, ddof=1).sum(axis=1) if n > 1 else np.full(parts, np.nan)
    u = np.sqrt(np.maximum(spectrum, own) / window.shape[1])
    return u * _simultaneous(n), np.full(parts, _steady_dof(n))


@lru_cache(maxsize=64)
def _simultaneous(n: int) -> float:
    windows = max(1, n // WINDOW)
    return NormalDist().inv_cdf((1.0 + NINETY_FIVE ** (1.0 / windows)) / 2.0) / 2.0
