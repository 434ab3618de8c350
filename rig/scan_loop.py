"""The scan cycle: newest inputs, demand, guard, outputs, record. One pass is ``ScanLoop.once``.

The only place in the project that writes outputs (``_write``) or beats the watchdog, and it writes
nothing but what the guard decided. In real time each line has a polling thread; in lockstep the scan
polls the lines itself and the clock moves the virtual bench.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from drivers.errors import DriverError
from drivers.roles import Clock, Station
from procedures.scan import (
    Ask,
    Demand,
    Outcome,
    Procedure,
    Scan,
)
from rig.captures import Captures
from rig.guard import SAFE, Guard
from rig.guard_seen import Decision, Seen
from rig.guard_table import ON_STATES
from rig.plausible import Plausible
from rig.safe_start import is_route
from rig.stopping import Stop
from rig.wiring import Wiring

NOT_YET_PROVED = frozenset({"unproved", "locked out"})
LEAKING_STATES = ON_STATES - {"testing"}  # a bond test's own current is no leakage
OFF_LIMIT_S = 30.0  # well above the guard's own times for proving off
Watcher = Callable[[Scan, Demand, Decision], None]
Answers = Mapping[str, str | float]


class RunEnded(Exception):
    """The guard ended the run: why, whether a person did it, and the lockout if there is one."""

    def __init__(self, reason: str, person: bool) -> None:
        super().__init__(reason)
        self.reason, self.person = reason, person


class Tender:
    """Who answers prompts and works lid, arm and reset. ``tend`` is called each scan, never blocks.

    It returns whether a person is being waited for: simulated time then goes by the wall clock.
    ``gone`` says in words why nobody can answer any more; the run then ends."""

    gone: str = ""

    def answers_as(self) -> str:
        """Whose answers these are; empty: whoever is at the machine."""
        return ""

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        raise NotImplementedError


@dataclass(slots=True)
class ScanLoop:
    """One bench, open. ``watch`` gets every scan (screen, journal). ``stop`` holds a person's reason
    to end (Ctrl-C), set by a signal handler and seen by the next scan."""

    stations: Mapping[str, Station]
    wiring: Wiring
    plausible: Plausible
    clock: Clock
    guard: Guard
    scan_s: float
    deadline_s: float
    output_station: Mapping[str, str]
    tender: Tender
    watch: tuple[Watcher, ...] = ()
    poll_inline: bool = True
    recorder_ok: Callable[[], bool] = lambda: True
    stop: Stop = field(default_factory=Stop)
    hurry: threading.Event = field(default_factory=threading.Event)
    captures: Captures = field(default_factory=Captures)
    leaving: bool = False
    commanded: frozenset[str] | None = None
    write_failed: bool = False
    dirty_from_s: float | None = None
    last: Decision | None = None
    fault: DriverError | None = None
    answers: dict[str, str | float] = field(default_factory=dict)
    asked: tuple[str, float] = ("", 0.0)
    next_s: float = 0.0

    # ---- a whole run -------------------------------------------------------------------------

    def prove(self, procedure: Procedure) -> Outcome:
        """Run a procedure to its outcome; the bench is off and proved off afterwards, whatever
        happens. Raises RunEnded when the guard ended the run, and whatever the procedure raised."""
        self.next_s = self.clock.now_s()
        try:
            return self._drive(procedure)
        except RunEnded:
            raise
        except BaseException as fault:
            self.guard.end(f"program error: {fault!r}", False)
            raise
        finally:
            procedure.close()
            self.switch_off()

    def switch_off(self) -> Decision:
        """Scan with nothing demanded until off is proved and the lid released, or locked out."""
        self.leaving = True
        limit_s = self.clock.now_s() + OFF_LIMIT_S
        while True:
            scan, decision = self.once(SAFE)
            free = decision.state == "off" and scan.inputs.get("lid_locked") is not True
            if free or decision.state == "locked out" or self.clock.now_s() > limit_s:
                return decision

    def _drive(self, procedure: Procedure) -> Outcome:
        demand = next(procedure)
        while True:
            scan, decision = self.once(demand)
            if decision.ended:
                raise RunEnded(self._reason(decision), decision.person)
            try:
                demand = procedure.send(scan)
            except StopIteration as done:
                outcome: Outcome = done.value
                return outcome

    def _reason(self, decision: Decision) -> str:
        return f"{decision.ended} ({self.fault})" if self.fault else decision.ended

    # ---- one scan ----------------------------------------------------------------------------

    def once(self, demand: Demand) -> tuple[Scan, Decision]:
        """One pass: read, decide, write, beat, show; then wait for the next scan's time."""
        self._await_turn()
        started_s = self.clock.now_s()
        self.next_s = max(min(self.next_s, started_s) + self.scan_s, started_s)
        seen = self._see(started_s)
        self._prompt_deadline(demand, seen.t_s)
        decision = self.guard.decide(seen, demand)
        written = self._write(decision)
        if decision.beat and written and self.clock.now_s() - started_s <= self.deadline_s:
            self._beat()
        self.last = decision
        self.captures.ask(demand.capture)
        scan = self._scan(seen, decision)
        try:
            self._attend(scan, demand, decision)
        except Exception:
            if not self.leaving:  # a broken screen must not keep the bench from being proved off
                raise
        return scan, decision

    def _await_turn(self) -> None:
        """Until the next scan is due; in real time a leakage above the cut-off does not wait."""
        if self.poll_inline:
            self.clock.sleep_until(self.next_s)
        else:
            self.hurry.wait(max(0.0, self.next_s - self.clock.now_s()))
            self.hurry.clear()

    def look(self, station: Station) -> None:
        """What a line's polling thread calls after each poll: whether the scan is to hurry."""
        on = self.last is not None and self.last.state in LEAKING_STATES
        if on and self.wiring.leaks(station, self.guard.facts.cutoff_ma):
            self.hurry.set()

    def _attend(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        for watch in self.watch:
            watch(scan, demand, decision)
        if self.tender.tend(demand.ask, decision, self.answers) and self.poll_inline:
            time.sleep(self.scan_s)

    def _see(self, now_s: float) -> Seen:
        stations = self.stations.values()
        if self.poll_inline:
            for station in stations:
                station.poll()
            now_s = self.clock.now_s()
        if wish := self.stop.words or self.tender.gone:
            self.guard.end(wish, True)
        values, taken_s = self.wiring.values(stations, now_s)
        cutoff_ma = self.guard.facts.cutoff_ma
        return Seen(
            t_s=now_s,
            values=values,
            taken_s=taken_s,
            inputs=self.wiring.inputs(stations, now_s),
            dirty_s=self._dirty_s(now_s),
            recorder_ok=self.recorder_ok(),
            contradiction=self.plausible.check(values, self.guard.live_feed, now_s),
            worst_leakage_ma=self.wiring.worst_leakage_ma(stations, values, now_s, cutoff_ma),
            leakage_apart=self.plausible.apart(values),
            over=self.wiring.over,
        )

    def _dirty_s(self, now_s: float) -> float:
        """How long some line has not been clean; a failed write counts until one succeeds."""
        faults = [s.fault for s in self.stations.values() if s.fault is not None]
        if not faults and not self.write_failed:
            self.dirty_from_s = self.fault = None
            return 0.0
        self.fault = faults[0] if faults else self.fault
        if self.dirty_from_s is None:
            self.dirty_from_s = now_s
        return max(now_s - self.dirty_from_s, 1e-6)

    def _prompt_deadline(self, demand: Demand, now_s: float) -> None:
        key = demand.ask.key if demand.ask else ""
        if key != self.asked[0]:
            self.asked = (key, now_s)
            self.answers.pop(key, None)
        if demand.ask and now_s - self.asked[1] > demand.ask.deadline_s:
            self.guard.end(f"prompt not answered in time: {demand.ask.words}", True)

    def _write(self, decision: Decision) -> bool:
        """The one function that writes outputs. Off before on; all of them after a failure. Until
        off has been proved once, relays that could carry load stay as they were found."""
        before, on = self.commanded, decision.on
        if before == on:
            return True
        found = before is None and decision.state in NOT_YET_PROVED
        changed = set(self.output_station) if before is None else set(before ^ on)
        if found:
            changed = {name for name in changed if not is_route(name)}
        try:
            for wanted in (False, True):
                self._write_lines({n: wanted for n in changed if (n in on) is wanted})
        except DriverError as fault:
            self.commanded, self.fault, self.write_failed = None, fault, True
            return False
        self.commanded, self.write_failed = None if found else on, False
        return True

    def _write_lines(self, states: Mapping[str, bool]) -> None:
        for line in {self.output_station[name] for name in states}:
            here = {n: on for n, on in states.items() if self.output_station[n] == line}
            self.stations[line].write(here)

    def _beat(self) -> None:
        for station in self.stations.values():
            try:
                station.beat()
            except DriverError as fault:
                self.fault = fault

    def _scan(self, seen: Seen, decision: Decision) -> Scan:
        return Scan(
            t_s=seen.t_s,
            values=seen.values,
            taken_s=seen.taken_s,
            inputs=seen.inputs,
            state=decision.state,
            feed=decision.feed,
            source=decision.source,
            off=decision.state == "off",
            waiting=decision.waiting,
            event=decision.event,
            answers=dict(self.answers),
            over=self.wiring.over,
            waves=self.captures.newest(seen.t_s),
        )
