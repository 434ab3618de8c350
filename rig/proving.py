"""Proving, from bench file and home to the closing record: what ``run``, ``bench prove`` and ``demo``
share. Everything that is refused is refused before the first output."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from procedures.bench_proof import BenchProof, bench_proof, proof_declaration
from procedures.catalog import check_plate, family
from procedures.family import Family
from procedures.limits import Limit, limits_for
from procedures.scan import Part, Setup
from results.quarantine import after_failed_closing, doubted_closings
from results.record import Record
from results.store import Store
from rig.approvals import approvals_body, unapproved
from rig.bench import LOCKSTEP_PATIENCE, OpenBench, opened, setup_of
from rig.bench_file import Bench
from rig.errors import Exit, RigError
from rig.hand_instruments import HandValue
from rig.home import bench_lock, data_dir
from rig.lockout import refuse_locked_out
from rig.outcome_record import check_body
from rig.proof import made_with, proof_in_force, void_proof
from rig.recording import part_from_body, part_to_body
from rig.run import Attempt, Result, attempt, operator_name
from rig.scan_loop import Tender, Watcher
from rig.shop import opened_together
from rig.standing import permit
from rig.stopping import noted

COUNTED = ("pass", "fail", "none")  # verdicts that make the next attempt a retest


class CannotProve(RigError):
    """The bench lacks what this family's procedure needs."""


class LimitsNotApproved(RigError):
    """Limits that need a name behind them before they decide on a real bench."""

    exit_code = Exit.NO_VERDICT


@dataclass(frozen=True, slots=True)
class Place:
    """A bench and the home that its records go to."""

    ours: OpenBench
    store: Store
    home: Path

    @property
    def bench(self) -> Bench:
        """The bench as described."""
        return self.ours.bench


@contextmanager
def at_bench(
    bench: Bench,
    home: Path | None,
    patience: float = LOCKSTEP_PATIENCE,
    shop: str | None = None,
) -> Iterator[Place]:
    """Hold the bench, open it, open the home, close what an earlier crash left open.

    ``shop``: URL of the shop's store that the home hands over to."""
    where = data_dir(home)
    with bench_lock(bench.id):
        refuse_locked_out(bench.id)
        with opened(bench, patience) as ours:
            store = opened_together(where, ours.virtual, shop)
            try:
                store.close_interrupted(bench.id, where)
                after_failed_closing(store, bench.id)  # what a crash left out
                yield Place(ours, store, where)
            finally:
                store.close()


def check_bay(bench: Bench, bay: int) -> None:
    """Refuse a bay that the bench does not have."""
    if not 1 <= bay <= bench.bays:
        raise RigError(f"--bay {bay}", "no such bay", f"allowed: 1 to {bench.bays}")


def opening_facts(place: Place, bay: int) -> dict[str, Any]:
    """What every opening record says of the set-up."""
    bench = place.bench
    return {
        "bay": bay,
        "operator": operator_name(),
        "bench_name": bench.name,
        "bench_file_sha256": bench.digest,
        "program": f"milliproof {version('milliproof')}",
        "identities": dict(place.ours.identities),
        "calibration": {
            name: {"calibrated": c.calibrated.isoformat(), "due": c.due.isoformat()}
            for name, c in bench.calibration.items()
        },
        "supply": {
            "system": bench.supply.system,
            "line_to_neutral_mv": round(bench.supply.line_to_neutral_v * 1e3),
            "frequency_mhz": round(bench.supply.frequency_hz * 1e3),
        },
    }


# ---- the bench proof -------------------------------------------------------------------------------


def prove_bench(
    place: Place,
    bay: int,
    tender: Tender,
    watchers: tuple[Watcher, ...] = (),
    at_close: bool = False,
) -> tuple[Result, str]:
    """Run the bench proof on an empty bay; the result and the bench proof record's number.

    ``at_close``: at the end of the day; if it fails, every pass since the last good proof goes into
    quarantine."""
    permit(place)
    setup = setup_of(place.bench, {}, {})
    proof: list[BenchProof] = []
    what = Attempt(
        {**opening_facts(place, bay), "part": "", "family": "bench proof"},
        proof_declaration(setup),
        bench_proof(setup, proof.append),
        bay,
        False,
        tender,
        watchers,
    )
    with noted(what.stop):  # an attempt and what it does to the proof belong together
        result = attempt(place.ours, place.store, place.home, what)
        body = _proof_body(place, result, proof)
        if at_close:
            body |= {"at_close": True, "ended": result.closing["verdict"]}
        record = place.store.append("bench_proof", place.bench.id, body)
        after_failed_closing(place.store, place.bench.id)
    return result, record.number


