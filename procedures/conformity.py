"""Decisions under uncertainty: guard bands, probability of conformity, risks of a wrong decision.

Source: JCGM 106:2012, 7 (probability of conformity), 8.3 (guard bands), 9.3 and 9.5 (specific and global
risks). An upper limit is what a leakage has; a lower one or both are there because the standard's own
examples have them. Values and limits in one unit; u is a *standard* uncertainty, U = 2u. Errors are
taken as normal. Arrays have one element per part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import Any, Literal, NamedTuple

import numpy as np

from procedures.arrays import FloatArray
from procedures.budget import Budget, Value, plain
from procedures.limited import RESISTOR
from procedures.uncertainty import (
    ACCURACY,
    CALIBRATION,
    DC,
    FIXTURE,
    NOISE,
    RESOLUTION,
    SUPPLY,
    TEMPERATURE,
)

NODES = 120  # of each piece of an integral: more changes nothing in the tenth digit
TAIL = 10.0  # standard deviations beyond which a normal prior is nothing
LARGEST = 1e6


@dataclass(frozen=True, slots=True)
class GuardRule:
    """A guard band w = ``share``·U between the limit and what is accepted. ``risk``: the most that a
    single pass at the edge may be wrong by, for a normal error."""

    name: str
    share: float
    source: str
    mark: Literal["S", "MEMORY"]

    @property
    def risk(self) -> float:
        """Specific consumer's risk of a value exactly at the guarded limit."""
        return 1.0 - NormalDist().cdf(2.0 * self.share)


GUARD_RULES: tuple[GuardRule, ...] = (
    GuardRule("simple acceptance", 0.0, "JCGM 106:2012 8.2", "MEMORY"),
    GuardRule("0.83 U", 0.83, "ISO 14253-1:2017, as quoted in ILAC-G8:09/2019", "S"),
    GuardRule("U", 1.0, "ILAC-G8:09/2019, as quoted", "S"),
    GuardRule("1.5 U", 1.5, "three sigma, ILAC-G8:09/2019, as quoted", "S"),
    GuardRule("3 U", 3.0, "six sigma, ILAC-G8:09/2019, as quoted", "S"),
)


class Tolerance(NamedTuple):
    """From ``lower`` to ``upper``, both included; infinite where there is no limit."""

    lower: float
    upper: float

    def guarded(self, w: float) -> Tolerance:
        """What is accepted: ``w`` inside each limit (JCGM 106:2012 8.3.2)."""
        return Tolerance(self.lower + w, self.upper - w)


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of parts before one is measured: a density from ``low`` to ``high``."""

    density: Callable[[FloatArray], FloatArray]
    low: float
    high: float


class Risks(NamedTuple):
    """Global risks, as shares of all parts (JCGM 106:2012 9.5): ``consumer`` accepted though outside
    the tolerance, ``producer`` rejected though inside; and the share ``accepted`` altogether."""

    consumer: float
    producer: float
    accepted: float


def share_for(risk: float) -> float:
    """The share r of U in w = r·U that holds a specific consumer's risk: z(1 - risk)/2."""
    return NormalDist().inv_cdf(1.0 - risk) / 2.0


def conformity(y: Value, u: Value, within: Tolerance) -> Value:
    """Probability that the true value is within the tolerance, JCGM 106:2012 7.2 to 7.4.

    Nothing is known of parts before: the measurement alone tells. Without uncertainty it is 1 or 0.
    """
    return _between(y, u, within)


def acceptance(truth: Value, u: Value, within: Tolerance) -> Value:
    """Probability that a part truly at ``truth`` reads within: what passes, or passes falsely."""
    return _between(truth, u, within)


def normal_prior(mean: float, deviation: float) -> Prior:
    """Parts scattered normally."""
    law = NormalDist(mean, deviation)
    peak = law.pdf(mean)

    def density(x: FloatArray) -> FloatArray:
        shape: FloatArray = peak * np.exp(-0.5 * np.square((x - mean) / deviation))
        return shape

    return Prior(density, mean - TAIL * deviation, mean + TAIL * deviation)


def lognormal_prior(median: float, spread: float) -> Prior:
    """Parts scattered by factors, never below zero: two thirds within ``spread`` times of ``median``."""
    width = math.log(spread)

    def density(x: FloatArray) -> FloatArray:
        z = (np.log(x) - math.log(median)) / width
        shape: FloatArray = np.exp(-0.5 * np.square(z)) / (x * width * math.sqrt(2.0 * math.pi))
        return shape

    low, high = (median * math.exp(side * TAIL * width) for side in (-1.0, 1.0))
    return Prior(density, low, min(high, LARGEST * median))


