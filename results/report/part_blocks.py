"""What the paper says of the part and of those who had it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from results.issuing import Issued
from results.record import Record
from results.report.blocks import Block, pairs, table
from results.report.words import VERDICTS, amount, scaled, spaced, when, yes

Body = Mapping[str, Any]
RATINGS = (
    ("rated_mv", 1000, "V"),
    ("rated_mw", 1000, "W"),
    ("rated_ma", 1000, "A"),
    ("low_ma", 1000, "A at low speed"),
    ("rated_trip_ua", 1000, "mA rated trip current"),
)
NAMED = {  # what has a line of its own; whatever else an intake holds follows by its own name
    "model": "model",
    "serial": "serial number",
    "date_code": "date code",
    "protective_class": "protective class",
    "source": "source",
    "owner": "owner",
    "complaint": "complaint",
    "change": "changed since the attempt before",
}
ELSEWHERE = frozenset(
    {*NAMED, *(key for key, _, _ in RATINGS), "part", "family", "attempt", "amends", "speeds"}
    | {"warranty", "lead_mohm", "photos"}
)


def intake_of(issued: Issued) -> Record:
    """The part's newest registration before the attempt closed; the opening where there is none."""
    found = [
        one.record
        for one in issued.stored.values()
        if one.record.kind == "intake" and one.record.body["part"] == issued.record.body["part"]
    ]
    before = [one for one in found if one.at_ms <= issued.closing.at_ms] or found
    return max(before, key=lambda one: one.at_ms, default=issued.opening)


def part_block(issued: Issued) -> Block:
    """Plate, origin, complaint."""
    opening, plate = issued.opening.body, intake_of(issued).body
    rows = [
        ("part", f"{opening['part']}, attempt {opening.get('attempt', 1)}"),
        ("family", spaced(str(opening["family"]))),
        ("ratings", _ratings({**plate, **opening})),
        *((words, opening.get(key) or plate.get(key)) for key, words in NAMED.items()),
        ("registered", when(intake_of(issued).at_ms)),
        ("warranty", "a claim may follow" if opening.get("warranty") else ""),
    ]
    return pairs("The part", rows)


def story_block(issued: Issued, title: str) -> Block:
    """Whatever else was noted when the part came in: site, water, findings, dates."""
    plate = intake_of(issued).body
    return pairs(title, _flat({k: v for k, v in plate.items() if k not in ELSEWHERE}), 1)


def _flat(body: Body, before: str = "") -> Iterator[tuple[str, str]]:
    """Members by their names; a list as one line."""
    for key, held in body.items():
        name = f"{before}{spaced(key)}"
        if isinstance(held, Mapping):
            yield from _flat(held, f"{name}, ")
        elif isinstance(held, list):
            yield name, "; ".join(str(one) for one in held)
        elif isinstance(held, bool):
            yield name, yes(held)
        elif held is not None:
            yield name, str(held)


def _ratings(body: Body) -> str:
    told = [
        f"{scaled(body[key], per_one, 3).rstrip('0').rstrip('.')} {unit}"
        for key, per_one, unit in RATINGS
        if body.get(key)
    ]
    speeds = ["two speeds"] if body.get("speeds") == 2 else []
    return ", ".join(told + speeds)


def attempts_block(issued: Issued) -> Block:
    """Every attempt on this part that there was when the paper was issued: retesting shows."""
    openings = [
        one.record
        for one in issued.stored.values()
        if one.record.kind == "opening" and one.record.body["part"] == issued.record.body["part"]
    ]
    closings = {
        str(one.record.body["opening"]): one.record
        for one in issued.stored.values()
        if one.record.kind == "closing"
    }
    ordered = sorted(openings, key=lambda one: (one.at_ms, one.number))
    rows = [_attempt(issued, one, closings.get(one.number)) for one in ordered]
    heads = ("record", "when", "verdict", "worst", "reason", "changed before it", "bench")
    title = f"Every attempt on this part: {len(rows)}"
    return table(title, heads, rows, (0, 0, 0, 0, 3, 2, 0))


def _attempt(issued: Issued, opening: Record, closing: Record | None) -> tuple[str, ...]:
    changed = str(opening.body.get("change") or "none")
    if closing is None:
        return (
            opening.number,
            when(opening.at_ms),
            "OPEN",
            "--",
            "not closed",
            changed,
            opening.bench,
        )
    body = closing.body
    this = " (this paper)" if closing.number == issued.closing.number else ""
    return (
        closing.number + this,
        when(closing.at_ms),
        VERDICTS.get(body["verdict"], str(body["verdict"])),
        amount(body.get("worst") or {}),
        str(body["reason"]),
        changed,
        closing.bench,
    )
