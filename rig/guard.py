"""The guard's one step per scan, over the rules and the table of ``guard_table.py``.

``Guard.decide`` is pure but for its own memory: inputs and a demand in, a decision out. It writes
nothing itself; ``scan_loop.py`` writes what it decides, and nothing else does.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from procedures.scan import Declaration, Demand, Event, Feed
from rig.guard_bus import expected_v, mains
from rig.guard_seen import Decision, Facts, Memory, Seen, View
from rig.guard_table import (
    BY_STATE,
    GROUPS,
    ON_STATES,
    PERMITS,
    PREDICATES,
    ROUTE_AIDS,
    ROUTE_PROOF,
    STAY_ON,
    Row,
    contactors_open,
    declared,
    first_unmet,
    route_of,
    wants_output,
)

SAFE = Demand("off")


@dataclass(slots=True)
class Guard:
    """One guard per run. ``decide`` is called once per scan with the newest inputs."""

    facts: Facts
    declaration: Declaration
    memory: Memory = field(default_factory=Memory)
    begun: bool = False

    def decide(self, seen: Seen, demand: Demand) -> Decision:
        """Move by at most one row, then say what is on. Pure but for its own memory."""
        memory = self.memory
        view = View(seen, demand, self.declaration, self.facts, memory)
        self._begin(seen.t_s)
        if not declared(view):
            self._end("demand outside the procedure's declaration", False, seen.t_s)
        if memory.ended:
            self._end(memory.ended, memory.person, seen.t_s)
            view = view._replace(demand=SAFE)
        self._note_stage(view)
        self._note_trip(view)
        self._note_arm(view)
        event = self._events(view) if memory.state in ON_STATES else None
        if memory.state in ON_STATES:  # no more after an event
            self._stay_on(view)
        waiting = self._step(view)
        self._lose_patience(view, waiting)
        return self._decision(view, event, waiting)

    def end(self, reason: str, person: bool) -> None:
        """Switch off for good, from outside (Ctrl-C, exception, prompt deadline): in the next scan,
        because what proves off must be read after the outputs were commanded off."""
        if not self.memory.ended:
            self.memory.ended, self.memory.person = reason, person

    @property
    def live_feed(self) -> Feed | None:
        """The feed that is live through both contactors, for the plausibility of readings."""
        both = self.memory.state == "live" and self.memory.contactors == {1, 2}
        return self.memory.feed if both else None

    # ---- memory -------------------------------------------------------------------------------

    def _end(self, reason: str, person: bool, t_s: float) -> None:
        self.end(reason, person)
        if self.memory.state in ON_STATES:
            self._go("opening", t_s)

    def _begin(self, t_s: float) -> None:
        """Time counts from the first scan on: control time has no zero that means anything, and
        before the lines were polled once the bench is neither overdue nor proved dead."""
        if not self.begun:
            self.begun = True
            self.memory.since_s = self.memory.refused_s = self.memory.last_beat_s = t_s

    def _go(self, state: str, t_s: float) -> None:
        self.memory.state, self.memory.since_s = state, t_s

    def _note_stage(self, view: View) -> None:
        if view.demand.stage != self.memory.stage:
            self.memory.stage, self.memory.stage_s = view.demand.stage, view.seen.t_s
        if not view.demand.energise:
            self.memory.spent_event = False

    def _note_trip(self, view: View) -> None:
        """A GFCI that has tripped, on or off, is not the one that was proved: prove it again."""
        tripped = view.seen.inputs.get("gfci_live") is False
        if tripped and not self.declaration.bench_proof:  # no part's run is without the mains
            self.memory.proof_void = True

    def _note_arm(self, view: View) -> None:
        """Release and press, held until the first output is on, at most ``arm_hold_s``."""
        memory, seen = self.memory, view.seen
        pressed = seen.inputs.get("arm_pressed")
        ready = seen.inputs.get("lid_closed") is True and seen.inputs.get("stop_healthy") is True
        if not ready or pressed is None:
            memory.arm = "none"
        elif memory.arm == "none" and not pressed:
            memory.arm = "released"
        elif memory.arm == "released" and pressed and wants_output(view):
            memory.arm, memory.arm_s = "pressed", seen.t_s
        elif memory.arm == "pressed":
            self._hold_arm(view, pressed)

    def _hold_arm(self, view: View, pressed: bool) -> None:
        memory = self.memory
        if memory.state in ("live", "testing"):
            memory.arm = "armed"
        elif not pressed or view.seen.t_s - memory.arm_s > view.facts.arm_hold_s:
            memory.arm = "none"

    # ---- switching off ------------------------------------------------------------------------

    def _events(self, view: View) -> Event | None:
        """A result of the part switches off and is reported once."""
        event = self._event_now(view)
        if event is None:
            return None
        self.memory.spent_event = True
        self._go("opening", view.seen.t_s)
        return event

    def _event_now(self, view: View) -> Event | None:
        """Watchdog proof, GFCI trip, cut-off: the first that is true."""
        seen, memory = view.seen, self.memory
        after_s = seen.t_s - memory.on_s if memory.state != "closing" else 0.0
        leakage_ma = seen.worst_leakage_ma or 0.0
        limit_ma = min(view.facts.cutoff_ma, view.demand.cutoff_ma or view.facts.cutoff_ma)
        if memory.state == "testing":
            return None
        if view.demand.withhold_heartbeat and memory.state == "live" and contactors_open(view):
            return Event("watchdog", seen.t_s - memory.last_beat_s, after_s, seen.t_s)
        if seen.inputs.get("gfci_live") is False and mains(view):
            return Event("gfci_trip", leakage_ma, after_s, seen.t_s)
        if leakage_ma > limit_ma:
            return Event("cut_off", leakage_ma, after_s, seen.t_s)
        return None

    def _stay_on(self, view: View) -> None:
        broken = first_unmet(STAY_ON, view)
        if broken is None or (view.demand.withhold_heartbeat and broken.name == "feedback"):
            return
        self._end(broken.why(view), broken.person, view.seen.t_s)

    def _lose_patience(self, view: View, waiting: str) -> None:
        """What is refused for long ends the run, with the refusal's own words."""
        memory, now_s = self.memory, view.seen.t_s
        if not waiting:
            memory.refused_s = now_s
        facts = view.facts
        patience_s = facts.person_s if self._person_needed(view) else facts.refusal_s
        if now_s - memory.refused_s > patience_s:
            self._end(waiting, bool(self._person_needed(view)), now_s)

    # ---- the table ----------------------------------------------------------------------------

    def _step(self, view: View) -> str:
        """Take the first row that fires; return why the wanted one does not."""
        for row in BY_STATE[self.memory.state]:
            if not PREDICATES[row.when](view):
                continue
            unmet = first_unmet(PERMITS[row.needs], view) if row.needs else None
            if unmet is not None:
                return unmet.why(view)
            self._enter(row, view)
            return ""
        return ""

    def _enter(self, row: Row, view: View) -> None:
        memory, now_s = self.memory, view.seen.t_s
        self._go(row.to, now_s)
        if row.to == "routed":
            memory.route, memory.feed = route_of(view.demand, view.facts), view.demand.feed
            memory.contactors, memory.bus_v = view.demand.contactors, view.demand.bus_v
        if row.to == "live" and memory.contactors == {1, 2}:
            memory.been_live_v |= {expected_v(view)}
        if row.to == "testing":
            memory.source = view.demand.source
        if row.to in ("testing", "live"):
            memory.on_s = memory.stage_s = now_s
        if row.to == "check live":
            memory.route, memory.feed, memory.source = frozenset(), None, None
        if row.to == "breaking":
            memory.lead = 3 - memory.lead
        if row.to == "locked out":
            memory.lockout = row.words
            self._end(row.words, False, now_s)

    # ---- what is on ---------------------------------------------------------------------------

    def _decision(self, view: View, event: Event | None, waiting: str) -> Decision:
        memory = self.memory
        beat = self._beat(view)
        live = memory.state == "live"
        return Decision(
            on=self._outputs(view),
            beat=beat,
            state=memory.state,
            feed=memory.feed if live else None,
            source=memory.source if memory.state == "testing" else None,
            waiting=waiting,
            person_needed=self._person_needed(view),
            event=event,
            ended=memory.ended,
            person=memory.person,
            lockout=memory.lockout,
        )

    def _beat(self, view: View) -> bool:
        seen = view.seen
        withhold = view.demand.withhold_heartbeat and self.declaration.bench_proof
        sound = seen.dirty_s == 0.0 and seen.recorder_ok and self.memory.state != "locked out"
        healthy = sound and not withhold
        if healthy:
            self.memory.last_beat_s = seen.t_s
        return healthy

    def _outputs(self, view: View) -> frozenset[str]:
        memory, demand, facts = self.memory, view.demand, view.facts
        groups = {
            "check": {"voltage_check"},
            "route": set(memory.route),
            "contactors": {f"contactor_{n}" for n in memory.contactors},
            "last contactor": {f"contactor_{n}" for n in memory.contactors - {memory.lead}},
            "control": {"positive_control"} if demand.control else set(),
            "source": {f"source_{memory.source}"},
        }
        on: set[str] = set()
        for group in GROUPS.get(memory.state, ()):
            on |= groups[group]
        if memory.state != "locked out":
            on |= {f"aid_{aid}" for aid in demand.aids - ROUTE_AIDS}
            on |= self._proof_outputs(demand)
        on |= self._lock(view)
        return frozenset(on & facts.outputs)

    def _proof_outputs(self, demand: Demand) -> frozenset[str]:
        allowed = self.memory.state in ("off", "routed", "live")
        return demand.proof - ROUTE_PROOF if allowed else frozenset()

    def _lock(self, view: View) -> set[str]:
        """Locked unless off is proved; in off, from arming on while something is wanted."""
        wanted = wants_output(view) and self.memory.arm in ("pressed", "armed")
        return {"lid_lock"} if self.memory.state != "off" or wanted else set()

    def _person_needed(self, view: View) -> str:
        memory = self.memory
        if memory.ended or not wants_output(view) or memory.state not in ("off", "routed"):
            return ""
        wants_mains = view.demand.energise and view.demand.bus_v in (None, view.facts.nominal_v)
        if view.seen.inputs.get("gfci_live") is False and wants_mains:
            return "reset_gfci"
        return "arm" if memory.arm in ("none", "released") else ""
