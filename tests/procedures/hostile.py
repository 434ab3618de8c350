"""What no procedure may get, asked for at every turn of its run: the base of the hostile tests.

``Watched`` stands in a scan loop on the plant as the guard. In each scan that brings something new
(another state, stage, feed or source) every demand of ``hostile`` is put before a copy of the guard
with the very readings of that scan. What a family declares is its own; whatever else the bench can
switch is refused: the run ends with the table's words and nothing more comes on.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from procedures.scan import AIDS, FEEDS, SOURCES, Declaration, Demand, Findings
from rig.guard import Guard
from rig.guard_seen import Decision, Facts, Seen

REFUSED = "demand outside the procedure's declaration"
GUARDS_OWN = {"lid_lock", "voltage_check"}  # the guard switches them by itself to prove off
LIVE_PARTS = ("contactor_", "source_", "positive_control")
FULL_FEEDS = ("line_neutral", "neutral_line", "both_hot", "line_line")


@dataclass(frozen=True, slots=True)
class Attack:
    """A demand that is not to be had; ``output`` is the relay it is after, if one."""

    name: str
    output: str
    demand: Demand


def hostile(own: Declaration, facts: Facts, now: Demand) -> Iterator[Attack]:
    """Everything undeclared, one at a time, on top of what the procedure really asks for now."""
    yield from _by_kind(own, now)
    for output in sorted(facts.outputs):
        yield Attack(f"route {output}", output, replace(now, route=frozenset({output})))
        if output not in own.proof:
            proof = now.proof | {output}
            yield Attack(f"proof {output}", output, replace(now, proof=proof))
    for bus_v in (0.0, 24.0, facts.nominal_v):
        yield Attack(f"bus {bus_v}", "", replace(now, bus_v=bus_v))
    both = replace(now, energise=True, feed=now.feed or "limited", source=now.source or "bond")
    yield Attack("feed and source at once", "", both)
    if not own.bench_proof:
        yield from _for_parts(now)


def _by_kind(own: Declaration, now: Demand) -> Iterator[Attack]:
    for feed in FEEDS:
        if feed not in own.feeds:
            yield Attack(f"feed {feed}", f"feed_{feed}", replace(now, feed=feed))
    for source in SOURCES:
        if source not in own.sources:
            yield Attack(f"source {source}", f"source_{source}", replace(now, source=source))
    for aid in AIDS:
        if aid not in own.aids:
            yield Attack(f"aid {aid}", f"aid_{aid}", replace(now, aids=now.aids | {aid}))
    if not own.control:
        yield Attack("control", "positive_control", replace(now, control=True))


def _for_parts(now: Demand) -> Iterator[Attack]:
    """What the bench proof alone may ask for."""
    for chosen in ({1}, {2}, set[int]()):
        lone = "contactor_1" if 1 in chosen else "contactor_2" if chosen else ""
        one = replace(now, contactors=frozenset(chosen))
        yield Attack(f"contactors {sorted(chosen)}", lone, one)
    yield Attack("withheld heartbeat", "", replace(now, withhold_heartbeat=True))
    yield Attack("no feed", "", replace(now, energise=True, feed=None, source=None))


@dataclass
class Watched(Guard):
    """The real guard; each new situation is first attacked on copies of it."""

    tried: set[str] = field(default_factory=set)
    outputs: set[str] = field(default_factory=set)
    states: set[str] = field(default_factory=set)
    known: set[Any] = field(default_factory=set)
    before: frozenset[str] = frozenset()

    def decide(self, seen: Seen, demand: Demand) -> Decision:
        now = self.memory.state, demand.stage, demand.feed, demand.source, demand.energise
        if now not in self.known:
            self.known.add(now)
            self.states.add(self.memory.state)
            for attack in hostile(self.declaration, self.facts, demand):
                self.attack(attack, seen)
            self.attack_gate(seen, demand)
            self.attack_cut_off(seen, demand)
        decision = super().decide(seen, demand)
        self.before = decision.on
        return decision

    def _copy(self) -> Guard:
        return Guard(self.facts, self.declaration, copy.copy(self.memory), self.begun)

    def attack(self, attack: Attack, seen: Seen) -> None:
        """Refused at once: ended with the table's words, nothing new on, everything live off."""
        guard = self._copy()
        decision = guard.decide(seen, attack.demand)
        where = f"{self.declaration.family}, {self.memory.state}: {attack.name}"
        assert decision.ended == REFUSED, where
        assert not decision.person, where
        assert decision.on - self.before <= GUARDS_OWN, where
        assert not [name for name in decision.on if name.startswith(LIVE_PARTS)], where
        assert decision.feed is decision.source is None, where
        again = guard.decide(replace(seen, t_s=seen.t_s + 0.1), attack.demand)
        assert again.ended == REFUSED, where
        assert not [name for name in again.on if name.startswith(LIVE_PARTS)], where
        self.tried.add(attack.name)
        self.outputs |= {attack.output} - {""}

    def attack_gate(self, seen: Seen, demand: Demand) -> None:
        """A declared full feed whose limited step was not passed does not come on, though routed."""
        if self.declaration.bench_proof:
            return
        for findings in (Findings(), Findings(True, dict.fromkeys(FULL_FEEDS, 3.01), True)):
            for feed in sorted(self.declaration.feeds - {"limited"}):
                wanted = replace(demand, feed=feed, energise=True, source=None, findings=findings)
                guard = self._copy()
                was_on = {name for name in self.before if name.startswith("contactor_")}
                decision = guard.decide(seen, wanted)
                still = {name for name in decision.on if name.startswith("contactor_")}
                assert still <= was_on, feed
                assert self.memory.state != "routed" or not still, feed

    def attack_cut_off(self, seen: Seen, demand: Demand) -> None:
        """A demand can't raise the cut-off."""
        if self.memory.state not in ("closing", "live"):
            return
        leaking = replace(seen, worst_leakage_ma=3.6)
        decision = self._copy().decide(leaking, replace(demand, cutoff_ma=99.0))
        assert not [name for name in decision.on if name.startswith(LIVE_PARTS)]
        assert decision.event is not None or decision.ended
