"""Which key signs which record of a chain, and how one key follows another.

The table ``keys`` lists a chain's public keys in their order. The first one is made when the chain's
first record is signed; each later one is announced by a ``key`` record in the chain itself:

rotation  the old key signs the record that announces the new one, and so vouches for it;
lost      the new key signs it, and a person states by name why the old one can't.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, bindparam, select

from results.errors import BadRecord, ChainBroken
from results.keys import Keyring, fingerprint, raw_public
from results.record import Record
from results.tables import KEYS

K = KEYS.c
ROTATION, LOST = "rotation", "lost"
# from the key record's own place on, or from the one behind it: which key signs it
SIGNED_BY_THE_OLD: Mapping[str, int] = {ROTATION: 1, LOST: 0}


# made once: each append asks it
_NEWEST = (
    select(K.place, K.since, K.public)
    .where(K.bench == bindparam("chain"))
    .order_by(K.place.desc())
    .limit(1)
)


@dataclass(frozen=True, slots=True)
class Key:
    """A chain's ``place``-th public key (32 raw bytes); it signs from the record ``since`` on."""

    place: int
    since: int
    public: bytes

    @property
    def mark(self) -> str:
        """Its fingerprint."""
        return fingerprint(self.public)


def keys_of(connection: Connection, chain: str) -> list[Key]:
    """A chain's keys, oldest first; none when nothing in it was ever signed. Raises ChainBroken."""
    query = select(K.place, K.since, K.public).where(K.bench == chain).order_by(K.place)
    return [_key(*row) for row in connection.execute(query)]


def in_force(connection: Connection, chain: str) -> Key | None:
    """The key that signs what comes next; None before the first. Raises ChainBroken."""
    row = connection.execute(_NEWEST, {"chain": chain}).first()
    return _key(*row) if row else None


def _key(place: int, since: int, public: str) -> Key:
    """A row of the table, unless somebody altered it."""
    try:
        key = Key(place, since + 0, bytes.fromhex(public))
        fingerprint(key.public)
    except (TypeError, ValueError) as fault:
        raise ChainBroken("list of keys", f"holds no key: {fault}", "restore a backup") from fault
    return key


def sign(connection: Connection, keyring: Keyring, record: Record, raw: bytes) -> bytes:
    """The signature over a record's canonical bytes, in the transaction that stores it.

    Makes the chain's first key. Raises KeyUnusable, BadRecord (a key record that announces nothing).
    """
    held = in_force(connection, record.bench) or _first(connection, keyring, record)
    if record.kind == "key":
        after = _announced(connection, record, held)
        held = held if record.body["why"] == ROTATION else after
    return keyring.load(record.bench, held.mark).sign(raw)


def announcement(public: bytes, why: str, by: str, reason: str) -> dict[str, Any]:
    """The body of a ``key`` record."""
    mark = fingerprint(public)
    return {"public": public.hex(), "fingerprint": mark, "why": why, "by": by, "reason": reason}


def announced_in(record: Record) -> Key:
    """The key of a ``key`` record; its place is not known from it. Raises BadRecord."""
    body = record.body
    try:
        since = record.seq + SIGNED_BY_THE_OLD[body["why"]]
        key = Key(0, since, bytes.fromhex(body["public"]))
        if key.mark != body["fingerprint"]:
            raise ValueError("the fingerprint is another key's")
    except (KeyError, TypeError, ValueError) as fault:
        raise BadRecord(f"key record {record.number}", f"announces no key: {fault}") from fault
    return key


def _first(connection: Connection, keyring: Keyring, record: Record) -> Key:
    key = Key(1, record.seq, raw_public(keyring.make(record.bench)))
    return _listed(connection, record.bench, key)


def _announced(connection: Connection, record: Record, held: Key) -> Key:
    said = announced_in(record)
    return _listed(connection, record.bench, Key(held.place + 1, said.since, said.public))


def _listed(connection: Connection, chain: str, key: Key) -> Key:
    values = {"bench": chain, "place": key.place, "since": key.since, "public": key.public.hex()}
    connection.execute(KEYS.insert().values(values))
    return key
