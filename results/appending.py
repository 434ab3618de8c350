"""What happens inside the one transaction of an append."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import BigInteger, Connection, and_, bindparam, cast, func, literal, select

from results import history, log, resale, signing, trace
from results.errors import BadRecord, MixedHome, NotFound
from results.keys import Keyring
from results.record import (
    BENCHLESS,
    BLOCK,
    FIRST_PREV,
    SHOP,
    Record,
    canonical,
    check_body,
    letters_of,
    number_of,
    part_number,
    place_of,
    row_of,
)
from results.tables import HOME, JOINED, RECORDS, TRACES
from results.verify import columns_of

R = RECORDS.c
ROW = tuple(column.name for column in RECORDS.columns if column.name not in ("id", "closes"))

# Statements that each append asks are made once: to make one costs more than to have it answered.
_HOME = func.coalesce(
    cast(select(JOINED.c.place).where(JOINED.c.id == 1).scalar_subquery(), BigInteger),
    literal(0, BigInteger),
)
_BLOCK = literal(BLOCK, BigInteger)
_MINE = and_(R.number >= _HOME * _BLOCK, R.number < (_HOME + 1) * _BLOCK)
_STATE = select(
    _HOME,
    select(R.number).where(_MINE).order_by(R.number.desc()).limit(1).scalar_subquery(),
    select(HOME.c.simulated).where(HOME.c.id == 1).scalar_subquery(),
)
_HEAD = select(R.seq, R.sha256).where(R.bench == bindparam("chain")).order_by(R.seq.desc()).limit(1)
_NEXT = select(func.coalesce(func.max(R.id), 0) + 1).scalar_subquery()
_CLOSED = RECORDS.alias("closed")
_CLOSES = (
    select(_CLOSED.c.id).where(_CLOSED.c.number == bindparam("closed_number")).scalar_subquery()
)
_INSERT = RECORDS.insert().values(
    {"id": _NEXT, "closes": _CLOSES} | {name: bindparam(name) for name in ROW}
)
_LATER = RECORDS.alias("later")
_OPENING = (
    select(R.kind, R.bench, _LATER.c.number)
    .select_from(RECORDS.outerjoin(_LATER, _LATER.c.closes == R.id))
    .where(R.number == bindparam("opening"))
)
_INTAKE = select(R.id).where(R.part == bindparam("place"), R.kind == "intake").limit(1)
_KNOWN = select(TRACES.c.sha256).where(TRACES.c.sha256 == bindparam("hash"))


@dataclass(frozen=True, slots=True)
class Given:
    """What the caller wants recorded, checked as far as that goes without the database."""

    kind: str
    bench: str
    body: Mapping[str, Any]
    raw: bytes  # the body's canonical form
    trace: bytes | None
    at_ms: int


def given(
    kind: str, bench: str, body: Mapping[str, Any], blob: bytes | None, at_ms: int | None
) -> Given:
    """Check and complete, before the write lock is taken. Raises BadRecord."""
    check_body(kind, body)
    if not bench.strip() and kind not in BENCHLESS:
        raise BadRecord(f"{kind} record", "names no bench", "give the bench's identity")
    if "\0" in bench or "\0" in str(body.get("serial", "")):
        raise BadRecord(f"{kind} record", "has a NUL in bench or serial", "type it, don't paste it")
    if "trace" in body:
        raise BadRecord(f"{kind} record", "trace is the store's to fill in", "hand it over apart")
    whole = dict(body)
    if kind == "closing" or blob is not None:
        whole["trace"] = None if blob is None else _named(blob)
    raw = canonical(whole)
    return Given(kind, bench, whole, raw, blob, now_ms() if at_ms is None else at_ms)


def now_ms() -> int:
    """UTC in ms."""
    return time.time_ns() // 1_000_000


def insert(connection: Connection, what: Given, keyring: Keyring) -> Record:
    """Give it its number, its place, its predecessor and its signature, and store it."""
    home, number, held = _state(connection)
    bench = chain_name(what.bench, home)
    body = CHECKS.get(what.kind, _as_it_is)(connection, what)
    seq, prev = newest_in(connection, bench)
    record = Record(
        kind=what.kind,
        bench=bench,
        number=number_of(number + 1),
        seq=seq + 1,
        at_ms=what.at_ms,
        simulated=_nature_for(held, what.kind),
        prev=prev,
        body=body,
    )
    _keep_trace(connection, what)
    raw = record.around(what.raw) if body is what.body else record.json
    return keep(connection, record, raw, signing.sign(connection, keyring, record, raw))


def keep(connection: Connection, record: Record, raw: bytes, signature: bytes | None) -> Record:
    """Store a whole record, ``raw`` its bytes, as the newest of this store.

    ``signature`` None: older than signing.
    """
    closes = record.body["opening"] if record.kind == "closing" else None
    values = {
        **columns_of(record),
        "closed_number": None if closes is None else row_of(closes),
        "sha256": hashlib.sha256(raw).hexdigest(),
        "json": raw.decode(),
        "signature": signature.hex() if signature else None,
        "nodes": log.row_nodes(connection, record.bench, record.seq, raw),
    }
    connection.execute(_INSERT, values)
    return history.whole(values["json"], values["sha256"])


def chain_name(bench: str, home: int) -> str:
    """Whose chain it goes to: each home of a shop has a chain of its own for what no bench has done."""
    if not home or bench not in ("", SHOP):
        return bench
    return f"{SHOP}-{letters_of(home)}"


def _state(connection: Connection) -> tuple[int, int, bool | None]:
    """(this home's place in its shop, its newest number, what it was stamped with)."""
    home, number, held = connection.execute(_STATE).one()
    return home, home * BLOCK if number is None else number, held


def nature(connection: Connection) -> bool | None:
    """What the home was stamped with."""
    return connection.execute(select(HOME.c.simulated)).scalar()


def _nature_for(held: bool | None, kind: str) -> bool | None:
    if held is None and kind not in BENCHLESS:
        raise MixedHome(
            f"{kind} record",
            "it is not known whether this home is simulated or real",
            "open the store with what the bench has proved to be",
        )
    return held


def newest_in(connection: Connection, bench: str) -> tuple[int, str]:
    """(seq, hash) of the newest record of a chain; (0, zeros) of an empty one."""
    found = connection.execute(_HEAD, {"chain": bench}).first()
    return (found.seq, found.sha256) if found else (0, FIRST_PREV)


def _named(blob: bytes) -> dict[str, Any]:
    columns, rows = trace.describe(blob)
    return {"sha256": hashlib.sha256(blob).hexdigest(), "columns": list(columns), "rows": rows}


def _keep_trace(connection: Connection, what: Given) -> None:
    if what.trace is None:
        return
    sha256 = what.body["trace"]["sha256"]
    known = connection.execute(_KNOWN, {"hash": sha256}).first()
    if known is None:  # two attempts may have the same trace, an empty one for example
        connection.execute(TRACES.insert().values(sha256=sha256, bytes=what.trace))


# ---- what a kind must agree with ------------------------------------------------------------------


def _as_it_is(_connection: Connection, what: Given) -> Mapping[str, Any]:
    return what.body


def _intake(connection: Connection, what: Given) -> Mapping[str, Any]:
    """A new part gets the next number; a registered one is registered again only by ``amends``."""
    home = history.home_place(connection)
    number = what.body.get("part") or part_number(history.last_part(connection, home) + 1)
    known = history.parts(connection, [_place(number)])
    amends = what.body.get("amends")
    if bool(known) != bool(amends) or (known and known[0].number != amends):
        newest = known[0].number if known else "none"
        raise BadRecord(
            f"intake of {number}",
            f"amends {amends or 'nothing'}, but the part's newest intake is {newest}",
            'leave "part" out for a new part; name the newest intake in "amends" for a known one',
        )
    return {**what.body, "part": number}


def _opening(connection: Connection, what: Given) -> Mapping[str, Any]:
    number = what.body["part"]
    if number and not connection.execute(_INTAKE, {"place": _place(number)}).first():
        raise NotFound(f"part {number}", "not registered in this home", "register it: intake")
    return what.body


def _closing(connection: Connection, what: Given) -> Mapping[str, Any]:
    named = what.body["opening"]
    found = connection.execute(_OPENING, {"opening": row_of(named)}).first()
    if found is None or found.kind != "opening" or found.bench != what.bench:
        raise NotFound(f"opening {named}", f"bench {what.bench} has none like it")
    if found.number is not None:
        raise BadRecord(f"opening {named}", f"closed already by {number_of(found.number)}")
    return what.body


def _place(number: str) -> int:
    """A canonical part number's place; P-7 for P-0007 would be another text for the same part."""
    place = place_of(number)
    if part_number(place) != number or place < 1:
        raise BadRecord(f"part {number!r}", "is written in another way", "like P-0001")
    return place


def _of_part(connection: Connection, what: Given) -> Mapping[str, Any]:
    return resale.checked(connection, what.kind, what.body, what.at_ms, nature(connection))


def _recall(_connection: Connection, what: Given) -> Mapping[str, Any]:
    """Family alone would recall everything of a kind."""
    if not any(str(what.body[name]).strip() for name in ("model", "date_code", "serial")):
        remedy = "name a model, a date code, or how the serial numbers begin"
        raise BadRecord("recall record", "names no part of the family", remedy)
    return what.body


def _amendment(connection: Connection, what: Given) -> Mapping[str, Any]:
    """What is amended is there, and of the part that it says."""
    amended = history.by_number(connection, what.body["amends"])
    if amended is None:
        raise NotFound(f"record {what.body['amends']}", "not in this home", "`history` lists them")
    part = amended.body.get("part")
    return {**what.body, "amends": amended.number, **({"part": part} if part else {})}


CHECKS: Mapping[str, Callable[[Connection, Given], Mapping[str, Any]]] = {
    "intake": _intake,
    "opening": _opening,
    "closing": _closing,
    "recall": _recall,
    "amendment": _amendment,
    **dict.fromkeys(resale.CHECKS, _of_part),
}
