"""Shares with the interval that remains around them: what was counted, put together with ``beta``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from typing import Any

from procedures.beta import beta_quantile
from results.statistics import Group

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """``hits`` of ``total`` with the exact two-sided interval for 95 %; 0 to 1 where nothing is known."""

    hits: int
    total: int
    low: float
    high: float

    @property
    def value(self) -> float | None:
        """hits/total; None of nothing."""
        return self.hits / self.total if self.total else None

    @property
    def words(self) -> str:
        """3 of 12: 25 % (5 to 57)."""
        if not self.total:
            return "--"
        low, high = (round(100 * bound) for bound in (self.low, self.high))
        return (
            f"{self.hits} of {self.total}: {100 * self.hits / self.total:.0f} % ({low} to {high})"
        )


def share(hits: int, total: int, confidence: float = CONFIDENCE) -> Share:
    """Clopper and Pearson (Biometrika 26, 1934, 404): quantiles of the beta distribution."""
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if hits == 0 else beta_quantile(tail, hits, total - hits + 1)
    high = 1.0 if hits == total else beta_quantile(1.0 - tail, hits + 1, total - hits)
    return Share(hits, total, low, high)


def rows(groups: Iterable[Group]) -> list[dict[str, Any]]:
    """A row for each group: counts, shares with their intervals, minutes, what sales brought."""
    return [_row(one) for one in groups]


def _row(one: Group) -> dict[str, Any]:
    return {
        "group": one.name,
        "parts": one.parts,
        "attempts": one.attempts,
        **_shared("failed", share(one.failed, one.judged)),
        **_shared("came_back", share(one.came_back, one.passed_once)),
        "median_minutes": round(median(one.minutes), 2) if one.minutes else None,
        "recovered": {currency: cents / 100 for currency, cents in sorted(one.recovered.items())},
    }


def _shared(name: str, found: Share) -> dict[str, Any]:
    return {
        name: found.hits,
        f"{name}_of": found.total,
        f"{name}_share": found.value,
        f"{name}_low": found.low,
        f"{name}_high": found.high,
    }
