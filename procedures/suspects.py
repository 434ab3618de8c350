"""Which part is it: ranks the culprits of a spa that trips, and orders the disconnecting.

The trade's shares of what trips a spa and of when each kind trips are experience (common practice, no
source; the numbers are a proposal that spells the words out). They are only where a shop starts: its own
findings are added by Bayes' rule. Shares of culprits are Dirichlet distributed and findings are counts,
so the posterior is Dirichlet again (conjugate; any text on Bayesian statistics), each share's marginal a
beta distribution, from which the credible intervals follow.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from procedures.beta import beta_quantile
from procedures.errors import ProcedureError

WIRING = "wiring"  # connections, controls, the device itself: what no unplugging takes away
Clue = Literal["at once", "after minutes", "on purge", "hot", "at random", "light switched"]
CLUES: tuple[Clue, ...] = (
    "at once",
    "after minutes",
    "on purge",
    "hot",
    "at random",
    "light switched",
)

# Share of all trips before anything is known of this spa. Common practice, no source: about half the
# ozone generator, most of the rest the heater, pumps occasionally, lights and converters rarely.
SHARES: Mapping[str, float] = MappingProxyType(
    {
        "ozone_corona": 0.30,
        "ozone_uv": 0.20,
        "heater": 0.27,
        "pump": 0.06,
        "circulation_pump": 0.03,
        "blower": 0.04,
        "light": 0.015,
        "transformer": 0.01,
        "converter": 0.015,
        WIRING: 0.06,
    }
)
SHARES_WEIGH = 20.0  # as if so many spas had been seen; a shop's own findings soon outweigh it (P)

# How a culprit of each kind shows: probabilities in the order of CLUES, each row sums to 1. Common
# practice, no source: at once wiring or heater; after minutes heater or pump; when the purge runs a wet
# blower; at temperature the heater; at random connections.
SHOWS: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "ozone_corona": (0.25, 0.30, 0.10, 0.05, 0.29, 0.01),
        "ozone_uv": (0.30, 0.30, 0.05, 0.05, 0.29, 0.01),
        "heater": (0.40, 0.25, 0.01, 0.28, 0.05, 0.01),
        "pump": (0.20, 0.50, 0.05, 0.14, 0.10, 0.01),
        "circulation_pump": (0.20, 0.50, 0.05, 0.14, 0.10, 0.01),
        "blower": (0.10, 0.05, 0.75, 0.02, 0.07, 0.01),
        "light": (0.10, 0.05, 0.01, 0.02, 0.12, 0.70),
        "transformer": (0.25, 0.10, 0.01, 0.04, 0.20, 0.40),
        "converter": (0.35, 0.20, 0.01, 0.04, 0.39, 0.01),
        WIRING: (0.40, 0.08, 0.04, 0.04, 0.39, 0.05),
    }
)


@dataclass(frozen=True, slots=True)
class Found:
    """What a shop has found of one kind: culprits proved; comebacks passed, and the spa tripped on."""

    culprits: int = 0
    comebacks: int = 0


@dataclass(frozen=True, slots=True)
class Suspect:
    """One kind that is fitted: its probability of being the culprit, and the 95 % credible interval of
    the share that the probability rests on (before the clues)."""

    family: str
    chance: float
    share_low: float
    share_high: float


@dataclass(frozen=True, slots=True)
class Split:
    """One step: disconnect ``off`` (of the suspects left), the rest stays on. If it still trips the
    culprit is among those on (``trips``), else among those off (``holds``); one suspect is the end."""

    off: tuple[str, ...]
    trips: Split | str
    holds: Split | str


def rank(
    fitted: Sequence[str],
    clues: Sequence[Clue] = (),
    found: Mapping[str, Found] | None = None,
) -> list[Suspect]:
    """The kinds fitted, and the wiring, most likely first; their chances sum to 1.

    One culprit is assumed; clues count as independent given the culprit. Raises ProcedureError for a
    kind or a clue that isn't known, or none fitted.
    """
    names = _checked(fitted, clues)
    counts = {name: _count(name, found or {}) for name in names}
    total = sum(counts.values())
    weights = {name: counts[name] / total * _likelihood(name, clues) for name in names}
    whole = sum(weights.values())
    listed = [
        Suspect(name, weights[name] / whole, *_interval(counts[name], total)) for name in names
    ]
    return sorted(listed, key=lambda one: (-one.chance, one.family))


def _checked(fitted: Sequence[str], clues: Sequence[Clue]) -> list[str]:
    names = list(dict.fromkeys((*fitted, WIRING)))
    if len(names) < 2:
        raise ProcedureError("suspects", "nothing is fitted", "name the families of the spa")
    for name in names:
        if name not in SHARES:
            raise ProcedureError("suspects", f"no share for {name!r}", ", ".join(SHARES))
    for clue in clues:
        if clue not in CLUES:
            raise ProcedureError("suspects", f"no clue {clue!r}", ", ".join(CLUES))
    return names


def _count(name: str, found: Mapping[str, Found]) -> float:
    """The Dirichlet parameter: trade's share as counts, plus the shop's own. A comeback counts as a
    culprit: the part had been passed, and was it."""
    own = found.get(name, Found())
    return SHARES_WEIGH * SHARES[name] + own.culprits + own.comebacks


def _likelihood(name: str, clues: Sequence[Clue]) -> float:
    return math.prod(SHOWS[name][CLUES.index(clue)] for clue in dict.fromkeys(clues))


def _interval(count: float, total: float) -> tuple[float, float]:
    """95 % credible interval of one Dirichlet share: its marginal is Beta(count, total - count)."""
    rest = total - count
    return beta_quantile(0.025, count, rest), beta_quantile(0.975, count, rest)


def order(suspects: Sequence[Suspect]) -> Split | str:
    """The steps that find the culprit with the fewest expected: which to take off at each.

    Each step answers yes or no, so a plan is a binary tree and the fewest expected steps are those of
    D. A. Huffman, "A method for the construction of minimum-redundancy codes", Proc. IRE 40 (1952)
    1098-1101. The side with the wiring stays on: it can't be unplugged.
    """
    if not suspects:
        raise ProcedureError("suspects", "none to tell apart", "rank them first")
    heap: list[tuple[float, int, Split | str]] = [
        (one.chance, n, one.family) for n, one in enumerate(suspects)
    ]
    heapq.heapify(heap)
    made = len(heap)
    while len(heap) > 1:
        (p, _, first), (q, _, second) = heapq.heappop(heap), heapq.heappop(heap)
        heapq.heappush(heap, (p + q, made, _split(first, second)))
        made += 1
    return heap[0][2]


def _split(first: Split | str, second: Split | str) -> Split:
    """The side with fewer to unplug goes off, never the one with the wiring."""
    sides = sorted((first, second), key=lambda side: (WIRING in _all(side), len(_all(side))))
    off, on = sides
    return Split(_all(off), trips=on, holds=off)


def _all(side: Split | str) -> tuple[str, ...]:
    if isinstance(side, str):
        return (side,)
    return (*_all(side.trips), *_all(side.holds))


def expected_steps(plan: Split | str, chances: Mapping[str, float]) -> float:
    """Steps until the culprit is known, weighed by each suspect's chance."""
    if isinstance(plan, str):
        return 0.0
    share = sum(chances[name] for name in _all(plan))
    return share + expected_steps(plan.trips, chances) + expected_steps(plan.holds, chances)
