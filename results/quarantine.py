"""A closing proof that failed puts every pass since the last good proof into quarantine.

Which passes these are follows from the bench's records, so that it can be asked again: what a crash
left out is made up for when the bench is opened the next time.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import Connection, select

from results import history
from results.record import Record
from results.store import Store
from results.tables import RECORDS

R = RECORDS.c
OPENING = RECORDS.alias("opening").c
RECHECK_DAYS = 7  # proposal (P)


@dataclass(frozen=True, slots=True)
class Doubted:
    """A pass that no good proof stands behind any more: its part and its closing record."""

    part: str
    closing: str


def failed_closing(connection: Connection, bench: str) -> Record | None:
    """The bench's newest proof if it was one at the close and failed; one that a person ended is none."""
    newest = next(history.of_kind(connection, "bench_proof", bench, None), None)
    if newest is None or not newest.body.get("at_close") or newest.body["passed"]:
        return None
    return None if newest.body.get("ended") == "aborted" else newest


def doubted(connection: Connection, proof: Record) -> list[Doubted]:
    """Every pass of a bench since its last good proof before ``proof``, oldest first."""
    good = next(history.of_kind(connection, "bench_proof", proof.bench, {"passed": True}), None)
    query = (
        select(R.json, R.sha256, OPENING.json.label("o_json"), OPENING.sha256.label("o_sha256"))
        .select_from(RECORDS.join(OPENING.id.table, R.closes == OPENING.id))
        .where(R.bench == proof.bench, R.kind == "closing", R.verdict == "pass")
        .where(R.seq > (good.seq if good else 0), R.seq < proof.seq, OPENING.part.is_not(None))
    )
    found = connection.execute(query.order_by(R.seq)).all()
    return [
        Doubted(
            str(history.whole(row.o_json, row.o_sha256).body["part"]),
            history.whole(row.json, row.sha256).number,
        )
        for row in found
    ]


def after_failed_closing(store: Store, bench: str, days: int = RECHECK_DAYS) -> list[Record]:
    """Put every pass in doubt into quarantine that isn't there for it yet; the new records."""
    with store._reading() as connection:
        proof = failed_closing(connection, bench)
        if proof is None:
            return []
        there = {(one.body["part"], one.body.get("closing")) for one in _for(connection, proof)}
        wanted = [d for d in doubted(connection, proof) if (d.part, d.closing) not in there]
    due = datetime.datetime.now(datetime.UTC).date() + datetime.timedelta(days=days)
    return [store.append("quarantine", bench, _body(one, proof, due)) for one in wanted]


def _for(connection: Connection, proof: Record) -> Iterator[Record]:
    return history.of_kind(connection, "quarantine", proof.bench, {"proof": proof.number})


def _body(one: Doubted, proof: Record, due: datetime.date) -> dict[str, str]:
    return {
        "part": one.part,
        "closing": one.closing,
        "proof": proof.number,
        "reason": f"it passed ({one.closing}), and the closing proof after it failed",
        "by": f"bench {proof.bench}",
        "recheck": due.isoformat(),
    }


def standing_now(store: Store) -> list[Record]:
    """Quarantines that nobody has released a part from, the soonest recheck first."""
    released = {n for one in store.every("release") for n in one.body["quarantine"]}
    held = [one for one in store.every("quarantine") if one.number not in released]
    return sorted(held, key=lambda one: (one.body["recheck"], one.number))


def doubted_closings(store: Store, part: str) -> set[str]:
    """Closings of a part that a failed closing proof has put in doubt: they count as no attempt."""
    found = store.standing(part).of("quarantine")
    return {str(one.body["closing"]) for one in found if one.body.get("closing")}
