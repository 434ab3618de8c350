"""What a series can look like, each as a least-squares fit of many parts at once.

Rows are parts, columns the same times; a fit gives its curve and what it found. numpy only: whatever is
not linear (a time constant, a moment, a frequency) is searched on a grid, the rest solved for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from procedures.arrays import FloatArray, IntArray
from procedures.decay import FASTEST, GRID, SLOWEST

MOST_STEPS = 4
LEAST_CYCLES = 2.5  # fewer could be anything
LEAST_A_CYCLE = 4.0  # samples
OUTLIER = 5.0  # robust standard deviations above the usual level
LONGEST_BURST = 0.1  # of the series; longer is a step
LEAST_BURSTS = 2
MAD = 1.482602  # of a normal: standard deviation over median absolute deviation


@dataclass(frozen=True, slots=True)
class Fit:
    """One shape fitted to each row: ``curve`` parts x time, ``parameters`` that it cost, and figures
    that belong to it (one element per part; see each function)."""

    curve: FloatArray
    parameters: FloatArray
    first: FloatArray
    second: FloatArray


def flat(rows: FloatArray) -> Fit:
    """One level. Figures: the level, and 0."""
    parts = rows.shape[0]
    level = rows.mean(axis=1)
    return Fit(np.tile(level[:, None], rows.shape[1]), np.ones(parts), level, np.zeros(parts))


def curved(t: FloatArray, rows: FloatArray) -> Fit:
    """One exponential, or what looks like a straight line. Figures: change to come from first to last
    sample (negative falls), and the time constant."""
    since = t - t[0]
    taus = np.geomspace(FASTEST * since[-1], SLOWEST * since[-1], GRID)
    shapes = np.exp(-since / taus[:, None])
    shapes -= shapes.mean(axis=1, keepdims=True)
    norms = np.square(shapes).sum(axis=1)
    projected = rows @ shapes.T
    best = np.argmax(np.square(projected) / norms, axis=1)
    amplitude = projected[np.arange(len(rows)), best] / norms[best]
    curve = rows.mean(axis=1, keepdims=True) + amplitude[:, None] * shapes[best]
    change = curve[:, -1] - curve[:, 0]
    return Fit(curve, np.full(len(rows), 3.0), change, taus[best])


def stepped(rows: FloatArray, steps: int) -> Fit:
    """Levels with ``steps`` sudden changes, each the best one for what the earlier ones left, all
    heights then solved together. Figures: the largest change, and how many there are."""
    parts, n = rows.shape
    moments = np.zeros((parts, 0), np.int64)
    curve = np.tile(rows.mean(axis=1)[:, None], n)
    heights = np.zeros((parts, 1))
    for _ in range(steps):
        moments = np.column_stack([moments, _best_step(rows - curve)])
        curve, heights = _levels(rows, moments)
    largest = np.abs(heights[:, 1:]).max(axis=1) if steps else np.zeros(parts)
    return Fit(curve, np.full(parts, 1.0 + 2.0 * steps), largest, np.full(parts, float(steps)))


def swinging(t: FloatArray, rows: FloatArray) -> Fit:
    """A sine with its second harmonic. Figures: half its swing, and the period."""
    span = t[-1] - t[0]
    cycles = np.arange(LEAST_CYCLES, t.size / LEAST_A_CYCLE, 0.25)
    centred = rows - rows.mean(axis=1, keepdims=True)
    turns = 2.0 * math.pi * np.outer(cycles, (t - t[0]) / span)
    power = np.square(centred @ np.cos(turns).T) + np.square(centred @ np.sin(turns).T)
    best = cycles[np.argmax(power, axis=1)]
    angle = 2.0 * math.pi * best[:, None] * (t - t[0]) / span
    basis = [np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)]
    curve, _ = _solved(rows, np.stack([np.ones_like(angle), *basis], axis=2))
    swing = (curve.max(axis=1) - curve.min(axis=1)) / 2.0
    return Fit(curve, np.full(len(rows), 6.0), swing, span / best)


def bursting(rows: FloatArray) -> Fit:
    """One usual level, and short stretches far above it. Figures: the highest of them above the level,
    and how many there are (a single one is no pattern)."""
    middle = np.median(rows, axis=1, keepdims=True)
    below = np.where(rows <= middle, middle - rows, np.nan)
    scale = MAD * np.nanmedian(below, axis=1, keepdims=True)
    high = rows > middle + OUTLIER * np.maximum(scale, 1e-6)
    begins = high & ~np.pad(high, ((0, 0), (1, 0)))[:, :-1]
    count, share = begins.sum(axis=1), high.mean(axis=1)
    usual = np.where(high, np.nan, rows)
    level = np.nanmean(usual, axis=1, keepdims=True)
    curve = np.where(high, rows, level)
    short = (share <= LONGEST_BURST * count) & (count >= LEAST_BURSTS)
    cost = np.where(short, 1.0 + high.sum(axis=1) + count, np.inf)
    return Fit(curve, cost, (curve - level).max(axis=1), count.astype(np.float64))


def _best_step(residual: FloatArray) -> IntArray:
    """Where one step explains most: the last sample before it, by cumulative sums."""
    n = residual.shape[1]
    before = np.arange(1, n)
    total = np.cumsum(residual, axis=1)
    left = total[:, :-1]
    gain = np.square(left - total[:, -1:] * before / n) / (before * (n - before) / n)
    best: IntArray = np.argmax(gain, axis=1) + 1
    return best


def _levels(rows: FloatArray, moments: IntArray) -> tuple[FloatArray, FloatArray]:
    after = np.arange(rows.shape[1]) >= moments[:, :, None]
    basis = np.concatenate([np.ones((len(rows), 1, rows.shape[1])), after], axis=1)
    return _solved(rows, basis.transpose(0, 2, 1))


def _solved(rows: FloatArray, basis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of each row on its own basis (parts x time x columns): curve and coefficients."""
    inverse = np.linalg.pinv(basis)
    coefficients = np.einsum("pct,pt->pc", inverse, rows)
    return np.einsum("ptc,pc->pt", basis, coefficients), coefficients
