"""Parts that run together on one protective device: vectors summed, the worst combination found.

Each part's leakage is a vector against its own line to neutral, mA at nominal voltage: in phase
(resistive) and leading (capacitive). A part on leg 2 sees the opposite voltage, so its vector counts
with the opposite sign: leaks on opposite legs cancel, and unplugging one can cause a trip (derived from
120-0-120 V). A part between the legs leaks towards the leg it is nearer to; how it is connected at the
spa is not known, so the worse way round counts. Kirchhoff's current law is all there is to it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import numpy.typing as npt

from procedures.arrays import FloatArray
from procedures.errors import ProcedureError
from procedures.trip import Device, trip_chance

Leg = Literal["1", "2", "both"]
LEGS: tuple[Leg, ...] = ("1", "2", "both")
MOST_PARTS = 12  # 3^12 combinations at the most: half a million
HIGH_SUPPLY = 1.1  # 110 % of nominal, the range end that trips are judged at besides nominal
HIDES_MA = 0.2  # less than this gained by taking one away is not called hiding (P)


@dataclass(frozen=True, slots=True)
class Load:
    """One part: its leakage vector at nominal voltage on its own line, U expanded (k = 2), in mA.

    ``leg`` it is connected to. ``always``: it can't be switched off alone, like a plugged-in converter.
    """

    name: str
    resistive_ma: float
    capacitive_ma: float
    u_ma: float
    leg: Leg = "1"
    always: bool = False


@dataclass(frozen=True, slots=True)
class Combination:
    """Loads that run at once (by name), their summed vector and magnitude, and the chance of a trip.
    ``turned``: those of them whose vector counts with the opposite sign."""

    running: tuple[str, ...]
    turned: tuple[str, ...]
    resistive_ma: float
    capacitive_ma: float
    magnitude_ma: float
    u_ma: float
    chance: float


@dataclass(frozen=True, slots=True)
class Pair:
    """Two loads that hide one another: together less than the larger one alone, by ``hidden_ma``."""

    names: tuple[str, str]
    together_ma: float
    larger_alone_ma: float

    @property
    def hidden_ma(self) -> float:
        """What comes to light when the smaller one is unplugged."""
        return self.larger_alone_ma - self.together_ma


@dataclass(frozen=True, slots=True)
class Replacement:
    """The worst combination's chance of a trip once ``name`` leaks nothing any more."""

    name: str
    chance: float
    magnitude_ma: float


@dataclass(frozen=True, slots=True)
class Together:
    """Everything on, the worst that can run at once, each at one supply voltage (1.0: nominal)."""

    supply: float
    all_on: Combination
    worst: Combination
    replacements: tuple[Replacement, ...]  # the one that helps most first
    hiding: tuple[Pair, ...]  # the one that hides most first


def together(
    loads: Sequence[Load],
    device: Device | None = None,
    *,
    supply: float = 1.0,
    correlation: float = 1.0,
) -> Together:
    """Sum, search every switching combination, and find what to replace.

    ``correlation`` of the parts' errors: 1 where one meter measured all (the cautious default), 0 for
    different meters. Raises ProcedureError for loads that can't be.
    """
    _check(loads, supply, correlation)
    device = device or Device()
    found = _Search(tuple(loads), device, supply, correlation)
    worst = found.worst(frozenset())
    return Together(
        supply,
        found.all_on(),
        worst,
        _replacements(found, worst),
        _hiding(loads, supply),
    )


def combined_u(u_ma: npt.ArrayLike, correlation: float) -> FloatArray:
    """Expanded uncertainty of a sum along the last axis: sqrt((1-r)·sum U² + r·(sum U)²).

    Source: GUM (JCGM 100:2008) 5.2.2, equation 16, one correlation coefficient r for all pairs.
    Opposite signs would let common errors cancel; that is not counted on.
    """
    u = np.asarray(u_ma, np.float64)
    squares, sums = np.square(u).sum(axis=-1), u.sum(axis=-1)
    total: FloatArray = np.sqrt((1.0 - correlation) * squares + correlation * np.square(sums))
    return total


