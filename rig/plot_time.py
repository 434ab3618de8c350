"""Leakage against time: the trace, each condition's result with its U, the limits, fit and plateau."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from procedures.arrays import FloatArray
from procedures.decay import Decay, fit_decay

MINUTE_MS = 60_000.0
TREND_S = 60.0  # a shorter condition has no trend worth drawing
TELLING_MA = 0.05  # less of a fall or a rise would be a line on top of another
WIDE = 4.0  # times the fail limit: from here on a linear scale would press the limit to the ground
LEAST_MA = 0.005  # lower end of a logarithmic scale: below it meters read nothing
NO_FEED = 0
Body = Mapping[str, Any]


def draw(axes: Any, beside: Any, body: Body, trace: Mapping[str, Sequence[int | None]]) -> None:
    """Draw into ``axes``; the numbered conditions are listed in ``beside``."""
    conditions = [one for one in body["conditions"] if one["y_ua"] is not None]
    minutes, leakage = _series(trace)
    axes.plot(minutes, leakage, color="0.55", lw=0.7, label="leakage, as read", zorder=2)
    _limits(axes, body)
    for n, one in enumerate(conditions, 1):
        _result(axes, n, one)
        _fit(axes, one, minutes, leakage)
    _scale(axes, conditions, leakage, body)
    axes.set(xlabel="time, minutes", ylabel="protective-conductor current, mA")
    _list(beside, conditions)


def _series(trace: Mapping[str, Sequence[int | None]]) -> tuple[FloatArray, FloatArray]:
    """Minutes and mA while a feed was on; a gap where nothing was on or nothing was read."""
    columns = {name: trace.get(name, ()) for name in ("t_ms", "feed", "leakage_ua")}
    on = [feed not in (None, NO_FEED) for feed in columns["feed"]]
    read = [
        float(value) / 1000.0 if value is not None and live else math.nan
        for value, live in zip(columns["leakage_ua"], on, strict=True)
    ]
    at = [math.nan if t is None else t / MINUTE_MS for t in columns["t_ms"]]
    return np.array(at, np.float64), np.array(read, np.float64)


def limit_ma(body: Body, name: str) -> float | None:
    """A limit that decided, mA; None where this record has none of that name."""
    found = (one["value_millionths"] for one in body["limits"] if one["name"] == name)
    value = next(found, None)
    return None if value is None else value / 1e6


def _limits(axes: Any, body: Body) -> None:
    """Pass limit with its guard band below, fail limit; named at the right edge."""
    pass_ma, fail_ma = limit_ma(body, "pass_ma"), limit_ma(body, "fail_ma")
    worst = body.get("worst") or {}
    if pass_ma is not None:
        _edge(axes, pass_ma, f"pass limit {pass_ma:.2f}", "--")
        if worst.get("u_ua"):
            low_ma = pass_ma - worst["u_ua"] / 1000
            axes.axhspan(low_ma, pass_ma, hatch="////", fc="none", ec="0.7", lw=0, zorder=0)
    if fail_ma is not None:
        _edge(axes, fail_ma, f"fail limit {fail_ma:.2f}", "-")


def _edge(axes: Any, ma: float, words: str, style: str) -> None:
    axes.axhline(ma, color="black", lw=1.0, ls=style, zorder=1)
    axes.annotate(
        words,
        (1.0, ma),
        xycoords=("axes fraction", "data"),
        xytext=(-3, 2),
        textcoords="offset points",
        ha="right",
        fontsize=8,
    )


def _result(axes: Any, n: int, one: Body) -> None:
    """A condition's result over the time it took, and its number; hollow where it was calculated."""
    span = one["start_ms"] / MINUTE_MS, one["end_ms"] / MINUTE_MS
    y, u = one["y_ua"] / 1000, (one["u_ua"] or 0) / 1000
    counts = "black" if one["counts"] else "0.45"
    if one["basis"] == "measured":
        axes.plot(span, (y, y), color=counts, lw=2.2, solid_capstyle="butt", zorder=4)
    middle = sum(span) / 2
    marks = {"measured": ("o", counts), "prospective": ("D", "white"), "above": ("^", counts)}
    mark, face = marks[one["basis"]]
    axes.errorbar(
        middle, y, u or None, fmt=mark, ms=4, color=counts, mfc=face, capsize=2, lw=1, zorder=5
    )
    axes.annotate(
        str(n),
        (middle, y + u),
        xytext=(0, 4 + 8 * (n % 3)),
        textcoords="offset points",
        ha="center",
        fontsize=8,
    )


def _fit(axes: Any, one: Body, minutes: FloatArray, leakage: FloatArray) -> None:
    """The exponential of a condition that dries or rises, on to where it is over."""
    start, end = one["start_ms"] / MINUTE_MS, one["end_ms"] / MINUTE_MS
    inside = (minutes >= start) & (minutes <= end) & np.isfinite(leakage)
    if one["basis"] == "prospective" or (end - start) * 60.0 < TREND_S or inside.sum() < 10:
        return
    fit = fit_decay(60.0 * minutes[inside], leakage[inside])
    if fit is None or not fit.bends or abs(fit.amplitude) < TELLING_MA:
        return
    over = over_s(fit, TELLING_MA / 2.0) / 60.0
    at = np.linspace(start, max(end, start + min(over, 2.0 * (end - start))), 200)
    y = fit.asymptote + fit.amplitude * np.exp(-(at - minutes[inside][0]) * 60.0 / fit.tau_s)
    axes.plot(at, y, color="black", lw=1.2, ls=":", zorder=3)
    word = "dries" if fit.amplitude > 0.0 else "rises"
    axes.annotate(
        f"{word} to {fit.asymptote:.2f} mA, over after {over:.1f} min",
        (float(at[0]), float(y[0])),
        xytext=(8, 6),
        textcoords="offset points",
        fontsize=8,
    )


def over_s(fit: Decay, within_ma: float) -> float:
    """After how many seconds no more than ``within_ma`` is left to fall or rise."""
    return fit.tau_s * max(0.0, math.log(abs(fit.amplitude) / within_ma))


def _scale(axes: Any, conditions: Sequence[Body], leakage: FloatArray, body: Body) -> None:
    """Linear, or logarithmic where something leaks so much that the limits would not be seen."""
    limit = limit_ma(body, "fail_ma") or 1.5
    most = max((float(one["y_ua"]) / 1000 for one in conditions), default=0.0)
    read = float(np.nanmax(leakage, initial=0.0))
    top = max(most, read, limit)
    if top > WIDE * limit:
        axes.set_yscale("log")
        axes.set_ylim(LEAST_MA, 2.5 * top)
        axes.yaxis.set_major_formatter("{x:g}")
    else:
        axes.set_ylim(0.0, 1.2 * top)


def _list(beside: Any, conditions: Sequence[Body]) -> None:
    beside.set_axis_off()
    beside.text(
        0.0, 1.0, "\n".join(listed(conditions)), va="top", fontsize=8, transform=beside.transAxes
    )


def listed(conditions: Sequence[Body]) -> Iterator[str]:
    """One line per condition: number, name, mA ± U, and whether it was measured."""
    for n, one in enumerate(conditions, 1):
        u = "" if one["u_ua"] is None else f" ± {one['u_ua'] / 1000:.3f}"
        amount = f"{one['y_ua'] / 1000:.3f}{u} mA"
        basis = {"measured": "", "prospective": ", calculated", "above": ", cut off above"}
        aside = "" if one["counts"] else ", not decided on"
        yield f"{n}.  {one['name']}: {amount}{basis[one['basis']]}{aside}"