def quarantined_by(store: Store, proof: str) -> list[Record]:
    """What a failed closing proof has put into quarantine."""
    return store.every("quarantine", where={"proof": proof})


def _proof_body(place: Place, result: Result, proof: list[BenchProof]) -> dict[str, Any]:
    done = proof[0] if proof else None
    return {
        "passed": bool(done and done.passed and result.closing["verdict"] == "pass"),
        "reason": result.closing["reason"],
        "digest": place.bench.digest,
        **made_with(),
        "attempt": result.record.number if result.record else "",
        "checks": [check_body(check) for check in done.checks] if done else [],
        "fixture_ua": {
            feed: [round(part * 1e3) for part in vector] for feed, vector in done.fixture_ma.items()
        }
        if done
        else {},
    }


# ---- one part --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Job:
    """One part, ready to be proved on this bench."""

    part: Part
    family: Family
    setup: Setup
    limits: Mapping[str, Limit]
    proof_number: str


def find_part(store: Store, number: str, change: str = "") -> Part:
    """The part as registered, with its attempt counted and the change since the last one."""
    body = store.part(number).body
    part = part_from_body(str(body["part"]), body)  # as registered: p-7 is P-0007
    return replace(part, attempt=1 + counted(store, part.number), change=change or part.change)


def counted(store: Store, number: str) -> int:
    """Attempts of a part that make the next one a retest. Aborted ones prove nothing, and no more does a
    pass that a failed closing proof has put in doubt: its recheck is no retest."""
    rows = store.history(None, part=number)
    doubted = doubted_closings(store, number) if rows else set()
    return sum(row.verdict in COUNTED and row.closing not in doubted for row in rows)


def prepare(
    place: Place, part: Part, hand: Mapping[str, HandValue], polarisation: bool = False
) -> Job:
    """Everything that can be refused without an output: proof, family, plate, limits.

    ``polarisation``: hold the insulation test for ten minutes, where the family has one.
    """
    permit(place)
    proof = proof_in_force(place.store, place.bench)
    chosen = family(part.family)
    check_plate(part)
    setup = setup_of(place.bench, proof.fixture_ma, {n: one.value for n, one in hand.items()})
    setup = replace(setup, polarisation=polarisation)
    lacking = chosen.lacks(setup)
    if lacking:
        what = f"can't prove a {chosen.title}: it lacks {', '.join(lacking)}"
        raise CannotProve(f"bench {place.bench.id}", what, "see: milliproof families")
    limits = limits_for(part.family, part)
    _refuse_unapproved(place, limits)
    return Job(part, chosen, setup, limits, proof.number)


def prove_part(
    place: Place,
    job: Job,
    bay: int,
    tender: Tender,
    hand: Mapping[str, HandValue],
    watchers: tuple[Watcher, ...] = (),
) -> Result:
    """One attempt on one part; a GFCI trip or a lockout voids the bench proof."""
    opening = {
        **opening_facts(place, bay),
        **part_to_body(job.part),
        "part": job.part.number,
        "bench_proof": job.proof_number,
        "approvals": approvals_body(place.store, job.limits.values()),
        "hand": {
            name: {
                "value_millionths": round(one.value * 1e6),
                "instrument": one.instrument,
                "calibrated": one.calibrated,
            }
            for name, one in hand.items()
        },
    }
    what = Attempt(
        opening,
        job.family.declaration(job.part, job.setup),
        job.family.start(job.part, job.setup, job.limits),
        bay,
        True,
        tender,
        watchers,
    )
    with noted(what.stop):
        result = attempt(place.ours, place.store, place.home, what)
        if result.proof_void:
            void_proof(place.store, place.bench, "the bench's GFCI tripped")
    return result


def _refuse_unapproved(place: Place, limits: Mapping[str, Limit]) -> None:
    if place.ours.virtual:
        return  # the virtual bench's shop has approved its own
    missing = unapproved(place.store, limits.values())
    if missing:
        raise LimitsNotApproved(
            "limits",
            f"not approved by name: {', '.join(limit.key for limit in missing)}",
            "milliproof limits approve --by",
        )
