"""Questions to the records: attempts, parts, the newest of a kind. Read-only.

Each function takes a connection that the store has opened, so that one answer sees one state.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, func, select

from results.errors import ChainBroken
from results.record import BLOCK, Record, folded, parsed, place_of, row_of
from results.tables import JOINED, RECORDS, RESTORED

R = RECORDS.c
C = RECORDS.alias("closing").c
AT_ONCE = 5_000  # values in one query; the database takes no more than 32,766
HIGHEST = "\U0010ffff"  # sorts after every text with the same prefix


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt: its opening and, unless it is still open, its closing.

    ``verdict`` is None while it is open. ``worst_ua``, ``u_ua`` in µA; None where nothing was
    measured. Times in ms UTC. Model and serial are those of the part's newest intake.
    """

    number: str
    closing: str | None
    bench: str
    simulated: bool | None
    opened_ms: int
    closed_ms: int | None
    part: str
    family: str
    model: str
    serial: str
    verdict: str | None
    rule: str
    reason: str
    cause: str
    disposition: str
    worst_ua: int | None
    u_ua: int | None
    basis: str
    condition: str
    date_code: str = ""
    duration_ms: int | None = None


def whole(raw: str, sha256: str) -> Record:
    """The record of a row's ``json`` and ``sha256``. Raises ChainBroken if they don't agree."""
    data = raw.encode("utf-8", "surrogatepass")
    record = parsed(data)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ChainBroken(
            f"record {record.number}",
            "its stored hash doesn't fit what is stored",
            "something altered it: keep the file as it is and restore a backup",
        )
    return record


def by_number(connection: Connection, number: str) -> Record | None:
    """The record R-000123."""
    return next(_records(connection, _select().where(R.number == row_of(number))), None)


def closing_of(connection: Connection, opening: str) -> Record | None:
    """The closing of an opening, None while it is open."""
    opened = select(R.id).where(R.number == row_of(opening)).scalar_subquery()
    return next(_records(connection, _select().where(R.closes == opened)), None)


def of_kind(
    connection: Connection, kind: str, bench: str | None, where: Mapping[str, object] | None
) -> Iterator[Record]:
    """Records of a kind, newest first, whose body has the members in ``where``."""
    query = _select().where(R.kind == kind)
    if bench is None:
        query = query.order_by(R.id.desc())
    else:
        query = query.where(R.bench == bench).order_by(R.seq.desc())
    for record in _records(connection, query):
        if all(record.body.get(name) == value for name, value in (where or {}).items()):
            yield record


def newest_of(connection: Connection, bench: str) -> Record | None:
    """The newest record of a chain."""
    query = _select().where(R.bench == bench).order_by(R.seq.desc()).limit(1)
    return next(_records(connection, query), None)


def parts(connection: Connection, places: Iterable[int] | None = None) -> list[Record]:
    """The newest intake of each part, or of those asked for, in the order of their numbers."""
    newest = select(func.max(R.id)).where(R.kind == "intake").group_by(R.part)
    if places is None:
        return list(_records(connection, _select().where(R.id.in_(newest)).order_by(R.part)))
    wanted, found = sorted(set(places)), list[Record]()
    for start in range(0, len(wanted), AT_ONCE):
        some = newest.where(R.part.in_(wanted[start : start + AT_ONCE]))
        found += _records(connection, _select().where(R.id.in_(some)).order_by(R.part))
    return found


def by_serial(connection: Connection, serial: str, prefix: bool) -> list[Record]:
    """Intakes with this serial number, or one that begins with it, newest first, whatever its case."""
    wanted, query = folded(serial), _select().order_by(R.id.desc())
    if prefix:  # a range, not LIKE: the index answers it
        query = query.where(R.serial >= wanted, R.serial < wanted + HIGHEST)
    else:
        query = query.where(R.serial == wanted)
    return list(_records(connection, query))


def restored_over(connection: Connection, number: str) -> bool:
    """Whether the record is from before the store came back from a backup."""
    here = select(R.id).where(R.number == row_of(number)).scalar_subquery()
    return (
        connection.execute(select(RESTORED.c.id).where(RESTORED.c.records >= here)).first()
        is not None
    )


