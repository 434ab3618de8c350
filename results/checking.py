"""A walk along a whole chain: is each record still what was written, signed, and where it was?

Nothing is asked of the database but rows in order, so that a long chain costs little more than its
hashes and signatures. What was found wrong names the record and the question that it answers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row, select

from results import keys, log, merkle
from results.errors import ResultsError
from results.log import SignedHead
from results.record import FIRST_PREV, Record, number_of, parsed
from results.signing import LOST, Key, announced_in, keys_of
from results.tables import RECORDS, TRACES
from results.verify import Problem, columns_of

R = RECORDS.c
AT_ONCE = 500  # rows, and with them their traces
NAMES = tuple(RECORDS.c.keys())


@dataclass(frozen=True, slots=True)
class Walked:
    """What a walk found: whose chain, how long, its keys, from where on it is signed, what is wrong.

    ``signed_from`` None: nothing in it is signed. ``replaced``: numbers of the key records that the
    key before them didn't sign; ``lost``: places of the keys that these announce. ``heads``: how many
    it was held to.
    """

    bench: str
    size: int
    keys: tuple[Key, ...]
    signed_from: int | None
    problems: tuple[Problem, ...]
    replaced: tuple[str, ...]
    lost: frozenset[int]
    heads: int


def walk(connection: Connection, bench: str, heads: Sequence[SignedHead] = ()) -> Walked:
    """Walk one chain. ``heads``: such as the log has to agree with, besides those it gave away."""
    problems = list[Problem]()
    walker = _Walker(bench, _listed(connection, bench, problems), problems)
    known = [*_given_away(connection, bench, problems), *heads]
    walker.expect(known)
    query = select(RECORDS).where(R.bench == bench).order_by(R.seq)
    rows = connection.execution_options(yield_per=AT_ONCE).execute(query)
    for some in rows.partitions(AT_ONCE):
        read = [_Read.of(row) for row in some]
        walker.take(read, _traces(connection, read))
    return walker.done(known)


def _listed(connection: Connection, bench: str, problems: list[Problem]) -> list[Key]:
    try:
        return keys_of(connection, bench)
    except ResultsError as fault:
        problems.append(Problem(bench, str(fault), "key"))
        return []


def _given_away(connection: Connection, bench: str, problems: list[Problem]) -> list[SignedHead]:
    try:
        return log.issued(connection, bench)
    except ResultsError as fault:
        problems.append(Problem(bench, f"a head that was given away: {fault}", "heads"))
        return []


@dataclass(frozen=True, slots=True)
class _Read:
    """A row by its columns, its record's bytes and their hash, and the record, or why it is none."""

    row: Mapping[str, Any]
    raw: bytes
    sha256: str
    record: Record | ResultsError

    @classmethod
    def of(cls, columns: Row[Any]) -> _Read:
        row = dict(zip(NAMES, columns, strict=True))  # a column by its name costs much in a row
        text = row["json"]  # SQLite holds whatever somebody puts in, of whatever type
        raw = text if isinstance(text, bytes) else str(text).encode("utf-8", "surrogatepass")
        sha256 = hashlib.sha256(raw).hexdigest()
        try:
            return cls(row, raw, sha256, parsed(raw))
        except ResultsError as fault:
            return cls(row, raw, sha256, fault)


def _traces(connection: Connection, read: Iterable[_Read]) -> dict[str, str]:
    """By the hash that a record names, the hash that the stored trace has now."""
    bodies = (one.record.body for one in read if isinstance(one.record, Record))
    named = {str(body["trace"]["sha256"]) for body in bodies if _names_trace(body)}
    if not named:
        return {}
    found = connection.execute(select(TRACES).where(TRACES.c.sha256.in_(sorted(named))))
    return {row.sha256: _hash_of(row.bytes) for row in found}


def _hash_of(blob: Any) -> str:
    """Of stored bytes; of anything else that somebody put there it is none that a record names."""
    return hashlib.sha256(blob).hexdigest() if isinstance(blob, bytes) else repr(blob)


def _names_trace(body: Mapping[str, Any]) -> bool:
    named = body.get("trace")
    return isinstance(named, dict) and "sha256" in named


