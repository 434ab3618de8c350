"""The guard's one step per scan, over the rules and the table of ``guard_table.py``.

``Guard.decide`` is pure but for its own memory: inputs and a demand in, a decision out. It writes
nothing itself; ``scan_loop.py`` writes what it decides, and nothing else does.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from procedures.scan import Declaration, Demand, Event, Feed
from rig.guard_bus import above, expected_v, mains, not_closed, sensors, split, told
from rig.guard_seen import Decision, Doubted, Facts, Memory, Seen, View
from rig.guard_table import (
    BY_STATE,
    GROUPS,
    ON_STATES,
    PACE,
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
        event = self._while_on(view) if memory.state in ON_STATES else self._confirmed(view)
        self._note_split(view)
        waiting = self._step(view)
        self._lose_patience(view, waiting)
        memory.decided_s = seen.t_s
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

    def _note_split(self, view: View) -> None:
        """Since when the bus is live although a mirror says open."""
        if not split(view):
            self.memory.split_s = None
        elif self.memory.split_s is None:
            self.memory.split_s = view.seen.t_s

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

    def _while_on(self, view: View) -> Event | None:
        """A result of the part, or whatever else switches off; after a pause nothing is a result."""
        event = self._events(view) if PACE.holds(view) else None
        if self.memory.state in ON_STATES:  # no more after an event
            self._stay_on(view)
        return event

    def _events(self, view: View) -> Event | None:
        """A result of the part switches off and is reported once; one that only some leakage sensors
        tell switches off as well, but waits for the others."""
        event = self._event_now(view)
        if event is None:
            return None
        self.memory.spent_event = True
        self._go("opening", view.seen.t_s)
        if event.kind == "cut_off" and not self._agreed(view):
            self._doubt(view, event)
            return None
        return event

    def _limit_ma(self, view: View) -> float:
        return min(view.facts.cutoff_ma, view.demand.cutoff_ma or view.facts.cutoff_ma)

    def _agreed(self, view: View) -> bool:
        """Whether every leakage sensor is above the limit too, or does not contradict."""
        every = not view.seen.leakage_apart and not sensors(view) - view.seen.values.keys()
        return every or sensors(view) <= above(view, self._limit_ma(view))

    def _doubt(self, view: View, event: Event) -> None:
        limit_ma = self._limit_ma(view)
        said, words = above(view, limit_ma), told(view)
        self.memory.doubted = Doubted(event, view.demand.stage, limit_ma, said, words)

    def _confirmed(self, view: View) -> Event | None:
        """The doubted cut-off, as soon as every sensor has said so; what is not confirmed in time, or
        in its own stage, is no result of the part."""
        doubted, memory = self.memory.doubted, self.memory
        if doubted is None:
            return None
        said = doubted.said | above(view, doubted.limit_ma)
        same = view.demand.stage == doubted.stage  # what has ended meanwhile demands another one
        if same and sensors(view) <= said:
            memory.doubted = None
            worst_ma = max(doubted.event.value, view.seen.worst_leakage_ma or 0.0)
            return replace(doubted.event, value=worst_ma)
        if not same or view.seen.t_s - doubted.event.at_s > view.facts.confirm_s:
            words = f"only one leakage sensor asked for the cut-off: {doubted.words}"
            self._end(words, False, view.seen.t_s)
        return None

    def _event_now(self, view: View) -> Event | None:
        """Watchdog proof, GFCI trip, cut-off: the first that is true."""
        seen, memory = view.seen, self.memory
        after_s = seen.t_s - memory.on_s if memory.state != "closing" else 0.0
        leakage_ma = seen.worst_leakage_ma or 0.0
        if memory.state == "testing":
            return None
        if view.demand.withhold_heartbeat and memory.state == "live" and contactors_open(view):
            return Event("watchdog", seen.t_s - memory.last_beat_s, after_s, seen.t_s)
        if seen.inputs.get("gfci_live") is False and mains(view):
            return Event("gfci_trip", leakage_ma, after_s, seen.t_s)
        limit_ma = self._limit_ma(view)
        if leakage_ma > limit_ma or above(view, limit_ma):
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
        if row.state == "closing" and row.to == "opening" and not self.declaration.bench_proof:
            self._end(f"{row.words}: {not_closed(view)}", False, now_s)
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
