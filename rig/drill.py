"""The drill: draws faults on the virtual bench, proves parts meanwhile, and keeps what came of it.

Each worker keeps one virtual bench and a scratch home; each try runs in a process of its own there. The
bench keeps the account of hazards, not the controller; the worker only reads it before and after.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import sys
import tempfile
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from drivers.virtual.process import Options, launch
from drivers.virtual.remote import RemoteBench
from rig.bench_file import Bench, load_bench
from rig.drill_draw import Try, again
from rig.drill_kinds import AT_ONCE
from rig.drill_strike import ASLEEP_S, Struck
from rig.drill_try import Books, Ended, mend_books, run_try
from rig.errors import RigError
from rig.home import STATE_VARIABLE

HUNG_S = 240.0  # wall time without a word from a try; a busy machine is slow, not hung
TRIES_PER_HOME = 25  # a scratch home stays small, so that its chains are quick to verify
MOST_FRESH = 3
END_S = 3.0
# every try would import these anew after its fork: a tenth of a second of two
PRELOADED = (
    "alembic.command",
    "drivers.modbus_station",
    "drivers.printed",
    "drivers.scpi",
    "numpy.ma",
    "pyvisa_py",
    "sqlalchemy.dialects.sqlite",
)
STEP_S = 0.1
Learned = Mapping[str, Mapping[str, list[int]]]  # visits of a faultless run by part and state


class DrillFailed(RigError):
    """The drill itself could not go on; says nothing about the rig."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What came of one try. ``off_s``: from each onset until the bus was dead, by the bench's own
    account; ``hazards`` likewise, in the bench's words."""

    one: Try
    struck: tuple[Struck, ...] = ()
    ended: Ended = field(default_factory=Ended)
    gone: str = ""  # killed, hung: the program did not end by itself
    books: Books = field(default_factory=Books)
    hazards: tuple[str, ...] = ()
    off_s: tuple[float, ...] = ()
    wall_s: float = 0.0

    @property
    def lost(self) -> tuple[str, ...]:
        """What is wrong with the records."""
        return (*self.ended.lost, *self.books.lost)


# ---- one try on one bench --------------------------------------------------------------------------


@dataclass(slots=True)
class Stand:
    """A worker's virtual bench and scratch directory."""

    bench: Bench
    remote: RemoteBench
    scratch: Path
    done: int = 0

    def run(self, one: Try, learned: Mapping[str, list[int]]) -> Seen:
        """One try, from start to a bench that is whole again."""
        home = self.scratch / f"home-{self.done // TRIES_PER_HOME}"
        self.done += 1
        before, started_s = self.remote.account(), time.monotonic()
        struck, ended, gone = self._watched(run_try, self.bench, home, one, learned)
        if gone and not self._at_once(one):
            self._walk(ASLEEP_S)
        books = Books()
        if not self._at_once(one):
            self.remote.mend()
        if gone or ended.lockout or ended.refused or ended.defect:
            books = self._mend_books(home)
        after = self.remote.account()
        self.remote.mend()
        judged = _hazards(before, after), _off_s(before, after)
        return Seen(one, struck, ended, gone, books, *judged, time.monotonic() - started_s)

    def _at_once(self, one: Try) -> bool:
        return one.group == "single" and one.faults[0].where == AT_ONCE

    def _mend_books(self, home: Path) -> Books:
        _, said, gone = self._watched(mend_books, self.bench, home)
        return said if isinstance(said, Books) else Books((f"the next start: {gone}",))

    def _watched(self, target: Any, *what: Any) -> tuple[tuple[Struck, ...], Any, str]:
        """Run in a process of its own: what was struck, what it said at its end, how it vanished."""
        context = get_context("fork")
        ours, theirs = context.Pipe()
        child = context.Process(target=_alone, args=(target, *what, theirs), daemon=True)
        child.start()
        theirs.close()
        struck: list[Struck] = []
        try:
            while True:
                said = self._hear(ours, child)
                if isinstance(said, str):
                    raise DrillFailed("a fault could not be struck", said)
                if not isinstance(said, Struck):
                    return tuple(struck), said if said is not None else Ended(), _fate(said, child)
                struck.append(said)
                if said.kind == "freeze":
                    self._wake(child)
        finally:
            child.kill()
            child.join()
            ours.close()

    def _hear(self, line: Connection, child: BaseProcess) -> Any:
        """The next word; None when there is none any more."""
        try:
            return line.recv() if line.poll(HUNG_S) else None
        except (EOFError, ConnectionError):
            child.join()
            return None

    def _wake(self, child: BaseProcess) -> None:
        """Once the child stands still, time passes for the bench; then it goes on."""
        assert child.pid is not None
        os.waitid(os.P_PID, child.pid, os.WSTOPPED | os.WNOWAIT)
        self._walk(ASLEEP_S)
        os.kill(child.pid, signal.SIGCONT)

    def _walk(self, seconds: float) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.remote.advance(STEP_S)


def _alone(target: Any, *what: Any) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C ends the drill, which ends its tries
    target(*what)


