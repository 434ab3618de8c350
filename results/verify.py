"""Whether the records are still what was written: each one, its place in the chain, its trace.

A chain shows any change, removal or insertion before its newest record. Records removed from its very
end leave no mark in it; the home's numbers show them as soon as any bench has written since.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from results.errors import ResultsError
from results.record import BLOCK, FIRST_PREV, Record, chain, number_of, parsed, place_of, row_of
from results.tables import RECORDS, TRACES

R = RECORDS.c


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with which record."""

    number: str
    words: str

    def __str__(self) -> str:
        return f"{self.number}: {self.words}"


def chain_problems(connection: Connection, bench: str) -> Iterator[Problem]:
    """Walk one bench's chain from its first record."""
    prev = FIRST_PREV
    rows = connection.execute(select(RECORDS).where(R.bench == bench).order_by(R.seq))
    for place, row in enumerate(rows, start=1):
        number, raw = number_of(row.number), row.json.encode("utf-8", "surrogatepass")
        if row.seq != place:
            yield Problem(number, f"has place {row.seq} in the chain of {bench}, not {place}")
        for words in _row_problems(connection, row, raw, prev):
            yield Problem(number, words)
        prev = hashlib.sha256(raw).hexdigest()


def numbering_problems(connection: Connection) -> Iterator[Problem]:
    """Numbers missing between a home's first record and its newest, for each home of the shop."""
    last = 0
    for number in connection.execute(select(R.number).order_by(R.number)).scalars():
        first = max(last, number // BLOCK * BLOCK) + 1
        for missing in range(first, number):
            yield Problem(number_of(missing), "is missing")
        last = number


def columns_of(record: Record) -> dict[str, Any]:
    """What the searchable columns of a record's row must hold, but ``id`` and ``closes``: these are
    places in one store."""
    body, kind = record.body, record.kind
    part = body.get("part") if kind in ("intake", "opening") else None
    return {
        "number": row_of(record.number),
        "bench": record.bench,
        "seq": record.seq,
        "kind": kind,
        "at_ms": record.at_ms,
        "part": place_of(part) if part else None,
        "serial": body["serial"] if kind == "intake" else None,
        "verdict": body["verdict"] if kind == "closing" else None,
    }


def opening_id(connection: Connection, record: Record) -> int | None:
    """The place in this store of the opening that a closing closes; None for other kinds."""
    if record.kind != "closing":
        return None
    return connection.execute(
        select(R.id).where(R.number == row_of(record.body["opening"]))
    ).scalar()


def _row_problems(connection: Connection, row: Row[Any], raw: bytes, prev: str) -> Iterator[str]:
    try:
        record = parsed(raw)
        if chain(prev, raw) != row.sha256:
            yield "its stored hash doesn't fit what is stored: altered"
        if record.json != raw:
            yield "is not in canonical form"
        closes = opening_id(connection, record)
        yield from _column_problems(row, {**columns_of(record), "closes": closes})
        yield from _trace_problems(connection, record.body.get("trace"))
    except (ResultsError, KeyError, TypeError, AttributeError) as fault:
        yield f"altered, or something before it is: {fault}"


def _column_problems(row: Row[Any], wanted: Mapping[str, Any]) -> Iterator[str]:
    for name, value in wanted.items():
        if getattr(row, name) != value:
            yield f"column {name} says {getattr(row, name)!r}, the record {value!r}"


def _trace_problems(connection: Connection, named: Any) -> Iterator[str]:
    if named is None:
        return
    query = select(TRACES.c.bytes).where(TRACES.c.sha256 == named["sha256"])
    blob = connection.execute(query).scalar()
    if blob is None:
        yield "its trace is missing"
    elif hashlib.sha256(blob).hexdigest() != named["sha256"]:
        yield "its trace was altered"
