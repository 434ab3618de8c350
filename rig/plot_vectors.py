"""The vector diagram: each condition's leakage in phase and at 90 degrees, with U, and the limits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rig.plot_time import limit_ma, listed

TOGETHER = 0.06  # of the width shown: closer tips share a label
Body = Mapping[str, Any]


def draw(axes: Any, beside: Any, body: Body, fixture: Mapping[str, Any]) -> None:
    """Draw into ``axes``. ``fixture``: the bench's own vector by feed, µA, already taken off."""
    from matplotlib.patches import Circle

    conditions = [one for one in body["conditions"] if one["y_ua"] is not None]
    for name, style in (("pass_ma", "--"), ("fail_ma", "-")):
        radius = limit_ma(body, name)
        if radius is not None:
            axes.add_patch(Circle((0, 0), radius, fill=False, ls=style, ec="0.3", lw=1.0))
            words = f"{name.removesuffix('_ma')} limit {radius:.2f} mA"
            axes.text(0, -radius, words, ha="center", va="top", fontsize=8)
    _fixture(axes, fixture)
    for one in conditions:
        _vector(axes, one)
    span = _frame(axes, conditions, limit_ma(body, "fail_ma") or 1.5)
    _number(axes, conditions, span)
    beside.set_axis_off()
    lines = "\n".join(listed(conditions))
    beside.text(0.0, 1.0, lines, va="top", fontsize=8, transform=beside.transAxes)


def _vector(axes: Any, one: Body) -> None:
    from matplotlib.patches import Circle

    x, y = one["resistive_ua"] / 1000, one["capacitive_ua"] / 1000
    colour, style = ("black", "-") if one["basis"] == "measured" else ("0.4", ":")
    axes.plot((0.0, x), (0.0, y), color=colour, ls=style, lw=1.3, zorder=3)
    axes.plot(x, y, marker="o", ms=3, color=colour, zorder=4)
    if one["u_ua"]:
        radius = one["u_ua"] / 1000
        axes.add_patch(Circle((x, y), radius, fill=False, ec=colour, lw=0.8, zorder=3))


def _number(axes: Any, conditions: Sequence[Body], span: float) -> None:
    """Numbers at the tips; tips that lie together share one label."""
    tips = [(one["resistive_ua"] / 1000, one["capacitive_ua"] / 1000) for one in conditions]
    heaps: list[tuple[tuple[float, float], list[int]]] = []
    for n, tip in enumerate(tips, 1):
        near = next((heap for heap in heaps if math.dist(heap[0], tip) < TOGETHER * span), None)
        if near is None:
            heaps.append((tip, [n]))
        else:
            near[1].append(n)
    for tip, numbers in heaps:
        crowd = len(numbers) > 2
        axes.annotate(
            ", ".join(map(str, numbers)),
            tip,
            xytext=(30, -30) if crowd else (10, -10),
            textcoords="offset points",
            fontsize=8,
            va="top",
            arrowprops={"arrowstyle": "-", "color": "0.4", "lw": 0.6} if crowd else None,
        )


def _fixture(axes: Any, fixture: Mapping[str, Any]) -> None:
    """The longest of the bench's own vectors: what was taken off each reading."""
    vectors = [tuple(value) for value in fixture.values() if isinstance(value, list | tuple)]
    longest = max(vectors, key=lambda v: math.hypot(*v[:2]), default=None)
    if longest is None:
        return
    x, y = longest[0] / 1000, longest[1] / 1000
    axes.plot((0.0, x), (0.0, y), color="0.6", lw=3.0, zorder=1)
    axes.annotate(
        "bench's own, taken off",
        (x, y),
        xytext=(-110, 22),
        textcoords="offset points",
        fontsize=8,
        arrowprops={"arrowstyle": "-", "color": "0.6", "lw": 0.6},
    )


def _frame(axes: Any, conditions: Sequence[Body], limit: float) -> float:
    """Scale and name the axes; half the width that they show, mA."""
    reach = [math.hypot(one["resistive_ua"], one["capacitive_ua"]) / 1000 for one in conditions]
    span = 1.15 * max(limit * 1.1, *reach, 0.1)
    axes.set(xlim=(-span, span), ylim=(-span, span), aspect="equal")
    axes.axhline(0, color="0.8", lw=0.6, zorder=0)
    axes.axvline(0, color="0.8", lw=0.6, zorder=0)
    axes.set_xlabel("in phase with leg 1 (resistive), mA")
    axes.set_ylabel("leading by 90° (capacitive), mA")
    return span
