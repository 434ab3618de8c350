"""What kind of course a leakage takes: steady, drying, rising, stepping, bursts, periodic, or don't know.

Each shape of ``shapes.py`` is fitted; the one with the least Bayesian information criterion (G. Schwarz,
Annals of Statistics 6 (1978) 461) is named if it beats no change and every other kind by a clear margin
(2·ln of the Bayes factor: R. Kass, A. Raftery, JASA 90 (1995) 773, 6 is strong, 10 very strong) and what
it leaves over looks like noise. Otherwise nothing is named. Sources from memory. Times in s, mA.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from procedures.arrays import BoolArray, FloatArray, IntArray
from procedures.noise import usual_scatter
from procedures.series import checked
from procedures.shapes import MOST_STEPS, Fit, bursting, curved, flat, stepped, swinging

Kind = Literal["steady", "drying", "rising", "stepping", "bursts", "periodic", "don't know"]
KINDS: tuple[Kind, ...] = (
    "steady",
    "drying",
    "rising",
    "stepping",
    "bursts",
    "periodic",
    "don't know",
)
STEADY, DRYING, RISING, STEPPING, BURSTS, PERIODIC, UNKNOWN = range(len(KINDS))
LEAST = 30  # fewer samples show no course
MATTERS_MA = (
    0.02  # a smaller change is none: a fiftieth of the difference between pass and fail limit
)
OVER_STEADY, OVER_OTHERS = 10.0, 6.0
LEFT_OVER = 4.0  # variance of what a fit leaves, over that of the noise between neighbours
ERRATIC_MA = 0.05  # shop rule (P): readings that scatter more than this are not called steady
RESOLUTION_MA = 1e-4  # noise below this is the meter's last digit

WORDS: Mapping[Kind, str] = {
    "steady": "steady",
    "drying": "falls by {size:.2f} mA, time constant {scale:.0f} s",
    "rising": "rises by {size:.2f} mA, time constant {scale:.0f} s",
    "stepping": "{scale:.0f} sudden change(s), the largest {size:.2f} mA",
    "bursts": "{scale:.0f} bursts, the highest {size:.2f} mA above the rest",
    "periodic": "swings by {size:.2f} mA about its mean every {scale:.0f} s",
    "don't know": "no course that the readings clearly show",
}


@dataclass(frozen=True, slots=True)
class Trend:
    """One part. ``size_ma`` and ``scale`` as ``WORDS`` says; ``margin`` is how far the named kind's
    criterion beats the next one's (0 where nothing is named)."""

    kind: Kind
    size_ma: float
    scale: float
    margin: float

    @property
    def words(self) -> str:
        """The course in words, with its figures."""
        return WORDS[self.kind].format(size=self.size_ma, scale=self.scale)


@dataclass(frozen=True, slots=True)
class Trends:
    """As Trend, one element per part; ``code`` indexes KINDS."""

    code: IntArray
    size_ma: FloatArray
    scale: FloatArray
    margin: FloatArray


def trend_of(t_s: npt.ArrayLike, y: npt.ArrayLike) -> Trend:
    """One part's course. Raises BadSeries where times and values don't belong together."""
    if np.size(y) == 0:
        return Trend("don't know", math.nan, math.nan, 0.0)
    many = trends_of(t_s, y)
    kind = KINDS[int(many.code[0])]
    return Trend(kind, float(many.size_ma[0]), float(many.scale[0]), float(many.margin[0]))


def trends_of(t_s: npt.ArrayLike, y: npt.ArrayLike) -> Trends:
    """Each part's course, parts x time. Too few samples, or a missing one: don't know.

    Raises BadSeries where times and values don't belong together.
    """
    t, rows = checked(t_s, y)
    parts = len(rows)
    if t.size < LEAST or t[-1] <= t[0]:
        nothing = np.full(parts, np.nan)
        return Trends(np.full(parts, UNKNOWN), nothing, nothing, np.zeros(parts))
    complete = np.asarray(np.isfinite(rows).all(axis=1), np.bool_)
    fits = _fits(t, np.where(complete[:, None], rows, 0.0))
    return _named(np.where(complete[:, None], rows, 0.0), fits, complete)


def _fits(t: FloatArray, rows: FloatArray) -> list[tuple[int, Fit]]:
    """Every shape; a curve's direction says later whether it dries or rises."""
    steps = [(STEPPING, stepped(rows, n)) for n in range(1, MOST_STEPS + 1)]
    others = [(BURSTS, bursting(rows)), (PERIODIC, swinging(t, rows))]
    return [(STEADY, flat(rows)), (DRYING, curved(t, rows)), *steps, *others]


def _named(rows: FloatArray, fits: Sequence[tuple[int, Fit]], complete: BoolArray) -> Trends:
    codes = np.array([code for code, _ in fits])
    score = _criteria(rows, [fit for _, fit in fits])
    best, row = np.argmin(score, axis=1), np.arange(len(rows))
    size, scale, curves = (
        np.stack([getattr(fit, name) for _, fit in fits], axis=1)[row, best]
        for name in ("first", "second", "curve")
    )
    named = codes[best]
    rival = np.where((codes == named[:, None]) | (codes == STEADY), np.inf, score).min(axis=1)
    margin = rival - score[row, best]
    small = curves.max(axis=1) - curves.min(axis=1) < MATTERS_MA
    steady = (named == STEADY) | small | (score[:, 0] - score[row, best] < OVER_STEADY)
    calm = rows.std(axis=1) <= ERRATIC_MA
    clear = np.where(steady, calm, margin >= OVER_OTHERS) & _left_as_noise(rows, curves)
    named = np.where((named == DRYING) & (size > 0.0), RISING, named)
    code = np.where(complete & clear, np.where(steady, STEADY, named), UNKNOWN)
    return Trends(code, np.abs(size), scale, np.where(code == named, margin, 0.0))


def _criteria(rows: FloatArray, fits: Sequence[Fit]) -> FloatArray:
    """n·ln(mean square left over) + parameters·ln(n), parts x fits; n as many as are independent."""
    n = rows.shape[1]
    left = np.stack([rows - fit.curve for fit in fits], axis=1)
    square = np.square(left).mean(axis=2)
    cost = np.stack([fit.parameters for fit in fits], axis=1)
    finest = np.argmin(np.where(np.isfinite(cost), square, np.inf), axis=1)
    r = _neighbours(left[np.arange(len(rows)), finest])
    independent = np.maximum(n * (1.0 - r) / (1.0 + r), 2.0)[:, None]
    score: FloatArray = independent * np.log(square + RESOLUTION_MA**2) + cost * np.log(independent)
    return score


def _neighbours(left: FloatArray) -> FloatArray:
    """Correlation of neighbours in what a fit leaves over, 0 to 0.8."""
    square = np.square(left).sum(axis=1)
    together = (left[:, 1:] * left[:, :-1]).sum(axis=1)
    correlation: FloatArray = np.clip(together / np.where(square > 0.0, square, 1.0), 0.0, 0.8)
    return correlation


def _left_as_noise(rows: FloatArray, curves: FloatArray) -> BoolArray:
    """Whether what is left over is no more than neighbours differ by anyway."""
    left = np.square(rows - curves).mean(axis=1)
    noise = np.square(usual_scatter(rows)) + RESOLUTION_MA**2
    as_noise: BoolArray = left <= LEFT_OVER * noise + (MATTERS_MA / 4.0) ** 2
    return as_noise
