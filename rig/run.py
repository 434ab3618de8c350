"""One attempt: from the opening record to exactly one closing record, with the bench off between.

``attempt`` is the shell around a procedure: lock, lockout, chain of records, journal, signals. The
procedure decides the verdict, the guard decides the outputs, this file only keeps the books.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from procedures.cautions import cautioned
from procedures.scan import Declaration, Outcome, Procedure
from results import trace
from results.errors import ResultsError
from results.journal import Journal
from results.record import Record
from results.store import Store
from rig.bench import OpenBench, polled
from rig.captures import Captures
from rig.clock_set import set_back
from rig.confirmed import Confirmed
from rig.errors import RigError
from rig.guard import Guard
from rig.lockout import lock_out
from rig.outcome_record import closing_body, ended_body
from rig.plausible import Plausible
from rig.recorder import Recorder
from rig.scan_loop import RunEnded, ScanLoop, Tender, Watcher
from rig.stopping import Stop, noted
from rig.watch import Trace
from rig.who import operator_name as operator_name

Body = dict[str, Any]


class RecordNotWritten(RigError):
    """The attempt's closing record could not be stored; its journal is kept."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """What an attempt needs besides the bench: who proves what, with which procedure."""

    opening: Mapping[str, Any]
    declaration: Declaration
    procedure: Procedure
    bay: int
    proved: bool
    tender: Tender
    watchers: tuple[Watcher, ...] = ()
    stop: Stop = field(default_factory=Stop)


@dataclass(slots=True)
class Result:
    """How it went. ``outcome`` is None when the guard or a person ended it."""

    closing: Body
    outcome: Outcome | None = None
    proof_void: bool = False
    lockout: str = ""
    opening: Record | None = None
    record: Record | None = None
    fault: BaseException | None = None
    stop: Stop = field(default_factory=Stop)
    duration_s: float = 0.0
    facts: Mapping[str, Any] = field(default_factory=dict)


def attempt(ours: OpenBench, store: Store, work: Path, what: Attempt) -> Result:
    """Run one attempt on an open bench. Always closes the opening record, always leaves it off.

    A person who wants to end is noted in ``what.stop``, which the next scan sees."""
    with noted(what.stop):
        return _attempt(ours, store, work, what)


def _attempt(ours: OpenBench, store: Store, work: Path, what: Attempt) -> Result:
    opening = store.append("opening", ours.bench.id, dict(what.opening))
    journal = Journal(work / f"{opening.number}.journal", opening.number)
    recorder = Recorder(journal)
    started_s = ours.clock.now_s()
    seen = Trace(recorder.put, started_s)
    confirmed = Confirmed(what.tender.answers_as() or operator_name())
    loop = _loop(ours, what, (seen, confirmed), recorder)
    with polled(ours, loop.look):
        result = _run(loop, what, started_s)
    result.closing["facts"] |= confirmed.facts
    result.opening, result.duration_s = opening, ours.clock.now_s() - started_s
    _note_lockout(ours, store, result)
    _note_stop(result, what.stop)
    _note_clock(result, opening)
    _close_books(ours, store, recorder, journal, seen, result)
    return result


def _loop(ours: OpenBench, what: Attempt, own: tuple[Watcher, ...], recorder: Recorder) -> ScanLoop:
    bench = ours.bench
    return ScanLoop(
        stations=ours.stations,
        wiring=ours.wiring(),
        plausible=Plausible(bench.accuracy, what.declaration.needs_water),
        clock=ours.clock,
        guard=Guard(ours.facts(what.bay, what.proved), what.declaration),
        scan_s=bench.scan_s,
        deadline_s=0.45 * bench.spec.watchdog.timeout_s,
        output_station=ours.output_station(),
        tender=what.tender,
        watch=(*own, *what.watchers),
        poll_inline=ours.lockstep,
        recorder_ok=lambda: recorder.ok,
        stop=what.stop,
        captures=Captures(ours.wave_meters()),
    )


def _run(loop: ScanLoop, what: Attempt, began_s: float) -> Result:
    cautions, outcomes = what.declaration.cautions, list[Outcome]()
    try:
        outcome = loop.prove(cautioned(what.procedure, cautions, outcomes.append))
        result = Result(closing_body(outcome, began_s), outcome)
    except RunEnded as ended:
        result = _ended(ended, outcomes, cautions, began_s)
    except Exception as fault:
        words = f"program error: {type(fault).__name__}: {fault}"
        result = Result(ended_body("none", "program error", words, cautions), fault=fault)
    result.stop, result.proof_void = what.stop, loop.guard.memory.proof_void
    result.lockout = loop.guard.memory.lockout
    return result


def _ended(
    ended: RunEnded, outcomes: list[Outcome], cautions: tuple[str, ...], began_s: float
) -> Result:
    """Ended by guard or person; what was measured stays if only the last confirmation was missing."""
    verdict = "aborted" if ended.person else "none"
    if not outcomes:
        return Result(ended_body(verdict, "ended by the guard", ended.reason, cautions))
    result = Result(closing_body(outcomes[0], began_s), outcomes[0])
    _take_verdict(result, verdict, "ended by the guard", ended.reason)
    return result


def _take_verdict(result: Result, verdict: str, rule: str, words: str) -> None:
    """No verdict from what ended early, but what failed has failed."""
    if result.closing["verdict"] == "fail":
        return
    had = f"{result.closing['verdict']}: {result.closing['reason']}"
    result.closing["verdict"], result.closing["rule"] = verdict, rule
    result.closing["reason"] = f"{words}, when the procedure had ended with {had}"


def _note_lockout(ours: OpenBench, store: Store, result: Result) -> None:
    """A pass that ends in a lockout is no pass: off could not be proved."""
    if not result.lockout:
        return
    ours.locked_out = True
    lock_out(store, ours.bench, result.lockout)
    if result.closing["verdict"] == "pass":
        result.closing["verdict"] = "none"
    result.closing["rule"] = "bench locked out"
    result.closing["reason"] += f"; bench locked out: {result.lockout}"


def _note_stop(result: Result, stop: Stop) -> None:
    """Who stops before the record is closed gets no verdict from it."""
    if stop.words and result.outcome is not None and result.closing["verdict"] != "aborted":
        _take_verdict(result, "aborted", "ended by a person", stop.words)


def _note_clock(result: Result, opening: Record) -> None:
    """A pass whose time is not known is none: calibration and bench proof hold for a time."""
    words = set_back(opening.at_ms)
    if words and result.outcome is not None:
        _take_verdict(result, "none", "clock set back", words)


def _close_books(
    ours: OpenBench,
    store: Store,
    recorder: Recorder,
    journal: Journal,
    seen: Trace,
    result: Result,
) -> None:
    """Closing record, durable, then the journal may go. On failure the journal stays."""
    body = {
        **result.closing,
        "opening": result.opening.number if result.opening else "",
        "duration_ms": round(result.duration_s * 1e3),
        "stages": seen.stages,
        "proof_void": result.proof_void,
        **result.facts,
    }
    try:
        recorder.close()
        blob = trace.encode(seen.columns)
        result.record = store.append("closing", ours.bench.id, body, trace=blob)
    except Exception as fault:
        with contextlib.suppress(ResultsError):  # the disk that refuses is told of below
            journal.close()
        raise RecordNotWritten(
            str(journal.path),
            f"closing record not stored ({fault}); no verdict counts without its record",
            "the journal is kept here; free space or mend the store, the next start closes the "
            "attempt as interrupted",
        ) from fault
    journal.close()
    journal.prune()
