"""What a bundle holds of one chain: records with signatures and proofs, its keys, its head."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from results import history, log
from results.errors import ChainBroken, KeyUnusable, NotFound
from results.keys import Keyring
from results.log import Head, SignedHead
from results.record import Record, parsed, place_of, row_of
from results.signing import Key, keys_of
from results.tables import RECORDS

R = RECORDS.c
MOST_OLDER = 50  # heads given away before, newest first, that a bundle's head is shown to follow
NAMED = re.compile(r"R-[A-Z]{0,2}[0-9]{6,15}")


@dataclass(frozen=True, slots=True)
class Stored:
    """A record as it is stored, and where it is in the log of its section's head."""

    record: Record
    raw: bytes
    signature: bytes | None
    path: tuple[bytes, ...] = ()


@dataclass(frozen=True, slots=True)
class Older:
    """The proof that the section's head follows one of ``size`` records with this root."""

    size: int
    root: str
    proof: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """``head`` None: another bench's chain, whose key isn't here and whose newest head is too old."""

    bench: str
    keys: tuple[Key, ...]
    head: SignedHead | None
    records: tuple[Stored, ...]
    older: tuple[Older, ...]


def sections(
    connection: Connection, keyring: Keyring, number: str, since: Sequence[Head] = ()
) -> tuple[Record, list[Section]]:
    """A record, and all that belongs to it, chain by chain, its own first.

    ``since``: heads that its bench's head is shown to follow.

    Signs the heads and keeps them as given away. Raises NotFound, KeyUnusable, ChainBroken.
    """
    main = history.by_number(connection, number)
    if main is None:
        raise NotFound(f"record {number}", "not in this home", "`history` lists what is there")
    wanted = {one.number: one for one in (main, *_about(connection, main))}
    chains = dict.fromkeys(one.bench for one in wanted.values())
    return main, [
        _section(connection, keyring, bench, _of(connection, bench, wanted), main, since)
        for bench in chains
    ]


def _section(
    connection: Connection,
    keyring: Keyring,
    bench: str,
    records: Sequence[Stored],
    main: Record,
    since: Sequence[Head],
) -> Section:
    head = _head(connection, keyring, bench, bench == main.bench, records[-1].record.seq)
    if head is not None:
        records = proved(connection, records, head.head)
    older = tuple(_older(connection, head.head, since)) if head else ()
    return Section(bench, tuple(keys_of(connection, bench)), head, tuple(records), older)


def _head(
    connection: Connection, keyring: Keyring, bench: str, own: bool, least: int
) -> SignedHead | None:
    """Signed now; for another chain than the record's the newest that was given away will do."""
    try:
        return log.issue(connection, keyring, bench)
    except (KeyUnusable, NotFound):
        if own:
            raise
    return next((one for one in log.issued(connection, bench) if one.head.size >= least), None)


def _older(connection: Connection, head: Head, since: Sequence[Head]) -> Iterator[Older]:
    given = [one.head for one in log.issued(connection, head.bench)]
    before = {one.size: one.root for one in given[: MOST_OLDER + 1]}
    for one in since:
        before |= _followed(connection, one) if one.bench == head.bench else {}
    for size, root in sorted(before.items()):
        if size < head.size:
            proof = log.consistency(connection, head.bench, size, head.size)
            yield Older(size, root, tuple(proof))


def _followed(connection: Connection, old: Head) -> dict[int, str]:
    """A head that somebody has; raises ChainBroken where it is of another log."""
    size = log.size_of(connection, old.bench)
    if old.size > size or log.root_of(connection, old.bench, old.size).hex() != old.root:
        what = f"the given head of {old.size} records is not of the log that is here"
        raise ChainBroken(f"log of {old.bench}", what, "keep both: one of them was written anew")
    return {old.size: old.root}


# ---- which records -------------------------------------------------------------------------------


def _about(connection: Connection, main: Record) -> Iterator[Record]:
    """The attempt's other end, what both name, the part's intakes and all its attempts."""
    ends = [main]
    if main.kind == "opening":
        ends += [one for one in [history.closing_of(connection, main.number)] if one]
    elif main.kind == "closing":
        ends += [one for one in [history.by_number(connection, main.body["opening"])] if one]
    named = {name for one in ends for name in NAMED.findall(one.json.decode())}
    for name in sorted(named | {one.number for one in ends}):
        found = history.by_number(connection, name)
        if found is not None:
            yield found
    for part in {str(one.body["part"]) for one in ends if one.body.get("part")}:
        yield from _of_part(connection, part)


def _of_part(connection: Connection, part: str) -> Iterator[Record]:
    query = select(R.json, R.sha256).where(R.part == place_of(part)).order_by(R.id)
    for row in connection.execute(query).all():
        record = history.whole(row.json, row.sha256)
        yield record
        if record.kind == "opening":
            closing = history.closing_of(connection, record.number)
            if closing is not None:
                yield closing


def stored(connection: Connection, bench: str, numbers: Iterable[str]) -> list[Stored]:
    """Those of these records that are in a chain, in their order."""
    wanted = sorted(row_of(name) for name in numbers)
    query = select(R.json, R.signature).where(R.bench == bench, R.number.in_(wanted))
    return [_stored(row) for row in connection.execute(query.order_by(R.seq))]


def proved(connection: Connection, records: Iterable[Stored], head: Head) -> list[Stored]:
    """The same records, each with the proof that it is in the log of ``head``."""
    return [
        Stored(
            one.record,
            one.raw,
            one.signature,
            tuple(log.inclusion(connection, head.bench, one.record.seq, head.size)),
        )
        for one in records
    ]


def _of(connection: Connection, bench: str, wanted: Mapping[str, Record]) -> list[Stored]:
    """The wanted records of one chain and all that announce its keys, in their order."""
    numbers = [row_of(name) for name, one in wanted.items() if one.bench == bench]
    query = select(R.json, R.signature).where(R.bench == bench)
    query = query.where(R.number.in_(numbers) | (R.kind == "key")).order_by(R.seq)
    return [_stored(row) for row in connection.execute(query)]


def _stored(row: Any) -> Stored:
    raw = row.json.encode()
    signature = bytes.fromhex(row.signature) if row.signature else None
    return Stored(parsed(raw), raw, signature)
