"""Striking at the drawn moment: a watcher of the scan loop that breaks the bench or the program itself.

Runs in a process of its own per try, so that it may be killed, stopped, or starved of disk for real.
"""

from __future__ import annotations

import os
import resource
import signal
import time
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from drivers.errors import DriverError
from drivers.virtual.remote import RemoteBench
from procedures.scan import Demand, Outcome, Procedure, Scan
from results.journal import Journal
from rig import recorder
from rig.drill_draw import Fault, Try
from rig.drill_kinds import state_of
from rig.guard_seen import Decision

ASLEEP_S = 3.0  # simulated: longer than the watchdog
LAG_S, LAGGING_S = 0.05, 0.3  # wall time; the journal's limit shrinks as simulated time is fast


class Drilled(Exception):
    """The fault that the drill puts into the program."""


class Struck(NamedTuple):
    """A fault that has been struck: which, in which state and at which simulated second."""

    kind: str
    where: str
    state: str
    t_s: float


Say = Callable[[Any], None]


@dataclass(slots=True)
class Visits:
    """How often and how long a run was in each state: scans per visit."""

    scans: dict[str, list[int]] = field(default_factory=dict)
    now: str = ""

    def note(self, state: str) -> tuple[int, int]:
        """Count one scan; which visit to its state this is and which scan in it, from 0."""
        here = self.scans.setdefault(state, [])
        if state != self.now:
            self.now = state
            here.append(0)
        here[-1] += 1
        return len(here) - 1, here[-1] - 1


@dataclass(slots=True)
class Striker:
    """A watcher. ``say`` tells each stroke before it falls: afterwards may be too late."""

    remote: RemoteBench
    one: Try
    learned: Mapping[str, list[int]]
    say: Say
    visits: Visits = field(default_factory=Visits)
    struck: list[Struck] = field(default_factory=list)
    since: int | None = None  # scans since the moment
    failing: bool = False  # the procedure is to fail

    def __call__(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        """Count the scan, and strike when the moment is there."""
        state = state_of(decision.state)
        place = self.visits.note(state)
        if self.since is not None:
            self.since += 1
        elif self._is_now(state, place):
            self.since = 0
        if self.since is None:
            return
        for fault in self.one.faults[len(self.struck) :]:
            if fault.after > self.since:
                break
            self._strike(fault, state, scan.t_s)

    def _is_now(self, state: str, place: tuple[int, int]) -> bool:
        moment = self.one.moment
        if moment is None or moment.state != state or state not in self.learned:
            return False
        return place == moment.scan(self.learned[state])

    def _strike(self, fault: Fault, state: str, t_s: float) -> None:
        stroke = Struck(fault.kind, fault.where, state, t_s)
        self.struck.append(stroke)
        self.say(stroke)
        try:
            self._begin(fault)
        except DriverError as refusal:  # would pass for a run that the fault has ended
            self.say(f"{fault.kind} at {fault.where}: {refusal}")
        act = ACTS.get(fault.kind)
        if act is not None:
            act(self, fault)

    def _begin(self, fault: Fault) -> None:
        if fault.kind not in ACTS:
            limits = {"count": fault.count, "for_s": fault.for_s}
            given = {name: limit for name, limit in limits.items() if limit is not None}
            self.remote.fault(fault.kind, where=fault.where, **given)
        elif fault.kind not in BY_THE_DISK:
            # a program that goes on afterwards may energise again, by its own right
            limits = {"for_s": ASLEEP_S} if fault.kind == "freeze" else {}
            self.remote.fault("program", **limits)


def _fail(striker: Striker, fault: Fault) -> None:
    if fault.where == "screen":
        raise Drilled("drilled: the screen fails")
    striker.failing = True


def _kill(striker: Striker, fault: Fault) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _freeze(striker: Striker, fault: Fault) -> None:
    os.kill(os.getpid(), signal.SIGSTOP)


def _fill_disk(striker: Striker, fault: Fault) -> None:
    """A real limit: from now on no file grows."""
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))


def _lag(striker: Striker, fault: Fault) -> None:
    sync = Journal.sync

    def slow(journal: Journal) -> None:
        time.sleep(LAGGING_S)
        sync(journal)

    setattr(Journal, "sync", slow)  # noqa: B010  # in this process only
    recorder.RECORDER_LAG_S = LAG_S


ACTS: Mapping[str, Callable[[Striker, Fault], None]] = {
    "program_error": _fail,
    "kill": _kill,
    "freeze": _freeze,
    "disk_full": _fill_disk,
    "lag": _lag,
}


# A disk is slow or full in wall time, the bench runs in simulated time: no figure comes of it.
BY_THE_DISK = frozenset({"disk_full", "lag"})


def troubled(procedure: Procedure, striker: Striker) -> Procedure:
    """The same procedure, which fails in the scan after the striker has struck it."""

    def run() -> Generator[Demand, Scan, Outcome]:
        demand = next(procedure)
        while True:
            scan = yield demand
            if striker.failing:
                raise Drilled("drilled: the procedure fails")
            try:
                demand = procedure.send(scan)
            except StopIteration as done:
                outcome: Outcome = done.value
                return outcome

    return run()
