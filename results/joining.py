"""How a home joins a shop's store: it gets letters for its numbers, once, and both know it ever after.

The store and each of its homes have a random identity, so that a wrong URL can't mix two shops.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, Row, func, select

from results.appending import nature, now_ms
from results.errors import MixedHome, StoreUnavailable
from results.handover import Head, heads
from results.tables import HOME, HOMES, JOINED, RECORDS

R, H = RECORDS.c, HOMES.c
ITSELF = 0  # the place of the shop's store among its homes
MOST_HOMES = 26 + 26 * 26  # one letter or two
WORDS = {True: "simulated", False: "real"}


@dataclass(frozen=True, slots=True)
class Membership:
    """Which of the shop's homes this is: 1 for A, and its identity."""

    place: int
    identity: str


def membership(home: Connection) -> Membership | None:
    """None before it has joined."""
    row = home.execute(select(JOINED.c.place, JOINED.c.identity)).first()
    return Membership(row.place, row.identity) if row else None


def enter(shop: Connection, mine: Membership | None, where: str) -> tuple[str, Membership]:
    """In the shop's store: (its identity, the home's membership), given when there was none.

    Raises StoreUnavailable: no letters left, or the home belongs to another shop.
    """
    itself = _listed(shop, Membership(ITSELF, uuid.uuid4().hex))
    if mine is None:
        newest = shop.execute(select(func.max(H.place))).scalar()
        mine = Membership(1 + int(newest or 0), uuid.uuid4().hex)
    if mine.place > MOST_HOMES:
        raise StoreUnavailable(
            where, f"has {MOST_HOMES} homes, no letters are left", "share a home"
        )
    if _listed(shop, mine) != mine.identity:
        raise _another(where)
    return itself, mine


def settle(home: Connection, shop_identity: str, mine: Membership, where: str) -> None:
    """In the home: remember it. Raises StoreUnavailable when it belongs to another shop."""
    if _listed(home, Membership(ITSELF, shop_identity)) != shop_identity:
        raise _another(where)
    if membership(home) is None:
        values = {"id": 1, "place": mine.place, "identity": mine.identity, "at_ms": now_ms()}
        home.execute(JOINED.insert().values(values))


def refuse_unnumbered(home: Connection, theirs: Mapping[str, Head], where: str) -> None:
    """Raise StoreUnavailable when a home that joins has records that the shop's store lacks."""
    for bench, head in heads(home).items():
        if bench not in theirs or theirs[bench].seq < head.seq:
            raise StoreUnavailable(
                where,
                f"has records from before it joined (the newest of {bench or 'shop'} is its "
                f"{head.seq}.), their numbers may be another's there",
                "begin the shop's store with them (milliproof backup, milliproof restore), or join "
                "with a new home",
            )


def unstamped(home: Connection, shop: Connection, where: str) -> bool | None:
    """What the shop's store has to be stamped with; None if nothing. Raises MixedHome."""
    mine, theirs = nature(home), nature(shop)
    if mine is not None and theirs is not None and theirs is not mine:
        raise MixedHome(
            where,
            f"holds {WORDS[theirs]} records, this home {WORDS[mine]} ones",
            "simulated and real records never share a store: choose another home or store",
        )
    return mine if theirs is None else None


def stamp(shop: Connection, simulated: bool) -> None:
    """From now on the store holds this kind only; another home may have been faster."""
    if nature(shop) is None:
        shop.execute(HOME.insert().values(id=1, simulated=simulated, at_ms=now_ms()))


def learn_homes(source: Connection, target: Connection) -> None:
    """Whose letters are whose, so that a shop's store can be made again from any of its homes."""
    known = set(target.execute(select(H.place)).scalars())
    rows: list[Row[tuple[int, str, int]]] = list(source.execute(select(HOMES)))
    fresh = [dict(row._mapping) for row in rows if row.place not in known]
    if fresh:
        target.execute(HOMES.insert(), fresh)


def _listed(connection: Connection, one: Membership) -> str:
    """The identity at a place; ``one``'s from now on where there was none."""
    held = connection.execute(select(H.identity).where(H.place == one.place)).scalar()
    if held is None:
        values = {"place": one.place, "identity": one.identity, "at_ms": now_ms()}
        connection.execute(HOMES.insert().values(values))
    return held or one.identity


def _another(where: str) -> StoreUnavailable:
    return StoreUnavailable(
        where, "is not of this shop", "name the store that the home belongs to, or another home"
    )
