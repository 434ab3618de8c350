"""What a row must hold besides its record, and which numbers a home lacks.

A chain shows any change, removal or insertion before its newest record (``checking.py``). Records
removed from its very end leave no mark in it: the heads that were given away show them, and the home's
numbers as soon as any bench has written since.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from results.record import BLOCK, OF_PART, Record, folded, number_of, place_of, row_of
from results.tables import RECORDS

R = RECORDS.c


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with which record, or which chain; ``question`` is one of ``answers.QUESTIONS``."""

    number: str
    words: str
    question: str = "whole"

    def __str__(self) -> str:
        return f"{self.number}: {self.words}"


def numbering_problems(connection: Connection) -> Iterator[Problem]:
    """Numbers missing between a home's first record and its newest, for each home of the shop."""
    last = 0
    for number in connection.execute(select(R.number).order_by(R.number)).scalars():
        if not isinstance(number, int):
            yield Problem(repr(number), "is no number", "chain")
            continue
        first = max(last, number // BLOCK * BLOCK) + 1
        for missing in range(first, number):
            yield Problem(number_of(missing), "is missing", "chain")
        last = number


def columns_of(record: Record) -> dict[str, Any]:
    """What the searchable columns of a record's row must hold, but ``id`` and ``closes``: these are
    places in one store."""
    body, kind = record.body, record.kind
    part = body.get("part") if kind in OF_PART else None
    return {
        "number": row_of(record.number),
        "bench": record.bench,
        "seq": record.seq,
        "kind": kind,
        "at_ms": record.at_ms,
        "part": place_of(part) if part else None,
        "serial": folded(body["serial"]) if kind == "intake" else None,
        "verdict": body["verdict"] if kind == "closing" else None,
    }


def opening_id(connection: Connection, record: Record) -> int | None:
    """The place in this store of the opening that a closing closes; None for other kinds."""
    if record.kind != "closing":
        return None
    return connection.execute(
        select(R.id).where(R.number == row_of(record.body["opening"]))
    ).scalar()