def global_risks(prior: Prior, u: float, tolerance: Tolerance, accepted: Tolerance) -> Risks:
    """Risks of the shop's whole stream of parts, JCGM 106:2012 9.5.2 and 9.5.3, by quadrature.

    The prior is cut at the limits and around each edge of acceptance, where the integrand is steep.
    """
    pieces = list(pairwise(_edges(prior, u, tolerance, accepted)))
    inside = [tolerance.lower <= (a + b) / 2.0 <= tolerance.upper for a, b in pieces]

    def passes(x: FloatArray) -> FloatArray:
        return np.asarray(prior.density(x) * _between(x, u, accepted))

    shares = [_integral(passes, a, b) for a, b in pieces]
    masses = [_integral(prior.density, a, b) for a, b in pieces]
    consumer = sum(s for s, good in zip(shares, inside, strict=True) if not good)
    producer = sum(m - s for m, s, good in zip(masses, shares, inside, strict=True) if good)
    return Risks(consumer, producer, sum(shares))


# ---- what would settle an open verdict ---------------------------------------------------------------

REMEDIES: Mapping[str, str] = {  # input of a budget: what makes its uncertainty smaller
    ACCURACY: "a leakage meter with a better accuracy statement",
    CALIBRATION: "a leakage meter with a better calibration",
    TEMPERATURE: "a leakage meter with its temperature coefficient stated and small",
    RESOLUTION: "a leakage meter with more digits (or its resolution stated)",
    NOISE: "more samples: a longer soak",
    FIXTURE: "a leakage meter with a smaller error at zero, or the bench proved again",
    SUPPLY: "a better supply voltmeter",
    DC: "a better DC leakage meter",
    RESISTOR: "a limiting resistor with a closer tolerance",
}


def would_settle(budget: Budget, pass_ma: float, share: float) -> str:
    """What would settle a figure that is too close to call, in words, from its budget.

    Below the limit a smaller U would: the greatest contribution says which remedy, and whether it is
    enough alone. At or above the limit no U would make it a pass: only another limit or the part.
    """
    room_ma = pass_ma - float(budget.y)
    if room_ma <= 0.0:
        return "no smaller uncertainty can make it a pass: change the part and retest"
    greatest = budget.greatest()
    remedy = REMEDIES.get(greatest.name, greatest.name)
    most_u = room_ma / (share * float(budget.k))
    rest = float(budget.u) ** 2 - float(greatest.contribution) ** 2
    if rest > most_u**2:
        return f"{remedy}, and more: U must come down to {room_ma / share:.3f} mA"
    allowed = math.sqrt(most_u**2 - rest) / abs(float(greatest.contribution))
    return remedy + _how_much(greatest.name, allowed)


def _how_much(name: str, allowed: float) -> str:
    """``allowed`` is the share of the present contribution that may remain."""
    if name == NOISE:
        return f" ({1.0 / max(allowed, 1e-3) ** 2:.0f} times as many)"
    return f" (at most {100.0 * allowed:.0f} % of the present contribution)"


# ---- normal distribution -----------------------------------------------------------------------------

_erfc = np.frompyfunc(math.erfc, 1, 1)


def _between(x: Value, u: Value, within: Tolerance) -> Value:
    """Normal probability from the tolerance's lower to its upper limit. NaN stays NaN."""
    return plain(1.0 - _tail(within.upper, x, u) - _tail(x, within.lower, u))


def _tail(high: Any, low: Any, u: Value) -> FloatArray:
    """Normal probability of more than ``high - low``; a step where u is 0."""
    distance, width = np.broadcast_arrays(np.asarray(high - low, np.float64), np.asarray(u))
    with np.errstate(divide="ignore", invalid="ignore"):
        z = distance / width
    z = np.where((width == 0.0) & (distance == 0.0), np.inf, z)
    return np.asarray(0.5 * _erfc(z / math.sqrt(2.0)), np.float64)


def _edges(prior: Prior, u: float, tolerance: Tolerance, accepted: Tolerance) -> list[float]:
    steep = [edge + side * TAIL * u for edge in accepted for side in (-1.0, 0.0, 1.0)]
    cuts = {*tolerance, *steep, prior.low, prior.high}
    span = np.linspace(prior.low, prior.high, 9)
    return sorted(c for c in (*cuts, *map(float, span)) if prior.low <= c <= prior.high)


_AT, _WEIGHT = np.polynomial.legendre.leggauss(NODES)


def _integral(f: Callable[[FloatArray], FloatArray], a: float, b: float) -> float:
    """Gauss-Legendre; exact to the last digits for what is smooth within the piece."""
    half = (b - a) / 2.0
    return float(half * np.sum(_WEIGHT * f((a + b) / 2.0 + half * _AT))) if half > 0.0 else 0.0
