"""A chain's next key: by rotation, which the old key vouches for, or because the old one is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from results import appending, history, signing
from results.errors import KeyUnusable, NotFound
from results.keys import raw_public
from results.record import Record
from results.signing import LOST, ROTATION, Key

if TYPE_CHECKING:
    from results.store import Store


def rotate(store: Store, chain: str, by: str, reason: str) -> Record:
    """A new key, announced by a record that the old one signs; then the old private key is destroyed.

    Returns that record. Raises NotFound (nothing was signed yet), KeyUnusable.
    """
    record, old = _announce(store, chain, ROTATION, by, reason)
    store.keyring.forget(record.bench, old.mark)
    return record


def replace(store: Store, chain: str, by: str, reason: str) -> Record:
    """A new key for one that is lost: it signs its own announcement, and a person answers for it.

    Returns that record. Raises NotFound, KeyUnusable (the old key is there: rotate).
    """
    return _announce(store, chain, LOST, by, reason)[0]


def _announce(store: Store, chain: str, why: str, by: str, reason: str) -> tuple[Record, Key]:
    with store._writing() as connection:
        bench = appending.chain_name(chain, history.home_place(connection))
        old = signing.in_force(connection, bench)
        if old is None:
            raise NotFound(f"chain {bench!r}", "has no key yet", "its next record makes one")
        if why == LOST and store.keyring.has(bench, old.mark):
            where = str(store.keyring.path(bench, old.mark))
            raise KeyUnusable(where, "this key is not lost", "use: milliproof keys rotate")
        public = raw_public(store.keyring.make(bench))
        body = signing.announcement(public, why, by, reason)
        what = appending.given("key", bench, body, None, None)
        return appending.insert(connection, what, store.keyring), old
