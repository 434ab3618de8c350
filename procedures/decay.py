"""One exponential towards a plateau, by least squares: y = asymptote + amplitude·exp(-(t-t0)/tau).

For a given tau the other two are a straight-line fit, so only tau is searched: a grid in log tau,
then a golden-section search inside the best cell. numpy only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from procedures.arrays import FloatArray

FASTEST = 0.01  # tau searched, as fractions of the length of the series
SLOWEST = 3.0  # beyond it the curve is straight within any realistic noise
GRID = 60
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True, slots=True)
class Decay:
    """The fit. ``amplitude`` is positive when falling. ``_u`` are standard uncertainties from the
    residuals; ``bends`` is false where no plateau can be told from a straight line."""

    asymptote: float
    amplitude: float
    tau_s: float
    asymptote_u: float
    amplitude_u: float
    bends: bool


def fit_decay(t: FloatArray, y: FloatArray) -> Decay | None:
    """Fit one series, 1-D, times in order. None for fewer than 5 samples, no time span, or NaN."""
    span = float(t[-1] - t[0]) if t.size else 0.0
    if t.size < 5 or span <= 0.0 or not bool(np.all(np.isfinite(y))):
        return None
    since = t - t[0]
    grid = np.geomspace(FASTEST * span, SLOWEST * span, GRID)
    best = int(np.argmin([_residual(since, y, tau) for tau in grid]))
    inside = 0 < best < GRID - 1
    tau = _refined(since, y, grid[best - 1], grid[best + 1]) if inside else float(grid[best])
    asymptote, amplitude = _line(since, y, tau)
    asymptote_u, amplitude_u = _uncertainties(since, y, tau, (asymptote, amplitude))
    return Decay(asymptote, amplitude, tau, asymptote_u, amplitude_u, bends=best < GRID - 1)


def _line(since: FloatArray, y: FloatArray, tau: float) -> tuple[float, float]:
    """Asymptote and amplitude for a given tau, by centred least squares."""
    shape = np.exp(-since / tau)
    centred = shape - shape.mean()
    amplitude = float(centred @ (y - y.mean())) / float(centred @ centred)
    return float(y.mean() - amplitude * shape.mean()), amplitude


def _residual(since: FloatArray, y: FloatArray, tau: float) -> float:
    """Sum of squared residuals at the best asymptote and amplitude."""
    asymptote, amplitude = _line(since, y, tau)
    left = y - asymptote - amplitude * np.exp(-since / tau)
    return float(left @ left)


def _refined(since: FloatArray, y: FloatArray, low: float, high: float) -> float:
    """Golden-section search in log tau between two grid neighbours of the best cell."""
    a, b = math.log(low), math.log(high)
    for _ in range(40):
        c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
        if _residual(since, y, math.exp(c)) < _residual(since, y, math.exp(d)):
            b = d
        else:
            a = c
    return math.exp((a + b) / 2.0)


def _uncertainties(
    since: FloatArray, y: FloatArray, tau: float, fitted: tuple[float, float]
) -> tuple[float, float]:
    """Standard uncertainties of asymptote and amplitude, tau fitted too: s²·inv(J'J)."""
    shape = np.exp(-since / tau)
    jacobian = np.stack([np.ones_like(shape), shape, fitted[1] * since * shape / tau])
    variance = _residual(since, y, tau) / (since.size - 3)
    covariance = np.linalg.pinv(jacobian @ jacobian.T) * variance
    return math.sqrt(abs(covariance[0, 0])), math.sqrt(abs(covariance[1, 1]))
