"""milliproof show: the likely cause with its evidence, and what the verdict is held against."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rig.commands.output import show_table

Body = Mapping[str, Any]
CLEAR = 950_000  # millionths: from here on a confidence is called clear
HELD_HEADS = ("held against", "value", "source", "mark", "decides")
HELD_TITLE = "What the verdict is held against; only what decides decides"


def cause_lines(body: Body) -> Iterator[tuple[str, str]]:
    """Likely cause, how sure, what speaks for and against it, what to do next."""
    likely = body.get("likely") or {}
    if body["verdict"] == "pass" and body["cause"] == "don't know":
        return
    yield "likely cause", f"{body['cause']}{_how_sure(body, likely)}"
    evidence = likely.get("evidence", ())
    for name, speaks_for in (("for it", True), ("against it", False)):
        words = [_sign(one) for one in evidence if one["speaks_for"] is speaks_for]
        if words:
            yield name, "; ".join(words)
    if likely.get("next"):
        yield "next", str(likely["next"])


def held_against(body: Body) -> None:
    """The limits that decided and the standards beside them, a row each; older records have none."""
    gauges = body.get("gauges") or ()
    if gauges:
        show_table(HELD_TITLE, HELD_HEADS, map(_gauge, gauges))


def _how_sure(body: Body, likely: Body) -> str:
    chance = likely.get("confidence_millionths")
    if chance is None or body["cause"] in ("don't know", "no fault found"):
        return ""
    percent = min(99.9, chance / 1e4)
    return (
        f" ({'clear' if chance >= CLEAR else 'likely'}: {percent:.4g} % by the table; no finding)"
    )


def _sign(one: Body) -> str:
    return f"{one['words']} ({one['mark']})"


def _gauge(gauge: Body) -> tuple[str, ...]:
    value = f"{gauge['value_millionths'] / 1e6:g} {gauge['unit']}"
    limit = f"{gauge['words']}: {gauge['limit']}" if gauge["decides"] else gauge["words"]
    return (limit, value, gauge["source"], gauge["mark"], "yes" if gauge["decides"] else "no")
