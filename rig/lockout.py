"""The lockout: off could not be proved, so nothing may be energised until a person has been there.

Its reason lives outside the home, under the bench's identity (``home.py``), so that another home, a
restart or a copied file can't lose it. Lockout and release are records too.
"""

from __future__ import annotations

from pathlib import Path

from results.record import Record
from results.store import Store
from rig import home as home_of
from rig.bench_file import Bench
from rig.errors import LockedOut, RigError
from rig.proof import void_proof
from rig.shop import open_store

REMEDY = (
    "lock out and tag out the supply, test before touch, find the cause, then: "
    "milliproof bench unlock --bench FILE --reason WORDS --by NAME"
)


class NothingToUnlock(RigError):
    """The bench is not locked out."""


class WordsMissing(RigError):
    """A release without a reason or a name."""


def refuse_locked_out(bench_id: str) -> None:
    """Raise LockedOut while the bench is."""
    lockout = home_of.read_lockout(bench_id)
    if lockout is not None:
        raise LockedOut(f"bench {bench_id}", f"locked out: {lockout.reason}", REMEDY)


def lock_out(store: Store, bench: Bench, reason: str) -> None:
    """File first: it must stand even if the record can't be written."""
    home_of.write_lockout(bench.id, reason)
    store.append("lockout", bench.id, {"reason": reason})
    void_proof(store, bench, reason)


def clear(
    bench: Bench, home: Path | None, reason: str, name: str
) -> tuple[Record, home_of.Lockout]:
    """Record who released the bench and why, then release it."""
    lockout = home_of.read_lockout(bench.id)
    if lockout is None:
        raise NothingToUnlock(f"bench {bench.id}", "is not locked out", "nothing to do")
    for option, words in (("--reason", reason), ("--by", name)):
        if not words.strip():
            raise WordsMissing(option, "is empty", "say it in words")
    body = {"reason": reason, "by": name, "was": lockout.reason, "locked_at": lockout.at}
    with open_store(home, simulated=bench.virtual is not None) as store:
        record = store.append("unlock", bench.id, body)
    home_of.clear_lockout(bench.id)
    return record, lockout