def _fate(said: Any, child: BaseProcess) -> str:
    if said is not None:
        return ""
    if child.exitcode is None:
        return f"hung: nothing for {HUNG_S:.0f} s"
    return f"killed by signal {-child.exitcode}" if child.exitcode < 0 else "vanished"


def _hazards(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, ...]:
    """Words of the hazards that the bench counted between the two."""
    new = after["hazards"] - before["hazards"]
    words = [f"{one['kind']}: {one['words']}" for one in after["entries"]]
    return tuple(words[-new:]) if new else ()


def _off_s(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[float, ...]:
    """From onset to a dead bus, for each fault since then that met an energised bus."""
    last = max((one["number"] for one in before["faults"]), default=0)
    new = [one for one in after["faults"] if one["number"] > last]
    return tuple(
        one["off_s"] - one["onset_s"]
        for one in new
        if one["energised"] and one["off_s"] is not None
    )


# ---- workers ---------------------------------------------------------------------------------------


def work(line: Connection, seed: int) -> None:
    """A worker process: tries in, Seen out, until None comes or the drill is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        with stand(seed) as here:
            for one, learned in iter(line.recv, None):
                line.send(here.run(one, learned))
    except (EOFError, BrokenPipeError):
        pass  # the drill is gone
    except Exception as fault:
        with contextlib.suppress(BrokenPipeError):
            line.send(f"{type(fault).__name__}: {fault}")


@contextmanager
def stand(seed: int) -> Iterator[Stand]:
    """A virtual bench, a scratch home, and a state directory of their own."""
    for module in PRELOADED:
        importlib.import_module(module)
    with tempfile.TemporaryDirectory(prefix="milliproof-drill-") as name:
        scratch = Path(name)
        os.environ[STATE_VARIABLE] = str(scratch / "state")
        with launch(Options(bench_out=scratch / "bench.toml", seed=seed)) as ready:
            host, _, port = ready["control"].rpartition(":")
            remote = RemoteBench(host, int(port))
            try:
                yield Stand(load_bench(scratch / "bench.toml"), remote, scratch)
            finally:
                remote.close()


@dataclass(slots=True)
class Crew:
    """The workers, each with the try that it is at."""

    lines: dict[Connection, BaseProcess] = field(default_factory=dict)
    at: dict[Connection, Try] = field(default_factory=dict)

    def give(self, line: Connection, one: Try, learned: Learned) -> None:
        """Hand a try to an idle worker."""
        self.at[line] = one
        line.send((one, learned.get(one.part, {})))

    def done(self) -> Iterator[tuple[Connection, Seen]]:
        """Wait for the next results. Raises DrillFailed when a worker can't go on."""
        for line in wait(list(self.at)):
            assert isinstance(line, Connection)
            one = self.at.pop(line)
            try:
                said = line.recv()
            except (EOFError, ConnectionError) as exc:
                raise DrillFailed(f"try {one.number}", "its worker is gone") from exc
            if not isinstance(said, Seen):
                raise DrillFailed(f"try {one.number} ({one.name}, {one.part})", str(said))
            yield line, said


@contextmanager
def crew(jobs: int, seed: int) -> Iterator[Crew]:
    """``jobs`` workers; each ends its own bench."""
    context = get_context("spawn")
    workers = Crew()
    try:
        for n in range(jobs):
            ours, theirs = context.Pipe()
            worker: BaseProcess = context.Process(target=work, args=(theirs, seed + n))
            worker.start()
            theirs.close()
            workers.lines[ours] = worker
        yield workers
    finally:
        for line in workers.lines:
            line.close()
        for worker in workers.lines.values():
            worker.join(END_S)
            worker.terminate()  # in the middle of a try: it still takes its bench and scratch away
            worker.join(HUNG_S)
            worker.kill()


# ---- the drill -------------------------------------------------------------------------------------


def learn(workers: Crew, parts: Sequence[str]) -> Learned:
    """A faultless run of each part: which states it visits, and for how many scans."""
    tries = [Try(0, "faultless", serial) for serial in parts]
    return {seen.one.part: seen.ended.visits for seen in _through(workers, tries, {})}


def drill(workers: Crew, tries: Sequence[Try], learned: Learned) -> Iterator[Seen]:
    """Every try, in the order in which they end. A moment that did not come is drawn again."""
    yield from _through(workers, tries, learned)


def _through(workers: Crew, tries: Sequence[Try], learned: Learned) -> Iterator[Seen]:
    waiting = deque(tries)
    for line in workers.lines:
        if waiting:
            workers.give(line, waiting.popleft(), learned)
    while workers.at:
        for line, seen in workers.done():
            if _missed(seen):
                workers.give(line, again(seen.one), learned)
                continue
            if waiting:
                workers.give(line, waiting.popleft(), learned)
            yield seen


def _missed(seen: Seen) -> bool:
    wanted = bool(seen.one.faults) and not seen.struck
    return wanted and not seen.ended.defect and not seen.gone and seen.one.fresh < MOST_FRESH