def last_part(connection: Connection, home: int = 0) -> int:
    """The highest part number that a home has given so far, as a number; of place 0: the store's own."""
    mine = R.part.between(home * BLOCK, (home + 1) * BLOCK - 1)
    return int(connection.execute(select(func.max(R.part)).where(mine)).scalar() or home * BLOCK)


def home_place(connection: Connection) -> int:
    """Which of the shop's homes this is, 1 for A; 0 for a home of its own and for the shop's store."""
    return int(connection.execute(select(JOINED.c.place).where(JOINED.c.id == 1)).scalar() or 0)


def open_attempts(connection: Connection, bench: str | None = None) -> list[Record]:
    """Openings without a closing, oldest first."""
    closed = select(C.id).where(C.closes == R.id).exists()
    query = _select().where(R.kind == "opening", ~closed).order_by(R.id)
    if bench is not None:
        query = query.where(R.bench == bench)
    return list(_records(connection, query))


@dataclass(frozen=True, slots=True)
class Filters:
    """Which attempts: of one part, with one verdict, of one bench, opened before a record."""

    part: str | None = None
    verdict: str | None = None
    bench: str | None = None
    before: str | None = None


def attempts(connection: Connection, limit: int | None, only: Filters) -> list[Attempt]:
    """The newest ``limit`` attempts, newest first."""
    return joined(connection, filtered(only).limit(limit))


def joined(connection: Connection, query: Select[Any]) -> list[Attempt]:
    """The attempts of a query as ``filtered`` makes it."""
    rows = connection.execute(query).all()
    openings = [whole(row.json, row.sha256) for row in rows]
    closings = [whole(row.c_json, row.c_sha256) if row.c_json else None for row in rows]
    numbers = {str(opening.body["part"]) for opening in openings} - {""}
    intakes = parts(connection, {place_of(number) for number in numbers})
    known = {intake.body["part"]: intake for intake in intakes}
    return [
        _attempt(opening, closing, known.get(opening.body["part"]))
        for opening, closing in zip(openings, closings, strict=True)
    ]


def older(query: Select[Any], verdict: str | None, number: str) -> Select[Any]:
    """What such a query finds after the attempt with this opening."""
    place = select(R.id).where(R.number == row_of(number)).scalar_subquery()
    return query.where((C.closes if verdict else R.id) < place)


def filtered(only: Filters) -> Select[Any]:
    """Openings with their closings, newest first."""
    columns = (R.json, R.sha256, C.json.label("c_json"), C.sha256.label("c_sha256"))
    joined = RECORDS.outerjoin(C.id.table, C.closes == R.id)
    query = select(*columns).select_from(joined).where(R.kind == "opening")
    # ordered by the side whose index is searched, so that a rare verdict is found at once
    query = query.order_by((C.closes if only.verdict else R.id).desc())
    if only.part is not None:
        query = query.where(R.part == place_of(only.part))
    if only.verdict is not None:
        query = query.where(C.verdict == only.verdict)
    if only.bench is not None:
        query = query.where(R.bench == only.bench)
    if only.before is not None:
        before = select(R.id).where(R.number == row_of(only.before)).scalar_subquery()
        query = query.where(R.id < before)
    return query


def _attempt(opening: Record, closing: Record | None, intake: Record | None) -> Attempt:
    ended = closing.body if closing else {}
    worst = ended.get("worst") or {}
    plate = intake.body if intake else {}
    return Attempt(
        number=opening.number,
        closing=closing.number if closing else None,
        bench=opening.bench,
        simulated=opening.simulated,
        opened_ms=opening.at_ms,
        closed_ms=closing.at_ms if closing else None,
        part=opening.body["part"],
        family=opening.body["family"],
        model=plate.get("model", ""),
        serial=plate.get("serial", ""),
        verdict=ended.get("verdict"),
        **{name: ended.get(name, "") for name in ("rule", "reason", "cause", "disposition")},
        worst_ua=worst.get("y_ua"),
        u_ua=worst.get("u_ua"),
        basis=worst.get("basis", ""),
        condition=worst.get("name", ""),
        date_code=plate.get("date_code", ""),
        duration_ms=ended.get("duration_ms"),
    )


def _select() -> Select[Any]:
    return select(R.json, R.sha256)


def _records(connection: Connection, query: Select[Any]) -> Iterator[Record]:
    rows: Iterable[Row[Any]] = connection.execute(query)
    for row in rows:
        yield whole(row.json, row.sha256)
