"""One try of the drill, in a process of its own: prove a part as anybody would, struck on the way.

Afterwards the books are looked at: each opening has exactly one closing, the chain verifies, and after
a crash the readings of the journal are in the closing.
"""

from __future__ import annotations

import resource
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from procedures.scan import Part
from results import journal, recovery
from results.errors import ResultsError
from results.store import Store
from rig.bench_file import Bench
from rig.drill_draw import Try
from rig.drill_strike import Striker, troubled
from rig.errors import NotProved, is_known
from rig.hands import VirtualHands
from rig.home import read_lockout
from rig.lockout import clear
from rig.proof import proof_in_force
from rig.proving import Job, Place, at_bench, find_part, prepare, prove_bench, prove_part
from rig.recording import SHOP, part_to_body
from rig.run import RecordNotWritten, Result

BAY = 1
PLATE = frozenset(one.name for one in fields(Part))
PATIENCE = 4.0  # a silent line costs this many deadlines at each scan, and drills have many of them
UNLOCK_WAIT_S = 1.0  # the lid's lock needs its time before anybody can reach a bay


@dataclass(frozen=True, slots=True)
class Ended:
    """How the program ended by itself. ``refused``: its words when it gave no closing record;
    ``defect``: an error that no person should ever see."""

    verdict: str = ""
    rule: str = ""
    reason: str = ""
    lockout: str = ""
    refused: str = ""
    defect: str = ""
    lost: tuple[str, ...] = ()
    visits: Mapping[str, list[int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Books:
    """What the records say after a try. ``lost`` names each thing that is not as it must be."""

    lost: tuple[str, ...] = ()
    closed: tuple[str, ...] = ()  # verdicts of the attempts that were closed late


def run_try(
    bench: Bench, home: Path, one: Try, learned: Mapping[str, list[int]], line: Connection
) -> None:
    """The process of one try: says Struck for each stroke, then Ended."""
    soft = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        ended = _prove(bench, home, one, learned, line)
    except Exception as fault:
        resource.setrlimit(resource.RLIMIT_FSIZE, soft)
        words = f"{type(fault).__name__}: {fault}"
        known = is_known(fault)
        ended = Ended(refused=words if known else "", defect="" if known else words)
    line.send(ended)


def _prove(
    bench: Bench, home: Path, one: Try, learned: Mapping[str, list[int]], line: Connection
) -> Ended:
    with at_bench(bench, home, PATIENCE) as place:
        job, hands = _ready(place, one)
        assert place.ours.remote is not None
        striker = Striker(place.ours.remote, one, learned, line.send)
        job = replace(job, family=_troubled(job, striker))
        try:
            result = prove_part(place, job, BAY, hands, {}, (striker,))
        except RecordNotWritten as fault:
            return Ended(refused=str(fault), visits=striker.visits.scans)
        closing = result.closing
        place.ours.remote.verdict(closing["verdict"], one.part)
        return _ended(result, striker, tuple(lost_in(place.store)))


def _ended(result: Result, striker: Striker, lost: tuple[str, ...]) -> Ended:
    closing = result.closing
    said = {key: str(closing[key]) for key in ("verdict", "rule", "reason")}
    return Ended(**said, lockout=result.lockout, lost=lost, visits=striker.visits.scans)


def _ready(place: Place, one: Try) -> tuple[Job, VirtualHands]:
    """Bench proved, part registered and clipped in."""
    remote, clock = place.ours.remote, place.ours.clock
    assert remote is not None
    clock.sleep_until(clock.now_s() + UNLOCK_WAIT_S)
    remote.hands("lid", closed=False)
    remote.hands("unmount", bay=BAY)
    _proved(place)
    number = _registered(place, one.part)
    remote.hands("lid", closed=False)
    remote.hands("mount", bay=BAY, serial=one.part)
    job = prepare(place, find_part(place.store, number), {})
    return job, VirtualHands(remote, BAY)


def _proved(place: Place) -> None:
    try:
        proof_in_force(place.store, place.bench)
    except NotProved:
        assert place.ours.remote is not None
        result, number = prove_bench(place, BAY, VirtualHands(place.ours.remote, BAY))
        if not place.store.get(number).body["passed"]:
            raise NotProved(f"bench {place.bench.id}", result.closing["reason"]) from None


def _registered(place: Place, serial: str) -> str:
    """The number of a part new to the shop, by its plate: no try is a retest of an earlier one."""
    assert place.ours.remote is not None
    plate: Mapping[str, Any] = place.ours.remote.shelf()[serial]
    part = Part(number="", serial=serial, **{k: v for k, v in plate.items() if k in PLATE})
    return str(place.store.append("intake", SHOP, part_to_body(part)).body["part"])


def _troubled(job: Job, striker: Striker) -> Any:
    procedure = job.family.procedure
    return replace(
        job.family,
        procedure=lambda part, setup, limits: troubled(procedure(part, setup, limits), striker),
    )


# ---- afterwards ------------------------------------------------------------------------------------


def mend_books(bench: Bench, home: Path, line: Connection) -> None:
    """The process after a crash or a lockout: a person releases the bench, the program starts again
    and closes what was left open. Says Books."""
    try:
        line.send(_mended(bench, home))
    except Exception as fault:
        line.send(Books((f"the next start failed: {type(fault).__name__}: {fault}",)))


def _mended(bench: Bench, home: Path) -> Books:
    rows = _journalled(home)
    if read_lockout(bench.id) is not None:
        clear(bench, home, "drill: fault mended", "drill")
    with at_bench(bench, home, PATIENCE) as place:
        late = [(opening, place.store.closing_of(opening)) for opening in rows]
        lost = [
            f"{opening}: {_kept(place.store, closing.number)} rows kept of {rows[opening]}"
            for opening, closing in late
            if closing is not None and _kept(place.store, closing.number) < rows[opening]
        ]
        closed = [str(closing.body["verdict"]) for _, closing in late if closing is not None]
        return Books((*lost, *lost_in(place.store)), tuple(closed))


def _journalled(home: Path) -> dict[str, int]:
    """Rows in each journal that is still there, by opening."""
    counted = {}
    for opening in recovery.left_over(home):
        path = recovery.journal_path(home, opening)
        columns = journal.columns(journal.read(path).entries) if path.stat().st_size else {}
        counted[opening] = len(next(iter(columns.values()), []))
    return counted


def _kept(store: Store, closing: str) -> int:
    if not store.get(closing).body.get("trace"):
        return 0
    return len(next(iter(store.trace(closing).values()), []))


def lost_in(store: Store) -> list[str]:
    """What is wrong with a home: openings without a closing, and whatever its chains show."""
    try:
        left_open = [f"{record.number} has no closing" for record in store.open_attempts()]
        return left_open + [str(problem) for problem in store.verify()]
    except ResultsError as fault:
        return [str(fault)]
