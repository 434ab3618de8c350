"""Type A uncertainty of a mean whose samples are correlated. Rows are parts, columns equal steps of time.

s/sqrt(n) holds for independent samples only (GUM, JCGM 100:2008, 4.2.7). The variance of a mean of n
correlated ones is S/n, where S is the sum of all autocovariances, that is the spectrum at frequency zero.
Here S is the mean of the squares of the B lowest cosine weights of the series (E. Lazarus, D. Lewis,
J. Stock, M. Watson, Journal of Business & Economic Statistics 36 (2018) 541, from memory), each divided
by the shape that a first-order autoregression with the observed correlation gives the spectrum there.
For independent normal samples it is exactly chi-square with B degrees of freedom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from procedures.arrays import FloatArray

WEIGHTS = 0.4  # B = 0.4·n^(2/3), the published choice between bias and degrees of freedom
LEAST_WEIGHTS = 2
MOST_POINTS = 400  # longer series are averaged in blocks first
CORNER = 0.5  # of the frequency at which a correlated spectrum has fallen to one half
STRONGEST = 0.97  # correlation from one sample to the next; a stronger one looks like a drift
STRONGEST_STEADY = 0.9  # a smooth swing of the part looks like this too, and is none of the noise
CUT = 3.0  # standard deviations
WITHIN_CUT = 0.973337  # variance of a standard normal that stays within them
SIGNIFICANT = 2.0  # lag-1 correlation counts as one above this many 1/sqrt(n)
MEDIAN_OF_CHI_SQUARE_1 = 0.454936  # chi-square, one degree of freedom


@dataclass(frozen=True, slots=True)
class TypeA:
    """One element per row: standard uncertainty of the row's mean in its unit, effective degrees of
    freedom, sample standard deviation, and correlation from one sample to the next."""

    u: FloatArray
    dof: FloatArray
    scatter: FloatArray
    correlation: FloatArray

    @property
    def independent(self) -> FloatArray:
        """How many independent samples would give the same: (scatter/u)²."""
        return np.square(self.scatter) / np.maximum(np.square(self.u), np.finfo(np.float64).tiny)


def type_a(rows: FloatArray) -> TypeA:
    """The uncertainty of each row's mean; NaN for fewer than 3 samples or a missing one."""
    parts, n = rows.shape
    if n < 3:
        nothing = np.full(parts, np.nan)
        return TypeA(nothing, nothing, nothing, nothing)
    scatter = rows.std(axis=1, ddof=1)
    correlation = np.clip(_unbiased(_autocorrelation(rows, 1), n), 0.0, STRONGEST)
    u, weights = _of_mean(_blocks(rows))
    return TypeA(u, weights, scatter, correlation)