@dataclass(frozen=True, slots=True)
class _Search:
    """All combinations of one set of loads. Each load has factors: 0 off, +1 or -1 by its leg."""

    loads: tuple[Load, ...]
    device: Device
    supply: float
    correlation: float

    def all_on(self) -> Combination:
        """Everything runs; parts between the legs the worse way round."""
        return self._most([_ways(load, off=False) for load in self.loads])

    def worst(self, gone: frozenset[str]) -> Combination:
        """The combination with the greatest chance of a trip, then current, without those gone."""
        factors = [
            np.zeros(1) if load.name in gone else _ways(load, off=not load.always)
            for load in self.loads
        ]
        return self._most(factors)

    def _most(self, factors: Sequence[FloatArray]) -> Combination:
        signs = np.array(np.meshgrid(*factors, indexing="ij")).reshape(len(factors), -1).T
        res = signs @ np.array([load.resistive_ma for load in self.loads]) * self.supply
        cap = signs @ np.array([load.capacitive_ma for load in self.loads]) * self.supply
        u = np.array([load.u_ma for load in self.loads]) * self.supply
        spread = combined_u(np.abs(signs) * u, self.correlation)
        size = np.hypot(res, cap)
        chance = trip_chance(_rice_mean(size, spread), spread, self.device)
        most = int(np.lexsort((np.abs(signs).sum(axis=1), np.round(size, 9), chance))[-1])
        signed = tuple(zip((load.name for load in self.loads), signs[most], strict=True))
        running = tuple(name for name, sign in signed if sign)
        turned = tuple(name for name, sign in signed if sign < 0.0)
        numbers = (res[most], cap[most], size[most], spread[most], chance[most])
        return Combination(running, turned, *(float(number) for number in numbers))


def _rice_mean(size: FloatArray, u: FloatArray) -> FloatArray:
    """Mean length of a vector whose components scatter by U/2: sqrt(size² + s²), to second order
    (Rice distribution, from memory); near a threshold of milliamps the difference is microamps."""
    mean: FloatArray = np.sqrt(np.square(size) + np.square(u / 2.0))
    return mean


def _ways(load: Load, off: bool) -> FloatArray:
    """The factors that a load may have."""
    ways: dict[Leg, tuple[float, ...]] = {"1": (1.0,), "2": (-1.0,), "both": (1.0, -1.0)}
    return np.array([*((0.0,) if off else ()), *ways[load.leg]])


def _replacements(found: _Search, worst: Combination) -> tuple[Replacement, ...]:
    """Each load of the worst combination, as if it leaked nothing."""
    after = [(name, found.worst(frozenset({name}))) for name in worst.running]
    listed = [Replacement(name, one.chance, one.magnitude_ma) for name, one in after]
    return tuple(sorted(listed, key=lambda one: (one.chance, one.magnitude_ma)))


def _hiding(loads: Sequence[Load], supply: float) -> tuple[Pair, ...]:
    """Pairs on known legs whose sum is less than the larger of them."""
    pairs = []
    for first, second in combinations([load for load in loads if load.leg != "both"], 2):
        a, b = (_vector(load) * supply for load in (first, second))
        pair = Pair((first.name, second.name), abs(a + b), max(abs(a), abs(b)))
        if pair.hidden_ma >= HIDES_MA:
            pairs.append(pair)
    return tuple(sorted(pairs, key=lambda pair: -pair.hidden_ma))


def _vector(load: Load) -> complex:
    sign = -1.0 if load.leg == "2" else 1.0
    return sign * complex(load.resistive_ma, load.capacitive_ma)


def _check(loads: Sequence[Load], supply: float, correlation: float) -> None:
    if not 1 <= len(loads) <= MOST_PARTS:
        raise ProcedureError("together", f"{len(loads)} parts", f"give 1 to {MOST_PARTS}")
    names = [load.name for load in loads]
    for name in names:
        if names.count(name) > 1:
            raise ProcedureError("together", f"{name} is there twice", "name each part once")
    for load in loads:
        numbers = (load.resistive_ma, load.capacitive_ma, load.u_ma)
        if not all(map(math.isfinite, numbers)) or load.u_ma < 0.0:
            raise ProcedureError(load.name, f"vector {numbers}", "give finite mA, U not negative")
        if load.leg not in LEGS:
            raise ProcedureError(load.name, f"leg {load.leg!r}", f"one of {', '.join(LEGS)}")
    if not (math.isfinite(supply) and supply > 0.0 and 0.0 <= correlation <= 1.0):
        raise ProcedureError(
            "together", f"supply {supply}, correlation {correlation}", "check them"
        )
