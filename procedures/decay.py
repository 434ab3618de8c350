"""One exponential towards a plateau, by least squares: y = asymptote + amplitude·exp(-(t-t0)/tau).

For a given tau the other two are a straight-line fit, so only tau is searched: a grid in log tau,
then a golden-section search inside the best cell. numpy only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from procedures.arrays import FloatArray
from procedures.noise import steady_spectrum

FASTEST = 0.01  # tau searched, as fractions of the length of the series
SLOWEST = 3.0  # beyond it the curve is straight within any realistic noise
GRID = 60
BLOCKS = 240  # longer series are averaged in blocks first: no information lost, cheap at every scan
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True, slots=True)
class Decay:
    """The fit. ``amplitude`` is positive when falling. Standard uncertainties from the residuals:
    ``asymptote_u``, and ``mean_u`` of a mean of the whole series. ``bends`` is false where no plateau
    can be told from a straight line."""

    asymptote: float
    amplitude: float
    tau_s: float
    asymptote_u: float
    mean_u: float
    bends: bool


def fit_decay(t: FloatArray, y: FloatArray) -> Decay | None:
    """Fit one series, 1-D, times in order. None for fewer than 5 samples, no time span, or NaN."""
    span = float(t[-1] - t[0]) if t.size else 0.0
    if t.size < 5 or span <= 0.0 or not bool(np.all(np.isfinite(y))):
        return None
    since, means = _blocks(t - t[0], y)
    grid = np.geomspace(FASTEST * span, SLOWEST * span, GRID)
    best = int(np.argmin(_residuals(since, means, grid)))
    tau = _refined(since, means, grid[max(0, best - 1)], grid[min(GRID - 1, best + 1)])
    asymptote, amplitude = (float(v[0]) for v in _lines(since, means, np.array([tau])))
    asymptote_u, mean_u = _uncertainties(since, means, tau, amplitude)
    bends = best < GRID - 1 and 3.0 * asymptote_u < abs(amplitude)
    return Decay(asymptote, amplitude, tau, asymptote_u, mean_u, bends)


def _blocks(since: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of equal blocks; an incomplete first block is dropped rather than weighted."""
    size = max(1, since.size // BLOCKS)
    count = since.size // size
    times, values = (a[-count * size :].reshape(count, size).mean(axis=1) for a in (since, y))
    return times, values


def _lines(since: FloatArray, y: FloatArray, taus: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Best asymptote and amplitude for each tau, by centred least squares."""
    shape = np.exp(-since / taus[:, None])
    centred = shape - shape.mean(axis=1, keepdims=True)
    amplitude = centred @ (y - y.mean()) / np.square(centred).sum(axis=1)
    return y.mean() - amplitude * shape.mean(axis=1), amplitude


def _residuals(since: FloatArray, y: FloatArray, taus: FloatArray) -> FloatArray:
    """Sum of squared residuals at the best asymptote and amplitude for each tau."""
    residuals: FloatArray = np.square(y - _fitted(since, y, taus)).sum(axis=1)
    return residuals


def _fitted(since: FloatArray, y: FloatArray, taus: FloatArray) -> FloatArray:
    """The best curve for each tau; taus x time."""
    asymptote, amplitude = _lines(since, y, taus)
    fitted: FloatArray = asymptote[:, None] + amplitude[:, None] * np.exp(-since / taus[:, None])
    return fitted


def _refined(since: FloatArray, y: FloatArray, low: float, high: float) -> float:
    """Golden-section search in log tau between the neighbours of the best grid point."""
    a, b = math.log(low), math.log(high)
    for _ in range(25):
        c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
        left, right = _residuals(since, y, np.exp(np.array([c, d])))
        a, b = (a, d) if left < right else (c, b)
    return math.exp((a + b) / 2.0)


def _uncertainties(
    since: FloatArray, y: FloatArray, tau: float, amplitude: float
) -> tuple[float, float]:
    """Standard uncertainty of the asymptote, tau fitted too: s²·inv(J'J), and s/sqrt(n).

    Noise that remembers makes both larger: s² then stands for its spectrum at zero, which is more.
    """
    shape = np.exp(-since / tau)
    jacobian = np.stack([np.ones_like(shape), shape, amplitude * since * shape / tau])
    left = y - _fitted(since, y, np.array([tau]))[0]
    variance = float(left @ left) / (since.size - 3)
    variance = max(variance, float(steady_spectrum(left[None])[0]))
    covariance = np.linalg.pinv(jacobian @ jacobian.T) * variance
    return math.sqrt(abs(covariance[0, 0])), math.sqrt(variance / since.size)
