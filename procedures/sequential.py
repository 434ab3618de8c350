"""Looking more than once: boundaries that keep the chance of a wrong call over all looks together.

Whoever looks at a growing mean again and again and stops at the first favourable look is wrong more
often than one look is. The error is spent over the information gathered (1/u² of the mean, so that
autocorrelation is in it): K. Lan, D. DeMets, Biometrika 70 (1983) 659, by a function of O'Brien-Fleming
type; crossing probabilities by recursive integration: P. Armitage, C. McPherson, B. Rowe, JRSS A 132
(1969) 235; constants to compare with: C. Jennison, B. Turnbull, Group Sequential Methods (2000). All
from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from procedures.arrays import FloatArray
from procedures.budget import Value, plain
from procedures.errors import BadSeries

NORMAL = NormalDist()
ERROR = 0.0455  # two-sided: what k = 2 leaves outside (GUM 6.2.3, G.1.3)
REACH = 8.0  # standard deviations: the widest bound
COVERED = 5.5  # standard deviations that the integration covers; 4e-8 lies outside
MOST_EXPONENT = 100.0  # e^100: as good as infinite, and no overflow
NOTHING = 1e-9  # an error this small is not worth a look
STEP = 0.4  # its grid, in standard deviations of the next increment
HALVINGS = 44


def crossings(bounds: Sequence[float], information: Sequence[float]) -> list[float]:
    """Probability of leaving ±bound for the first time at each look, without any drift.

    ``bounds`` for the standardised mean z = B(I)/sqrt(I); ``information`` rises. Raises BadSeries.
    """
    _check(information)
    state = _Walk(information)
    return [state.leave(bound, look) for look, bound in enumerate(bounds)]


def obrien_fleming(looks: int, error: float = 0.05) -> list[float]:
    """Equal looks: bound C·sqrt(K/k) with the constant that spends ``error``, two-sided."""
    return _constant(looks, error, lambda c, k: c * math.sqrt(looks / k))


def pocock(looks: int, error: float = 0.05) -> list[float]:
    """Equal looks, the same bound at each."""
    return _constant(looks, error, lambda c, k: c)


def spent(share: float, error: float = ERROR) -> float:
    """Error spent when ``share`` of the information is there; on each side half of it, by
    2 - 2·Phi(z/sqrt(share))."""
    if share <= 0.0:
        return 0.0
    z = NORMAL.inv_cdf(1.0 - error / 4.0)
    return 2.0 * math.erfc(z / math.sqrt(2.0 * min(1.0, share)))


@lru_cache(maxsize=64)
def spending_bounds(shares: tuple[float, ...], error: float = ERROR) -> tuple[float, ...]:
    """Bounds for looks at these shares (rising, the last 1) of the planned information: each look
    spends what ``spent`` has come to. A bound that nothing is left for is infinite. Raises BadSeries."""
    _check(shares)
    state, before, bounds = _Walk(shares), 0.0, []
    for look, share in enumerate(shares):
        left = spent(share, error) - before
        bounds.append(state.bound_for(left, look) if left > NOTHING else math.inf)
        if math.isfinite(bounds[-1]):
            state.leave(bounds[-1], look)
            before += left
    return tuple(bounds)


def type_a_factor(bound: float, dof: Value) -> Value:
    """What a standard uncertainty with ``dof`` counts for where ``bound`` stands in place of 2.

    A bound of so many standard deviations is a tail probability; where these are known from few degrees
    of freedom, Student's t reaches it much further out. A budget's own coverage factor is for 2.
    """
    factor = np.maximum(_student(bound, dof) / _student(2.0, dof), 1.0)
    return plain(factor)


def _student(z: float, dof: Value) -> FloatArray:
    """Student's t of the same tail as ``z`` of the normal; never much less, more for very few degrees
    of freedom (D. Wallace, Annals of Mathematical Statistics 30 (1959) 1124, from memory)."""
    nu = np.minimum(np.asarray(dof, np.float64), 1e6)
    stretched = z * (8.0 * nu + 3.0) / (8.0 * nu + 1.0)
    student: FloatArray = np.sqrt(nu * np.expm1(np.minimum(stretched**2 / nu, MOST_EXPONENT)))
    return student


def _check(information: Sequence[float]) -> None:
    if not information or information[0] <= 0.0 or bool(np.any(np.diff(information) <= 0.0)):
        raise BadSeries("looks", f"information {information}", "it must rise from look to look")


def _constant(looks: int, error: float, bound: Callable[[float, int], float]) -> list[float]:
    """The c for which the bounds spend ``error`` in all, by halving."""
    low, high = 0.5, 8.0
    information = [float(k) for k in range(1, looks + 1)]
    for _ in range(HALVINGS):
        c = 0.5 * (low + high)
        total = sum(crossings([bound(c, k) for k in range(1, looks + 1)], information))
        low, high = (c, high) if total > error else (low, c)
    return [bound(high, k) for k in range(1, looks + 1)]


class _Walk:
    """Density of the walk B(I) (variance I) among those that never left: on a grid, look by look."""

    def __init__(self, information: Sequence[float]) -> None:
        self.information = [0.0, *(float(i) for i in information)]
        self.reached = 0  # index of the information at which the density holds
        self.at: FloatArray = np.zeros(1)
        self.mass: FloatArray = np.ones(1)  # at information 0: all at zero

    def outside(self, bound: float, look: int) -> float:
        """Probability of being outside ±bound at this look, having never left before."""
        edge, spread = bound * math.sqrt(self.information[look + 1]), self._spread(look + 1)
        beyond = _tail((edge - self.at) / spread) + _tail((edge + self.at) / spread)
        return float(beyond @ self.mass)

    def bound_for(self, error: float, look: int) -> float:
        """The bound that leaves ``error`` outside at this look; infinite where none does."""
        low, high = 0.0, REACH
        if self.outside(high, look) >= error:
            return math.inf
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            more = self.outside(middle, look) > error
            low, high = (middle, high) if more else (low, middle)
        return high

    def leave(self, bound: float, look: int) -> float:
        """Take away those outside ±bound; the probability of that. The rest walks on."""
        gone, spread = self.outside(bound, look), self._spread(look + 1)
        edge = min(bound, COVERED) * math.sqrt(self.information[look + 1])
        at, weight = _simpson(edge, STEP * self._next_spread(look + 1))
        density = np.exp(-0.5 * np.square((at[:, None] - self.at) / spread))
        density /= spread * math.sqrt(2.0 * math.pi)
        self.at, self.mass, self.reached = at, weight * (density @ self.mass), look + 1
        return gone

    def _spread(self, to: int) -> float:
        return math.sqrt(self.information[to] - self.information[self.reached])

    def _next_spread(self, here: int) -> float:
        """What this grid will be integrated against: the narrower it is, the finer the grid."""
        beyond = min(here + 1, len(self.information) - 1)
        step = self.information[beyond] - self.information[beyond - 1]
        return math.sqrt(step)


def _tail(z: FloatArray) -> FloatArray:
    """Probability above z (complementary error function, element by element)."""
    return np.array([0.5 * math.erfc(value) for value in z / math.sqrt(2.0)])


def _simpson(edge: float, step: float) -> tuple[FloatArray, FloatArray]:
    """Points and weights of Simpson's rule over ±edge, no further apart than ``step``."""
    count = 2 * max(2, math.ceil(edge / step)) + 1
    at = np.linspace(-edge, edge, count)
    weight = np.where(np.arange(count) % 2 == 1, 4.0, 2.0)
    weight[[0, -1]] = 1.0
    weight *= 2.0 * edge / (count - 1) / 3.0
    return at, weight
