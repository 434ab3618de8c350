"""Numbers and texts of records as they stand on paper."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from typing import Any

Body = Mapping[str, Any]
NONE = "--"
VERDICTS: Mapping[str, str] = {
    "pass": "PASS",
    "fail": "FAIL",
    "none": "NO VERDICT",
    "aborted": "ABORTED",
    "interrupted": "INTERRUPTED",
}
# what the font that comes with the typesetter draws; PDF/A refuses a sign that it can't show
_DRAWN = (
    r"\u0020-\u007e\u00a0-\u00ac\u00ae-\u017f\u0391-\u03a1\u03a3-\u03a9\u03b1-\u03c9\u0410-\u044f"
    r"\u2010-\u2014\u2018-\u201a\u201c-\u201e\u2020-\u2022\u2026\u2030\u2032\u2033\u20ac\u2212"
    r"\u2248\u2260\u2264\u2265\u221e"
)
_NOT_DRAWN = re.compile(f"[^{_DRAWN}]")


def plain(value: object) -> str:
    """Any text so that it can be set: a sign that the font lacks is named by its code point."""
    return _NOT_DRAWN.sub(lambda found: f"<U+{ord(found[0]):04X}>", str(value))


def when(at_ms: int) -> str:
    """A record's moment, UTC, to the minute."""
    moment = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC)
    return moment.strftime("%Y-%m-%d %H:%M UTC")


def day(at_ms: int) -> str:
    """A record's day, UTC."""
    return when(at_ms)[:10]


def scaled(value: int | None, per_one: int, places: int) -> str:
    """An integer of a record in the larger unit; a missing one is never 0."""
    return NONE if value is None else f"{value / per_one:.{places}f}"


def amount(condition: Body) -> str:
    """mA with U; a value known only as a bound says so."""
    y_ua, u_ua = condition.get("y_ua"), condition.get("u_ua")
    if y_ua is None:
        return NONE
    if condition.get("basis") == "above":
        return f"above {y_ua / 1000:.2f}, cut off"
    return f"{y_ua / 1000:.3f}" + ("" if u_ua is None else f" ± {u_ua / 1000:.3f}")


def value(millionths: int | None, unit: str) -> str:
    """A number in millionths of its unit."""
    return NONE if millionths is None else f"{millionths / 1e6:.4g} {unit}".strip()


def yes(met: bool | None) -> str:
    """Whether a check was met."""
    return {True: "yes", False: "NO", None: "not judged"}[met]


def spaced(name: str) -> str:
    """A name of the program's as words."""
    return name.replace("_", " ")


def minutes(ms: int | None) -> str:
    """A duration as m:ss."""
    if ms is None:
        return NONE
    return f"{ms // 60_000}:{ms // 1000 % 60:02d}"


def grouped(digits: str, step: int = 8) -> str:
    """Hexadecimal digits in groups, as people compare them."""
    return " ".join(digits[at : at + step] for at in range(0, len(digits), step))


def against(body: Body) -> str:
    """PASS against which limit set and version, in the conditions listed."""
    word = VERDICTS.get(body["verdict"], "NO VERDICT")
    sets = dict.fromkeys(
        f"{one['set']} {one['version']}" for one in body.get("gauges") or () if one["decides"]
    )
    if not sets or body["verdict"] not in ("pass", "fail"):
        return f"{word} in the conditions listed"
    return f"{word} against limit set {', '.join(sets)} in the conditions listed"
