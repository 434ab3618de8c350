"""The bench proof in force: which record proves this bench, and until when.

A proof holds for one bench as one bench file describes it, for ``VALID_S`` and until a later record
voids it (a GFCI trip, a lockout, a failed proof), an upgrade or a restored backup.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version

from results.store import Store
from results.upgrading import VERSIONS
from rig.bench_file import Bench
from rig.errors import NotProved

VALID_S = 12 * 3600.0  # one working day; proposal (P)


@dataclass(frozen=True, slots=True)
class ProofInForce:
    """The record's number and the fixture vectors (resistive, capacitive) in mA by feed."""

    number: str
    fixture_ma: Mapping[str, tuple[float, float]]


def made_with() -> dict[str, str]:
    """The versions of program and store that a proof is made with; it holds for no other."""
    return {"version": version("milliproof"), "tables": VERSIONS[-1]}


def proof_in_force(store: Store, bench: Bench, now_s: float | None = None) -> ProofInForce:
    """The bench's newest proof if it holds; NotProved says why it does not."""
    newest = store.newest("bench_proof", bench.id)
    now_s = time.time() if now_s is None else now_s
    where = f"bench {bench.id}"
    remedy = f"run: milliproof bench prove --bench {bench.path}"
    if newest is None:
        raise NotProved(where, "no bench proof on record", remedy)
    body = newest.body
    age_s, ours = now_s - newest.at_ms / 1e3, made_with()
    for bad, what in (
        (
            not body["passed"],
            f"its newest bench proof {newest.number} is not good: {body['reason']}",
        ),
        (body["digest"] != bench.digest, f"its bench file has changed since proof {newest.number}"),
        (
            {name: body.get(name) for name in ours} != ours,
            f"this program or its store was upgraded since proof {newest.number}",
        ),
        (
            store.restored_over(newest.number),
            f"the records came back from a backup since proof {newest.number}",
        ),
        (age_s > VALID_S, f"its bench proof {newest.number} is older than {VALID_S / 3600:.0f} h"),
        (age_s < -60.0, f"its bench proof {newest.number} lies in the future: set the clock"),
    ):
        if bad:
            raise NotProved(where, what, remedy)
    fixture_ma = {
        feed: (vector[0] / 1e3, vector[1] / 1e3) for feed, vector in body["fixture_ua"].items()
    }
    return ProofInForce(newest.number, fixture_ma)


def void_proof(store: Store, bench: Bench, why: str) -> None:
    """Record that the bench is no longer proved."""
    body = {
        "passed": False,
        "reason": f"voided: {why}",
        "digest": bench.digest,
        "fixture_ua": {},
        "checks": [],
    }
    store.append("bench_proof", bench.id, body)