def _of_mean(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainty of each row's mean, and the weights that it is known from."""
    n = rows.shape[1]
    lag_1, lag_2 = (_autocorrelation(rows, lag) for lag in (1, 2))
    most = _most_weights(n)
    weights = _used(lag_1, lag_2, n, most)
    powers = _powers(rows, most, np.clip(_unbiased(lag_1, n), 0.0, STRONGEST))
    used = np.arange(1, most + 1) <= weights[:, None]
    spectrum = np.where(used, powers, 0.0).sum(axis=1) / weights
    return np.sqrt(spectrum / n), weights


def _blocks(rows: FloatArray) -> FloatArray:
    """Means of equal blocks, so that a long soak is looked at as fast as a short one: what matters of
    the spectrum is at its low end, and stays. The oldest samples that fill no block are left out."""
    size = max(1, rows.shape[1] // MOST_POINTS)
    count = rows.shape[1] // size
    tail = rows[:, rows.shape[1] - count * size :]
    means: FloatArray = tail.reshape(len(rows), count, size).mean(axis=2)
    return means


def steady_spectrum(rows: FloatArray) -> FloatArray:
    """The spectrum at zero from differences of neighbours: what changes slowly (drying) or seldom
    (steps, bursts) isn't taken for noise, because the median of the differences does not see it.

    As a first-order autoregression: neighbours differ by 2v(1-r), every second one by 2v(1-r²), and the
    spectrum at zero is v(1+r)/(1-r). Unit² of the rows; NaN as ``type_a``.
    """
    if rows.shape[1] < 3:
        return np.full(rows.shape[0], np.nan)
    near, far = (_usual_square(rows[:, lag:] - rows[:, :-lag]) for lag in (1, 2))
    r = np.clip(far / np.where(near > 0.0, near, 1.0) - 1.0, 0.0, STRONGEST_STEADY)
    spectrum: FloatArray = near * (1.0 + r) / (2.0 * np.square(1.0 - r))
    return spectrum


def usual_scatter(rows: FloatArray) -> FloatArray:
    """Standard deviation of each row's noise by how neighbours differ; as if they were independent."""
    scatter: FloatArray = np.sqrt(_usual_square(np.diff(rows, axis=1)) / 2.0)
    return scatter


def _usual_square(differences: FloatArray) -> FloatArray:
    """Variance of each row about zero, without what is beyond ``CUT`` of what the median square says:
    nearly as sure as a mean square, and blind to what happens seldom."""
    square = np.square(differences)
    median = np.median(square, axis=1, keepdims=True) / MEDIAN_OF_CHI_SQUARE_1
    kept = square <= CUT**2 * median
    mean: FloatArray = np.where(kept, square, 0.0).sum(axis=1) / kept.sum(axis=1) / WITHIN_CUT
    return mean


def inflation(correlation: float, n: int) -> float:
    """Variance of a mean of ``n`` samples of a first-order autoregression, over s²/n: closed form of
    1 + 2·sum (1-k/n)·r^k (A. Zieba, Metrology and Measurement Systems 17 (2010) 3, from memory)."""
    r = correlation
    return (1.0 + r) / (1.0 - r) - 2.0 * r * (1.0 - r**n) / (n * (1.0 - r) ** 2)


def _most_weights(n: int) -> int:
    published = round(WEIGHTS * math.pow(n, 2.0 / 3.0))
    return max(LEAST_WEIGHTS, min(n - 1, published))


def _autocorrelation(rows: FloatArray, lag: int) -> FloatArray:
    """At one lag; 0 where nothing scatters."""
    centred = rows - rows.mean(axis=1, keepdims=True)
    variance = np.square(centred).sum(axis=1)
    together = (centred[:, lag:] * centred[:, :-lag]).sum(axis=1)
    correlation: FloatArray = together / np.where(variance > 0.0, variance, 1.0)
    return correlation


def _unbiased(correlation: FloatArray, n: int) -> FloatArray:
    """A mean taken from the same samples makes them look less correlated than they are: by (1+3r)/n
    (M. Kendall, Biometrika 41 (1954) 403, from memory)."""
    return correlation + (1.0 + 3.0 * correlation) / n


def _used(lag_1: FloatArray, lag_2: FloatArray, n: int, most: int) -> FloatArray:
    """How many weights lie where the spectrum is still flat. White noise of the meter on top of a slow
    one hides the slow one's correlation at lag 1, but not the ratio of lag 2 to lag 1."""
    counts = lag_1 > SIGNIFICANT / math.sqrt(n)
    ratio = np.where(counts, lag_2 / np.where(counts, lag_1, 1.0), 0.0)
    slowest = np.clip(np.maximum(_unbiased(lag_1, n), _unbiased(ratio, n)), 0.0, 0.99)
    flat = np.floor(CORNER * n * (1.0 - slowest) / math.pi)
    used: FloatArray = np.where(counts, np.clip(flat, LEAST_WEIGHTS, most), float(most))
    return used


def _powers(rows: FloatArray, count: int, correlation: FloatArray) -> FloatArray:
    """Squares of the ``count`` lowest cosine weights, brought to frequency zero; rows x count."""
    n = rows.shape[1]
    order = np.arange(1, count + 1)
    angle = math.pi * order / n
    cosines = np.cos(np.outer(np.arange(n) + 0.5, angle)) * math.sqrt(2.0 / n)
    r = correlation[:, None]
    shape = (1.0 + np.square(r) - 2.0 * r * np.cos(angle)) / np.square(1.0 - r)
    powers: FloatArray = np.square(rows @ cosines) * shape
    return powers
