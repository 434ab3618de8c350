"""Carrying records from one store to another: what the other lacks, once each, in their order.

A chain is carried from where the other side's ends. So it doesn't matter how often it is tried, or
whether the answer to the last try was lost: what has arrived is seen there and not sent again. Each
record must follow the one before it; two stores that went on apart are never mixed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Table, and_, func, or_, select

from results.appending import keep
from results.errors import ChainBroken
from results.record import FIRST_PREV, parsed
from results.tables import HEADS, KEYS, RECORDS, TRACES

R = RECORDS.c
AT_ONCE = 200  # records in one transaction
# what belongs to a chain besides its records: table, and the column that says how far it is
ALONG: Sequence[tuple[Table, str]] = ((KEYS, "place"), (HEADS, "size"))


@dataclass(frozen=True, slots=True)
class Head:
    """The newest record of a chain."""

    seq: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Load:
    """Some records on their way, with the traces that they name and what belongs to their chains."""

    rows: Sequence[Row[Any]]
    traces: Mapping[str, bytes]
    along: Mapping[str, Sequence[Mapping[str, Any]]]


def heads(connection: Connection) -> dict[str, Head]:
    """How far each chain is. One look at the index per chain, however long they are."""
    first = select(func.min(R.bench).label("bench")).cte("chains", recursive=True)
    after = select(func.min(R.bench)).where(R.bench > first.c.bench).scalar_subquery()
    chains = first.union_all(select(after).where(first.c.bench.is_not(None)))
    last = select(func.max(R.seq)).where(R.bench == chains.c.bench).scalar_subquery()
    ends = select(chains.c.bench, last.label("seq")).where(chains.c.bench.is_not(None)).subquery()
    joined = RECORDS.join(ends, and_(R.bench == ends.c.bench, R.seq == ends.c.seq))
    rows = connection.execute(select(R.bench, R.seq, R.sha256).select_from(joined))
    return {row.bench: Head(row.seq, row.sha256) for row in rows}


def parted(
    connection: Connection, mine: Mapping[str, Head], theirs: Mapping[str, Head]
) -> set[str]:
    """Chains of which the other side has another record at a place that both have.

    ``connection`` is to the side of ``mine``. Only the shorter end is compared: the chain vouches for
    what is before it.
    """
    return {
        bench
        for bench, head in theirs.items()
        if bench in mine and head.seq <= mine[bench].seq
        if head != mine[bench] and _hash_at(connection, bench, head.seq) != head.sha256
    }


def _hash_at(connection: Connection, bench: str, seq: int) -> str | None:
    query = select(R.sha256).where(R.bench == bench, R.seq == seq)
    return connection.execute(query).scalar()


def loads(connection: Connection, have: Mapping[str, Head], skip: set[str]) -> Iterator[Load]:
    """What the other side, which ``have``s so much, lacks; in the order of arrival here."""
    ahead = {
        bench: have[bench].seq if bench in have else 0
        for bench, head in heads(connection).items()
        if bench not in skip and (bench not in have or have[bench].seq < head.seq)
    }
    last = 0
    while ahead and (rows := _rows(connection, ahead, last)):
        last = rows[-1].id
        yield Load(rows, _traces(connection, rows), _along(connection, ahead))


def waiting(connection: Connection, have: Mapping[str, Head]) -> int:
    """How many records the other side lacks."""
    mine = heads(connection)
    return sum(
        max(0, head.seq - (have[bench].seq if bench in have else 0)) for bench, head in mine.items()
    )


def _rows(connection: Connection, ahead: Mapping[str, int], last: int) -> Sequence[Row[Any]]:
    wanted: list[ColumnElement[bool]] = [
        and_(R.bench == bench, R.seq > seq) for bench, seq in ahead.items()
    ]
    query = select(RECORDS).where(R.id > last, or_(*wanted)).order_by(R.id).limit(AT_ONCE)
    return connection.execute(query).all()


def _traces(connection: Connection, rows: Sequence[Row[Any]]) -> dict[str, bytes]:
    named = [parsed(row.json.encode()).body.get("trace") for row in rows]
    wanted = {one["sha256"] for one in named if one}
    query = select(TRACES).where(TRACES.c.sha256.in_(wanted))
    return {row.sha256: row.bytes for row in connection.execute(query)}


def _along(connection: Connection, ahead: Mapping[str, int]) -> dict[str, Sequence[Any]]:
    return {
        table.name: connection.execute(select(table).where(table.c.bench.in_(ahead)))
        .mappings()
        .all()
        for table, _ in ALONG
    }


def take(connection: Connection, load: Load) -> int:
    """Store what of ``load`` isn't here yet; how many that was. In the caller's transaction.

    Raises ChainBroken when a record doesn't follow the newest one that is here.
    """
    here = heads(connection)
    taken = 0
    for row in load.rows:
        head = here.get(row.bench, Head(0, FIRST_PREV))
        if row.seq <= head.seq:
            continue  # another program was faster, or the last answer was lost
        here[row.bench] = _take_one(connection, row, head, load.traces)
        taken += 1
    for table, how_far in ALONG:
        _take_along(connection, table, how_far, load.along.get(table.name, ()))
    return taken


def _take_one(
    connection: Connection, row: Row[Any], head: Head, traces: Mapping[str, bytes]
) -> Head:
    raw = row.json.encode()
    record, sha256 = parsed(raw), hashlib.sha256(raw).hexdigest()
    if (row.seq, record.seq, record.prev) != (head.seq + 1, head.seq + 1, head.sha256):
        raise ChainBroken(record.number, f"does not follow place {head.seq} of chain {row.bench}")
    if sha256 != row.sha256 or record.bench != row.bench:
        raise ChainBroken(record.number, "was altered in the store that it comes from")
    named = record.body.get("trace")
    if named:
        _take_trace(connection, record.number, named["sha256"], traces)
    keep(connection, record, raw, bytes.fromhex(row.signature) if row.signature else None)
    return Head(record.seq, sha256)


def _take_trace(
    connection: Connection, number: str, sha256: str, traces: Mapping[str, bytes]
) -> None:
    blob = traces.get(sha256)
    if blob is None or hashlib.sha256(blob).hexdigest() != sha256:
        raise ChainBroken(number, "its trace is missing or altered in the store that it comes from")
    known = select(TRACES.c.sha256).where(TRACES.c.sha256 == sha256)
    if connection.execute(known).first() is None:
        connection.execute(TRACES.insert().values(sha256=sha256, bytes=blob))


def _take_along(
    connection: Connection, table: Table, how_far: str, rows: Sequence[Mapping[str, Any]]
) -> None:
    benches = {row["bench"] for row in rows}
    query = select(table.c.bench, func.max(table.c[how_far])).group_by(table.c.bench)
    have = dict(connection.execute(query.where(table.c.bench.in_(benches))).tuples().all())
    fresh = [dict(row) for row in rows if row[how_far] > have.get(row["bench"], 0)]
    if fresh:
        connection.execute(table.insert(), fresh)
