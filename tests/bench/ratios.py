"""How the benchmarks compare two sides that took turns."""

from __future__ import annotations

import statistics
from collections.abc import Sequence


def ratio(pairs: Sequence[tuple[float, float]]) -> float:
    """Median of the pairs' ratios: what slows the machine for a while slows both sides of a pair."""
    return statistics.median(ours / bare for ours, bare in pairs)
