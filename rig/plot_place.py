"""Where along an element the leak sits: the element drawn from end to end, with the interval."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

Body = Mapping[str, Any]
MOST_CHARACTERS = 95  # of a line below the drawing


def _fact(body: Body, name: str) -> float | None:
    value = body["facts"].get(f"{name}_millionths")
    return None if value is None else float(value) / 1e6


def has_place(body: Body) -> bool:
    """Whether the record says where the leak sits."""
    return _fact(body, "place") is not None


def draw(axes: Any, body: Body) -> None:
    """Draw into ``axes``: terminals, the weighted mean, its 95 % interval, what can't be told apart."""
    x = _fact(body, "place")
    low, high = _fact(body, "place_low"), _fact(body, "place_high")
    axes.plot((0, 1), (0, 0), color="0.75", lw=9, solid_capstyle="butt", zorder=1)
    for end, words in ((0.0, "terminal A"), (1.0, "terminal B")):
        axes.plot(end, 0, marker="s", ms=10, color="black", zorder=2)
        axes.annotate(words, (end, 0), xytext=(0, -20), textcoords="offset points", ha="center")
    if low is not None and high is not None:
        axes.plot((low, high), (0, 0), color="0.25", lw=4, solid_capstyle="butt", zorder=3)
    axes.plot(x, 0, marker="o", ms=9, mfc="white", mec="black", zorder=4)
    spread = "" if low is None or high is None else f" (95 %: {low:.3f} to {high:.3f})"
    axes.annotate(
        f"conductance-weighted mean x = {x:.3f}{spread}",
        (x, 0),
        xytext=(0, 14),
        textcoords="offset points",
        ha="center"
        if x is not None and 0.25 < x < 0.75
        else ("left" if x and x < 0.5 else "right"),
    )
    words = str(body["facts"].get("place, not told apart", ""))
    below = textwrap.fill(words, MOST_CHARACTERS)
    axes.text(0.5, -0.95, below, ha="center", va="top", fontsize=8)
    axes.set(xlim=(-0.08, 1.08), ylim=(-1.6, 0.8))
    axes.set_axis_off()