@dataclass
class _Walker:
    bench: str
    listed: Sequence[Key]
    problems: list[Problem]
    replaced: list[str] = field(default_factory=list)
    lost: set[int] = field(default_factory=set)
    place: int = 0
    prev: str = FIRST_PREV
    signer: bytes | None = None
    said: list[tuple[int, bytes]] = field(default_factory=list)  # (since, key) as the chain has it
    begun: dict[str, int] = field(default_factory=dict)  # openings without a closing so far
    nodes: dict[merkle.Node, bytes] = field(default_factory=dict)  # right edge of the log
    roots: dict[int, str | None] = field(default_factory=dict)  # by size; None: wanted
    log_fits: bool = True

    def expect(self, heads: Iterable[SignedHead]) -> None:
        self.roots.update({one.head.size: None for one in heads})

    def take(self, read: Iterable[_Read], traces: Mapping[str, str]) -> None:
        for one in read:
            self.place += 1
            held = one.row["number"]
            number = number_of(held) if isinstance(held, int) else repr(held)
            for words, question in self._row(one, traces):
                self.problems.append(Problem(number, words, question))
            self.prev = one.sha256

    def _row(self, one: _Read, traces: Mapping[str, str]) -> Iterator[tuple[str, str]]:
        row, raw, record = one.row, one.raw, one.record
        if row["seq"] != self.place:
            yield f"has place {row['seq']} in the chain of {self.bench}, not {self.place}", "chain"
        if one.sha256 != row["sha256"]:
            yield "its stored hash doesn't fit what is stored: altered", "whole"
        yield from self._in_log(row, raw)
        if isinstance(record, ResultsError):
            yield f"altered: {record}", "whole"
            return
        try:
            yield from self._signature(row, record, raw)
            if record.prev != self.prev:
                followed = f"{record.prev[:12]}…, not {self.prev[:12]}…"
                yield f"follows {followed}: altered, or something before it is", "chain"
            yield from self._columns(row, record)
            yield from _trace(record, traces)
        except (ResultsError, KeyError, TypeError, ValueError, AttributeError) as fault:
            yield f"altered: {fault}", "whole"

    def _in_log(self, row: Mapping[str, Any], raw: bytes) -> Iterator[tuple[str, str]]:
        index = self.place - 1
        done = merkle.completed(index, merkle.leaf_hash(raw), self.nodes)
        for used in merkle.neighbours(index):
            del self.nodes[used]
        self.nodes[len(done) - 1, index >> (len(done) - 1)] = done[-1]
        if self.place in self.roots:
            self.roots[self.place] = merkle.hash_of((0, self.place), self.nodes).hex()
        if self.log_fits and row["nodes"] != b"".join(done):
            self.log_fits = False  # all that comes after rests on it
            yield "the log's hashes don't fit from here on", "log"

    def _signature(
        self, row: Mapping[str, Any], record: Record, raw: bytes
    ) -> Iterator[tuple[str, str]]:
        if self.signer is None and self.listed and self.listed[0].since == self.place:
            self._follow(self.listed[0])
        announced = announced_in(record) if record.kind == "key" else None
        if announced and record.body["why"] == LOST:
            self.replaced.append(record.number)
            self._follow(announced)
            self.lost.add(len(self.said))
        yield from self._signed(row, record, raw)
        if announced and record.body["why"] != LOST:
            self._follow(announced)

    def _follow(self, key: Key) -> None:
        self.said.append((key.since, key.public))
        self.signer = key.public

    def _signed(
        self, row: Mapping[str, Any], record: Record, raw: bytes
    ) -> Iterator[tuple[str, str]]:
        if (row["signature"] is None) != (self.signer is None):
            yield ("is not signed" if self.signer else "is signed by no known key"), "signature"
        elif self.signer and not keys.holds(self.signer, raw, bytes.fromhex(row["signature"])):
            yield "its signature doesn't fit: altered, or signed by another key", "signature"
        elif not self.signer and record.json != raw:  # only canonical bytes are ever signed
            yield "is not in canonical form", "whole"

    def _columns(self, row: Mapping[str, Any], record: Record) -> Iterator[tuple[str, str]]:
        wanted = {**columns_of(record), "closes": None}
        if record.kind == "opening":
            self.begun[record.number] = row["id"]
        elif record.kind == "closing":
            wanted["closes"] = self.begun.pop(record.body["opening"], None)
            if wanted["closes"] is None:
                yield f"closes {record.body['opening']}, which is not open before it", "chain"
        for name, value in wanted.items():
            if row[name] != value:
                told = f"column {name} says {row[name]!r}, the record {value!r}"
                yield told + MEANING.get(name, ""), "whole"

    def done(self, known: Sequence[SignedHead]) -> Walked:
        listed = [(key.since, key.public) for key in self.listed]
        if self.said != listed:
            words = "the list of its keys is not what its records announced"
            self.problems.append(Problem(self.bench, words, "key"))
        for one in known:
            self.problems += [Problem(self.bench, w, "heads") for w in self._head(one)]
        since = self.listed[0].since if self.listed else None
        found = (tuple(self.listed), since, tuple(self.problems), tuple(self.replaced))
        return Walked(self.bench, self.place, *found, frozenset(self.lost), len(known))

    def _head(self, one: SignedHead) -> Iterator[str]:
        head = one.head
        what = f"the head of {head.size} records"
        public = next((key.public for key in self.listed if key.mark == head.key), None)
        if public is None or not keys.holds(public, head.json, one.signature):
            yield f"{what} is not signed by a key of this chain: forged"
        elif head.size > self.place:
            yield f"{what} was signed, and here are {self.place}: the tail was cut off"
        elif head.root != self.roots[head.size]:
            yield f"{what} has another root than these records: the log was written anew"
        elif head.signed_from != self.listed[0].since:
            yield f"{what} says signed from {head.signed_from} on, not {self.listed[0].since}"


# what a column that disagrees means
MEANING = {
    "number": ": a number used twice, or given to another record",
    "seq": ": records re-ordered",
}


def _trace(record: Record, traces: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    named = record.body.get("trace")
    if named is None:
        return
    if named["sha256"] not in traces:
        yield "its trace is missing", "whole"
    elif traces[named["sha256"]] != named["sha256"]:
        yield "its trace was altered", "whole"
