"""Waveforms on the screen: what a record's conditions hold of them. Context, never deciding."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

Body = Mapping[str, Any]
NETWORKS = {  # in a record: on a screen
    "perception": "perception",
    "let_go": "let-go",
    "md": "measuring device",
}
ORDERS = (2, 3, 5, 7)
HEADS = (
    "condition",
    "r.m.s.",
    "DC",
    "in phase",
    "at 90°",
    *(f"h{order}" for order in ORDERS),
    "between",
    *NETWORKS.values(),
    "1.11 x average",
    "note",
)
TITLE = "Waveforms, mA: context, never deciding"


def _ma(na: int | None) -> str:
    return "--" if na is None else f"{na / 1e6:.3f}"


def _row(name: str, wave: Body, words: str) -> tuple[str, ...]:
    groups = wave["groups_na"]
    orders = [groups[n - 1] if n <= len(groups) else None for n in ORDERS]
    values = (
        wave["rms_na"],
        wave["dc_na"],
        wave["resistive_na"],
        wave["capacitive_na"],
        *orders,
        wave["between_na"],
        *(wave["networks_na"].get(name) for name in NETWORKS),
        wave["average_na"],
    )
    return (name, *map(_ma, values), words)


def wave_rows(conditions: Sequence[Body]) -> Iterator[tuple[str, ...]]:
    """A row for each condition that has a waveform; records from before there were any have none."""
    for c in conditions:
        if c.get("wave"):
            yield _row(c["name"], c["wave"], c.get("wave_words", ""))


def wave_missing(conditions: Sequence[Body]) -> Iterator[str]:
    """Why conditions have none, each reason once with the conditions that it holds for."""
    reasons: dict[str, list[str]] = {}
    for c in conditions:
        if not c.get("wave") and c.get("wave_words"):
            reasons.setdefault(c["wave_words"], []).append(c["name"])
    for words, names in reasons.items():
        yield f"Waveform, {', '.join(names)}: {words}"
