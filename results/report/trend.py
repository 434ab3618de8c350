"""Leakage against time as the template draws it: everything in shares of the picture's width and height.

Lines are thinned to the least and the greatest of each stretch, so that no spike is lost. A gap stays a
gap: where nothing was on or nothing was read, no line is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

Body = Mapping[str, Any]
Columns = Mapping[str, Sequence[int | None]]
STRETCHES = 400
WIDE = 4.0  # times the fail limit: from here on the scale is logarithmic, to show the limit still
LEAST_MA = 0.01  # lower end of a logarithmic scale
STEPS = (0.1, 0.25, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 240)  # minutes between two ticks
LEVELS = {"pass_ma": ("open", "pass limit"), "fail_ma": ("fail", "fail limit")}


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a time and a current are in the picture."""

    end_ms: int
    top_ma: float
    wide: bool

    def x(self, ms: float) -> float:
        """Share of the width."""
        return min(1.0, max(0.0, ms / self.end_ms))

    def y(self, ma: float) -> float:
        """Share of the height; what is beyond an edge is drawn on it."""
        if not self.wide:
            return min(1.0, max(0.0, ma / self.top_ma))
        share = math.log(max(ma, LEAST_MA) / LEAST_MA) / math.log(self.top_ma / LEAST_MA)
        return min(1.0, share)


def picture(body: Body, trace: Columns, height_pt: float = 120) -> dict[str, Any] | None:
    """The block for the template; None where no leakage was read."""
    read = list(_read(trace))
    if not any(ma is not None for _, ma in read):
        return None
    conditions = [one for one in body["conditions"] if one.get("end_ms") is not None]
    scale = _scale(body, read)
    label = "logarithmic" if scale.wide else "linear"
    return {
        "kind": "picture",
        "title": "Leakage against time",
        "height": height_pt,
        "runs": [[[_short(x), _short(y)] for x, y in run] for run in _runs(read, scale)],
        "bars": [_bar(place, one, scale) for place, one in enumerate(conditions, 1)],
        "marks": [_mark(one, scale) for one in conditions if one["y_ua"] is not None],
        "levels": list(_levels(body, scale)),
        "ticks-x": list(_ticks_x(scale)),
        "ticks-y": list(_ticks_y(scale)),
        "under": "minutes; mA on the left, " + label + "; numbers: conditions as listed",
        "alt": _alt(body, read, scale),
    }


def _read(trace: Columns) -> Iterator[tuple[int, float | None]]:
    """(ms, mA or None where no feed was on or nothing was read)."""
    for at, feed, ua in zip(
        *(trace.get(n, ()) for n in ("t_ms", "feed", "leakage_ua")), strict=True
    ):
        if at is not None:
            yield at, ua / 1000 if feed and ua is not None else None


def limit_ma(body: Body, name: str) -> float | None:
    """A limit that was in force, mA."""
    found = (one["value_millionths"] for one in body["limits"] if one["name"] == name)
    value = next(found, None)
    return None if value is None else value / 1e6


def _scale(body: Body, read: Sequence[tuple[int, float | None]]) -> Scale:
    fail_ma = limit_ma(body, "fail_ma") or 1.0
    results = [one["y_ua"] / 1000 for one in body["conditions"] if one["y_ua"] is not None]
    greatest = max([ma for _, ma in read if ma is not None] + results)
    end_ms = max(at for at, _ in read) or 1
    wide = greatest > WIDE * fail_ma
    return Scale(end_ms, max(1.1 * greatest, 1.15 * fail_ma), wide)


def _runs(
    read: Sequence[tuple[int, float | None]], scale: Scale
) -> Iterator[list[tuple[float, float]]]:
    for there, some in groupby(read, key=lambda one: one[1] is not None):
        if there:
            thinned = list(_thinned([(scale.x(at), ma or 0.0) for at, ma in some]))
            if len(thinned) > 1:
                yield [(x, scale.y(ma)) for x, ma in thinned]


def _thinned(run: Sequence[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    """The least and the greatest of each stretch, in their order."""
    for _, some in groupby(run, key=lambda one: int(one[0] * STRETCHES)):
        here = list(some)
        ends = {here.index(min(here, key=_ma)), here.index(max(here, key=_ma))}
        yield from (here[place] for place in sorted(ends))


def _ma(point: tuple[float, float]) -> float:
    return point[1]


def _short(share: float) -> float:
    return round(share, 4)


def _bar(place: int, one: Body, scale: Scale) -> dict[str, Any]:
    ends = {"from": _short(scale.x(one["start_ms"])), "to": _short(scale.x(one["end_ms"]))}
    return {**ends, "label": str(place), "shade": 228 if one["counts"] else 244}


def _mark(one: Body, scale: Scale) -> dict[str, Any]:
    x, y = scale.x(one["end_ms"]), scale.y(one["y_ua"] / 1000)
    return {"x": _short(x), "y": _short(y), "hollow": one["basis"] != "measured"}


def _levels(body: Body, scale: Scale) -> Iterator[dict[str, Any]]:
    for name, (ink, words) in LEVELS.items():
        ma = limit_ma(body, name)
        if ma is not None:
            yield {"y": _short(scale.y(ma)), "ink": ink, "label": f"{words} {ma:g} mA"}


def _ticks_x(scale: Scale) -> Iterator[dict[str, Any]]:
    minutes = scale.end_ms / 60_000
    step = next((one for one in STEPS if minutes / one <= 10), STEPS[-1])
    for place in range(int(minutes / step) + 1):
        at = place * step
        yield {"x": _short(scale.x(at * 60_000)), "label": f"{at:g}"}


def _ticks_y(scale: Scale) -> Iterator[dict[str, Any]]:
    for ma in _round_numbers(scale):
        yield {"y": _short(scale.y(ma)), "label": f"{ma:g}"}


def _round_numbers(scale: Scale) -> list[float]:
    if scale.wide:
        return [ma for ma in (0.01, 0.1, 1, 10, 100) if ma <= scale.top_ma]
    step = next(one for one in (0.1, 0.25, 0.5, 1, 2, 5, 10) if scale.top_ma / one <= 8)
    return [step * place for place in range(int(scale.top_ma / step) + 1)]


def _alt(body: Body, read: Sequence[tuple[int, float | None]], scale: Scale) -> str:
    """The picture in words."""
    seen = [ma for _, ma in read if ma is not None]
    return (
        f"Leakage as read over {scale.end_ms / 60_000:.1f} minutes: {len(seen)} readings from "
        f"{min(seen):.3f} to {max(seen):.3f} mA, in {len(body['conditions'])} conditions"
    )
