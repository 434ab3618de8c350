"""The guard against a bench that lags, bounces, lies and goes stale, and against any demands at all.

A state machine draws what happens; after every single scan the rules of ``rig/guard_table.py`` are
checked as they stand in its docstring, worked out here from what the bench showed and what was switched
on, without a look at the guard's own tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from procedures.scan import Aid, Declaration, Demand, Findings
from rig.guard import SAFE, Guard
from rig.guard_seen import Decision, Seen
from tests.rig.guard_world import BAYS, FACTS, FEEDS, HEATER, INPUTS, PROVED, live
from tests.rig.lying_bench import MIRRORS, LyingBench

CONTACTORS = frozenset({"contactor_1", "contactor_2"})
SOURCES = frozenset({"source_bond", "source_insulation"})
ROUTE = BAYS | FEEDS | {"aid_high_speed", "known_load"}
PROOF = Declaration(
    "bench proof",
    feeds=frozenset({"limited", "line_neutral"}),
    sources=frozenset({"bond"}),
    proof=frozenset({"trip_leg_1", "known_load"}),
    bench_proof=True,
)
WET: frozenset[Aid] = frozenset({"water", "flow"})
DEMANDS = [
    SAFE,
    live(),
    live("line_line", aids=WET, stage_s=20.0),
    live("both_hot", aids=frozenset({"high_speed"})),
    live("both_hot", control=True, cutoff_ma=1.0),
    live("line_neutral", findings=Findings()),
    live("line_line", findings=replace(PROVED, prospective_ma={"line_line": 3.2})),
    live("line_line", findings=replace(PROVED, grounded=False)),
    live("neutral_line"),
    live(withhold_heartbeat=True),
    live("limited", contactors=frozenset({2})),
    live("line_neutral", proof=frozenset({"known_load"})),
    Demand("no feed", energise=True),
    Demand("bond", source="bond"),
    Demand("insulation", source="insulation", feed="limited"),
    Demand("ohms", source="ohms"),
    Demand("route", feed="limited"),
    Demand("water", aids=WET),
    Demand("trip", feed="limited", energise=True, proof=frozenset({"trip_leg_1"})),
    Demand("both", feed="limited", energise=True, source="bond"),
]
LIES: list[tuple[str, bool | float | None]] = [
    *[(name, lie) for name in sorted(INPUTS) for lie in (False, None)],
    *[(name, True) for name in MIRRORS],
    *[(name, ma) for name in ("leakage_ma", "second_leakage_ma") for ma in (None, 0.6, 3.5, 5.0)],
    *[("bay_v", volts) for volts in (None, 0.0, 24.0, 60.0, 120.0)],
    *[("supply_v", volts) for volts in (None, 0.0, 133.0)],
    *[("temperature_c", celsius) for celsius in (None, 46.0)],
    ("bay_dc_v", 60.0),
    ("load_a", 5.0),
]
STATES = ["off", "routed", "closing", "live", "testing", "breaking", "opening", "check dead"]


@dataclass
class Scanned:
    """One scan as an onlooker saw it."""

    seen: Seen
    demand: Demand
    before: frozenset[str]
    state_before: str
    decision: Decision


class GuardMachine(RuleBasedStateMachine):
    """Whatever is drawn, each scan is judged by ``JUDGES``."""

    def __init__(self) -> None:
        super().__init__()
        self.log: list[Scanned] = []

    @initialize(
        proof=st.booleans(),
        proved=st.sampled_from([True, True, True, False]),
        commissioned=st.sampled_from([True, True, True, False]),
    )
    def a_run(self, proof: bool, proved: bool, commissioned: bool) -> None:
        facts = replace(FACTS, proved=proved, commissioned=commissioned)
        self.bench = LyingBench(facts=facts, declaration=PROOF if proof else HEATER)
        assert isinstance(self.bench.guard, Guard)
        self.demand = SAFE

    def scan(self, scans: int = 1) -> None:
        bench = self.bench
        for _ in range(scans):
            bench.t_s = round(bench.t_s + 0.1, 6)
            before, state = bench.on, bench.guard.memory.state
            decision = bench.step(self.demand)
            assert bench.seen is not None
            self.log.append(Scanned(bench.seen, self.demand, before, state, decision))
            for judge in JUDGES:
                judge(self)

    @rule(demand=st.sampled_from(DEMANDS), scans=st.sampled_from([1, 2, 8]))
    def ask(self, demand: Demand, scans: int) -> None:
        self.demand = demand
        self.scan(scans)

    @rule(state=st.sampled_from(STATES), demand=st.sampled_from(DEMANDS[1:6] + DEMANDS[13:14]))
    def walk_to(self, state: str, demand: Demand) -> None:
        """As a procedure and an honest person would; may never arrive."""
        self.demand, bench = demand, self.bench
        for _ in range(40):
            memory = bench.guard.memory
            if memory.state == state:
                return
            held = bench.pressed and memory.state not in ("live", "testing")
            bench.pressed = memory.arm == "released" or (held and memory.arm != "none")
            self.scan()

    @rule(lie=st.sampled_from(LIES), scans=st.sampled_from([1, 1, 3, 12, 100]), heals=st.booleans())
    def lie(self, lie: tuple[str, bool | float | None], scans: int, heals: bool) -> None:
        self.bench.force[lie[0]] = lie[1]
        self.scan(scans)
        if heals:
            self.bench.force.pop(lie[0], None)

    @rule()
    def heal(self) -> None:
        bench = self.bench
        bench.force.clear()
        bench.frozen, bench.lag, bench.dirty_s = frozenset(), 0, 0.0
        bench.recorder_ok, bench.contradiction = True, ""
        self.scan(2)

    @rule(pressed=st.booleans(), scans=st.sampled_from([1, 2, 110]))
    def button(self, pressed: bool, scans: int) -> None:
        self.bench.pressed = pressed
        self.scan(scans)

    @rule(lag=st.integers(0, 6))
    def relays_get_slow(self, lag: int) -> None:
        self.bench.lag = lag

    @rule(scans=st.integers(1, 4))
    def mirrors_bounce(self, scans: int) -> None:
        self.bench.bounce = scans
        self.scan(scans)

    @rule(names=st.frozensets(st.sampled_from(["bay_v", "bay_dc_v", "load_a", "leakage_ma"])))
    def meters_keep_their_digits(self, names: frozenset[str]) -> None:
        self.bench.frozen = names
        self.scan(2)

    @rule(seconds=st.sampled_from([0.3, 2.5, 16.0, 700.0]))
    def time_passes(self, seconds: float) -> None:
        self.bench.t_s += seconds
        self.scan()

    @rule(
        dirty_s=st.sampled_from([0.1, 0.4, 0.5]), recorder_ok=st.booleans(), at_odds=st.booleans()
    )
    def trouble(self, dirty_s: float, recorder_ok: bool, at_odds: bool) -> None:
        bench = self.bench
        bench.dirty_s, bench.recorder_ok = dirty_s, recorder_ok
        bench.contradiction = "a against b" if at_odds else ""
        self.scan()
        bench.dirty_s, bench.recorder_ok, bench.contradiction = 0.0, True, ""

    @rule(person=st.booleans())
    def end_from_outside(self, person: bool) -> None:
        self.bench.guard.end("told to end", person)
        self.scan()


# ---- what an onlooker demands of each scan ---------------------------------------------------------


def _all(inputs: Mapping[str, bool], *names: str) -> bool:
    return all(inputs.get(name) is True for name in names)


def _switched_on(now: Scanned, names: frozenset[str]) -> frozenset[str]:
    return (now.decision.on - now.before) & names


def one_bay_one_feed_and_only_what_is_declared(m: GuardMachine) -> None:
    on, own = m.log[-1].decision.on, m.bench.declaration
    assert on & BAYS <= {"bay_1"}
    assert len(on & FEEDS) <= 1
    declared = {f"feed_{n}" for n in own.feeds} | {f"source_{n}" for n in own.sources} | own.proof
    declared |= {f"aid_{n}" for n in own.aids}
    always = CONTACTORS | {"lid_lock", "voltage_check", "positive_control", "bay_1"}
    assert on <= declared | always


def the_route_moves_only_when_the_contactors_are_proved_open(m: GuardMachine) -> None:
    """Rule 1: by mirror contacts and by bay voltage."""
    now = m.log[-1]
    if now.before & ROUTE == now.decision.on & ROUTE:
        return
    assert not (now.before | now.decision.on) & (CONTACTORS | SOURCES)
    assert _all(now.seen.inputs, *MIRRORS)
    assert abs(now.seen.values["bay_v"]) < 10.0


def sources_are_outputs_too(m: GuardMachine) -> None:
    """Rule 2."""
    now = m.log[-1]
    if now.decision.on & SOURCES:
        assert len(now.decision.on & SOURCES) == 1
        assert not now.decision.on & CONTACTORS
        assert _all(now.seen.inputs, *MIRRORS, "lid_closed", "lid_locked", "stop_healthy")
        assert "bay_1" in now.decision.on


def nothing_comes_on_without_its_permission(m: GuardMachine) -> None:
    """Rules 3 and 4; the figures by hand."""
    now = m.log[-1]
    if not _switched_on(now, CONTACTORS | SOURCES):
        return
    inputs, values = now.seen.inputs, now.seen.values
    assert m.bench.facts.commissioned
    assert _all(inputs, *MIRRORS, "lid_closed", "lid_locked", "stop_healthy", "earth_ok", "hood_ok")
    assert abs(values["bay_v"]) < 10.0
    assert {"leakage_ma", "second_leakage_ma", "bay_v", "supply_v"} <= values.keys()
    assert was_armed(m.log)
    assert not now.decision.ended
    if _switched_on(now, CONTACTORS):
        _energising(m, now)


def _energising(m: GuardMachine, now: Scanned) -> None:
    inputs, values, found = now.seen.inputs, now.seen.values, now.demand.findings
    own, feed = m.bench.declaration, now.demand.feed
    assert _all(inputs, "gfci_live", "thermal_ok")
    assert 108.0 <= values["supply_v"] <= 132.0
    assert max(values["leakage_ma"], values["second_leakage_ma"]) < 0.5
    assert now.before & ROUTE == now.decision.on & ROUTE
    if not own.bench_proof:
        assert m.bench.facts.proved
        assert not any(s.decision.event and s.decision.event.kind == "gfci_trip" for s in m.log)
        assert found.grounded
        assert f"feed_{feed}" in now.decision.on
        assert feed == "limited" or (found.control_seen and found.prospective_ma[str(feed)] <= 3.0)
    if own.needs_water and feed in ("line_neutral", "line_line"):
        assert _all(inputs, "level_ok", "flow_ok", "thermal_ok")


def was_armed(log: list[Scanned]) -> bool:
    """Released, pressed, and held until now, 10 s at most; or once on since lid or stop voided it."""
    since_void = _since_void(log)
    if any(s.decision.state in ("live", "testing") for s in since_void[:-1]):
        return True
    now_s, held = log[-1].seen.t_s, 0
    for scan in reversed(since_void):
        if not scan.seen.inputs["arm_pressed"]:
            break
        held += 1
    released = held < len(since_void)
    pressed = [s for s in since_void[len(since_void) - held :] if _wants(s.demand)]
    return released and bool(pressed) and now_s - pressed[0].seen.t_s <= 10.0


def _wants(demand: Demand) -> bool:
    return demand.energise or demand.source is not None


def _since_void(log: list[Scanned]) -> list[Scanned]:
    for back in range(len(log) - 1, -1, -1):
        inputs = log[back].seen.inputs
        if not _all(inputs, "lid_closed", "stop_healthy") or "arm_pressed" not in inputs:
            return log[back + 1 :]
    return log


def what_is_on_stays_only_on_good_grounds(m: GuardMachine) -> None:
    """Rule 5, in the very same scan."""
    now = m.log[-1]
    if not now.decision.on & (CONTACTORS | SOURCES):
        return
    inputs, values, seen = now.seen.inputs, now.seen.values, now.seen
    assert _all(inputs, "lid_closed", "lid_locked", "stop_healthy", "earth_ok", "hood_ok")
    assert {"arm_pressed", "gfci_live", *MIRRORS} <= inputs.keys()
    assert 108.0 <= values["supply_v"] <= 132.0
    assert seen.dirty_s <= 0.4
    assert seen.recorder_ok
    assert not seen.contradiction
    if now.decision.on & CONTACTORS:
        lowest = min(3.5, now.demand.cutoff_ma or 3.5)
        assert max(values["leakage_ma"], values["second_leakage_ma"]) <= lowest
        assert inputs["gfci_live"]
        _heating(m, now)


def _heating(m: GuardMachine, now: Scanned) -> None:
    heats = now.decision.on & {"feed_line_line", "feed_line_neutral"}
    if m.bench.declaration.needs_water and heats:
        assert _all(now.seen.inputs, "level_ok", "flow_ok", "thermal_ok")
        assert now.decision.state == "closing" or now.seen.values["temperature_c"] <= 45.0


def live_is_told_only_when_it_is(m: GuardMachine) -> None:
    now = m.log[-1]
    if now.decision.feed is None:
        return
    assert now.decision.on & CONTACTORS
    assert f"feed_{now.decision.feed}" in now.decision.on
    for n in (1, 2):
        closed = now.seen.inputs[f"contactor_{n}_open"] is False
        watched = now.demand.withhold_heartbeat and m.bench.declaration.bench_proof
        assert watched or closed is (f"contactor_{n}" in now.decision.on)


def off_is_proved(m: GuardMachine) -> None:
    """Rule 6: dead by mirrors and bus, then the voltage channel reads its source, nothing, its source."""
    now = m.log[-1]
    if now.decision.state != "off" or now.state_before == "off":
        return
    moves = [s for s in m.log if s.decision.state != s.state_before][-4:]
    assert [s.decision.state for s in moves] == [*STEPS_OF_PROOF, "off"]
    for before, move, source in zip(moves, moves[1:], (True, False, True), strict=False):
        assert ("voltage_check" in before.decision.on) is source
        assert move.seen.taken_s["bay_v"] > before.seen.t_s
        low, high = (20.4, 27.6) if source else (-10.0, 10.0)
        assert low < move.seen.values["bay_v"] < high
    assert _all(moves[0].seen.inputs, *MIRRORS)
    assert abs(moves[0].seen.values["bay_dc_v"]) < 30.0


STEPS_OF_PROOF = ["check live", "check dead", "check live again"]


def nothing_leaves_a_lockout_and_the_lid_is_free_in_off_alone(m: GuardMachine) -> None:
    now = m.log[-1]
    if now.state_before == "locked out" or now.decision.lockout:
        assert now.decision.state == "locked out"
        assert now.decision.on <= ROUTE | {"lid_lock"}
        assert now.decision.on & ROUTE == now.before & ROUTE
        assert not now.decision.beat
    assert "lid_lock" in now.decision.on or now.decision.state == "off"


def what_ended_stays_ended(m: GuardMachine) -> None:
    now = m.log[-1]
    if now.decision.ended:
        assert not now.decision.on & (CONTACTORS | SOURCES)
    before = [s.decision for s in m.log[-2:-1] if s.decision.ended]
    assert all((d.ended, d.person) == (now.decision.ended, now.decision.person) for d in before)


def an_event_is_told_once_and_keeps_it_off(m: GuardMachine) -> None:
    """Rule 7."""
    now = m.log[-1]
    event, seen = now.decision.event, now.seen
    worst = seen.worst_leakage_ma or 0.0
    if event is not None:
        assert now.before & CONTACTORS
        assert not now.decision.on & CONTACTORS
        assert event.at_s == seen.t_s
        grounds = {
            "cut_off": worst > min(3.5, now.demand.cutoff_ma or 3.5),
            "gfci_trip": seen.inputs.get("gfci_live") is False,
            "watchdog": m.bench.declaration.bench_proof and now.demand.withhold_heartbeat,
        }
        assert grounds[event.kind]
    if _switched_on(now, CONTACTORS):
        events = [n for n, s in enumerate(m.log) if s.decision.event]
        assert not events or any(not s.demand.energise for s in m.log[events[-1] + 1 :])


def the_heartbeat_means_healthy(m: GuardMachine) -> None:
    """Rule 8."""
    now = m.log[-1]
    withheld = now.demand.withhold_heartbeat and m.bench.declaration.bench_proof
    healthy = now.seen.dirty_s == 0.0 and now.seen.recorder_ok and not now.decision.lockout
    ended = bool(now.decision.ended)  # then the demand is no longer the procedure's
    assert now.decision.beat is (healthy and not withheld) or (ended and now.decision.beat)


JUDGES = (
    one_bay_one_feed_and_only_what_is_declared,
    the_route_moves_only_when_the_contactors_are_proved_open,
    sources_are_outputs_too,
    nothing_comes_on_without_its_permission,
    what_is_on_stays_only_on_good_grounds,
    live_is_told_only_when_it_is,
    off_is_proved,
    nothing_leaves_a_lockout_and_the_lid_is_free_in_off_alone,
    what_ended_stays_ended,
    an_event_is_told_once_and_keeps_it_off,
    the_heartbeat_means_healthy,
)

TestGuardMachine = GuardMachine.TestCase
TestGuardMachine.settings = settings(max_examples=120, stateful_step_count=30, deadline=None)
