"""The guard's one step: what it remembers, what is a result, when it ends a run; on both sides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.scan import Demand, Event
from rig.guard import SAFE, Guard
from rig.guard_seen import Memory, View
from rig.guard_table import ON_STATES
from tests.rig.guard_view import (
    AT_REST,
    CLOSED,
    DEAD,
    FULL,
    OPEN,
    PROOF,
    decide,
    guard_of,
    resting,
    routed,
    view,
)
from tests.rig.guard_world import FACTS, HEATER, live

# ---- what it remembers ---------------------------------------------------------------------------


def test_a_new_guard_remembers_nothing_that_permits_anything() -> None:
    memory = Guard(FACTS, HEATER).memory
    assert memory == Memory(state="unproved", arm="none", lead=1)
    assert (memory.route, memory.feed, memory.source) == (frozenset(), None, None)
    assert memory.contactors == {1, 2}
    assert (memory.ended, memory.lockout) == ("", "")
    assert (memory.person, memory.proof_void) == (False, False)
    assert not memory.spent_event


def test_the_first_scan_starts_all_clocks_and_no_later_one_does() -> None:
    guard, seen = Guard(FACTS, HEATER), view(DEAD, AT_REST).seen
    unread = replace(seen, t_s=1000.0, values={}, taken_s={})
    guard.decide(unread, SAFE)
    memory = guard.memory
    assert (memory.state, memory.since_s) == ("unproved", 1000.0)
    assert (memory.refused_s, memory.last_beat_s) == (1000.0, 1000.0)
    guard.decide(replace(unread, t_s=1001.0, dirty_s=0.1), SAFE)
    assert (memory.since_s, memory.last_beat_s) == (1000.0, 1000.0)


def test_a_stage_has_its_time_from_its_first_scan() -> None:
    for stage, since_s in ((FULL.stage, 5.0), ("another", 10.0)):
        seen = view(demand=replace(FULL, stage=stage))
        seen.memory.stage, seen.memory.stage_s = FULL.stage, 5.0
        decide(seen)
        assert (seen.memory.stage, seen.memory.stage_s) == (stage, since_s)


def test_an_event_is_spent_until_the_procedure_lets_go() -> None:
    for demand, spent in ((FULL, True), (replace(FULL, energise=False), False)):
        seen = resting(demand, spent_event=True)
        decide(seen)
        assert seen.memory.spent_event is spent


OUT_OF_REACH = [{"lid_closed": False}, {"stop_healthy": False}, {"lid_closed": None}]
OUT_OF_REACH += [{"stop_healthy": None}, {"arm_pressed": None}]


@pytest.mark.parametrize(
    ("before", "pressed", "demand", "after"),
    [
        ("none", False, FULL, "released"),
        ("none", True, FULL, "none"),
        ("none", False, SAFE, "released"),
        ("released", True, FULL, "pressed"),
        ("released", False, FULL, "released"),
        ("released", True, SAFE, "released"),  # nothing is wanted: pressing means nothing
        ("released", True, Demand("route", feed="limited"), "released"),
        ("released", True, Demand("bond", source="bond"), "pressed"),
        ("pressed", True, FULL, "pressed"),
        ("pressed", False, FULL, "none"),
        ("armed", False, FULL, "armed"),
        ("armed", True, FULL, "armed"),
    ],
)
def test_arm(before: str, pressed: bool, demand: Demand, after: str) -> None:
    seen = resting(demand, arm=before, arm_s=9.0, inputs={"arm_pressed": pressed})
    decide(seen)
    assert seen.memory.arm == after
    assert seen.memory.arm_s == (10.0 if (before, after) == ("released", "pressed") else 9.0)


@pytest.mark.parametrize("lost", OUT_OF_REACH)
@pytest.mark.parametrize("before", ["released", "pressed", "armed"])
def test_lid_stop_or_a_lost_button_void_the_arm(lost: dict[str, bool | None], before: str) -> None:
    seen = resting(arm=before, arm_s=9.0, inputs={"arm_pressed": True, **lost})
    decide(seen)
    assert seen.memory.arm == "none"


@pytest.mark.parametrize(("since_s", "after"), [(0.0, "pressed"), (-0.01, "none")])
def test_arm_is_held_for_ten_seconds_at_most(since_s: float, after: str) -> None:
    """At 10 s: held since 0.0 is just ten seconds."""
    seen = resting(arm="pressed", arm_s=since_s, inputs={"arm_pressed": True})
    decide(seen)
    assert seen.memory.arm == after


@pytest.mark.parametrize(
    ("state", "after"), [("live", "armed"), ("testing", "armed"), ("closing", "none")]
)
def test_armed_once_the_first_output_is_on(state: str, after: str) -> None:
    inputs = {"arm_pressed": False, **(OPEN if state == "testing" else CLOSED)}
    demand = Demand("bond", source="bond") if state == "testing" else FULL
    seen = view(inputs=inputs, demand=demand, state=state, arm="pressed", source="bond")
    decide(seen)
    assert seen.memory.arm == after


# ---- what is a result of the part ----------------------------------------------------------------


def trip(**changes: object) -> View:
    return view(inputs={"gfci_live": False}, **changes)  # type: ignore[arg-type]


def leak(ma: float, **changes: object) -> View:
    both = {"leakage_ma": ma, "second_leakage_ma": 0.0}
    return view(both, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("seen", "kind", "value", "after_s"),
    [
        (leak(3.501, on_s=4.0), "cut_off", 3.501, 6.0),
        (leak(2.01, on_s=4.0, demand=replace(FULL, cutoff_ma=2.0)), "cut_off", 2.01, 6.0),
        (leak(3.6, on_s=4.0, demand=replace(FULL, cutoff_ma=9.0)), "cut_off", 3.6, 6.0),
        (leak(3.6, on_s=4.0, state="closing"), "cut_off", 3.6, 0.0),
        (leak(3.6, on_s=4.0, state="breaking"), "cut_off", 3.6, 6.0),
        (trip(on_s=4.0), "gfci_trip", 0.1, 6.0),
        (trip(on_s=4.0, seen={"worst_leakage_ma": None}), "gfci_trip", 0.0, 6.0),
        (trip(on_s=4.0, state="closing"), "gfci_trip", 0.1, 0.0),
    ],
)
def test_an_event(seen: View, kind: str, value: float, after_s: float) -> None:
    decision = decide(seen)
    assert decision.event == Event(kind, value, after_s, 10.0)  # type: ignore[arg-type]
    assert (decision.state, seen.memory.since_s) == ("opening", 10.0)
    assert seen.memory.spent_event
    assert seen.memory.proof_void is (kind == "gfci_trip")
    assert not decision.ended
    assert not decision.waiting


@pytest.mark.parametrize(
    "seen",
    [
        leak(3.5),
        leak(2.0, demand=replace(FULL, cutoff_ma=2.0)),
        leak(3.5, demand=replace(FULL, cutoff_ma=9.0)),
        leak(3.4, demand=replace(FULL, cutoff_ma=None)),
        view(inputs=OPEN, demand=Demand("bond", source="bond"), state="testing", source="bond"),
    ],
)
def test_no_event(seen: View) -> None:
    state = seen.memory.state
    decision = decide(seen)
    assert decision.event is None
    assert decision.state == state
    assert not seen.memory.spent_event


def test_a_test_source_has_no_events_of_its_own() -> None:
    """Its current flows through the leakage sensor, and the GFCI is not its protection."""
    bond = Demand("bond", source="bond")
    inputs = {**OPEN, "gfci_live": False}
    loud = {"leakage_ma": 29.0, "bay_v": 0.0}
    seen = view(loud, inputs, demand=bond, state="testing", source="bond")
    decision = decide(seen)
    assert (decision.event, decision.state, decision.source) == (None, "testing", "bond")


def test_a_trip_in_the_bench_proof_is_what_it_looks_for() -> None:
    seen = trip(declaration=PROOF, demand=live())
    assert decide(seen).event is not None
    assert seen.memory.proof_void is False


WITHHOLD = Demand("watchdog", energise=True, withhold_heartbeat=True)


def withholding(**changes: object) -> View:
    given = {"demand": WITHHOLD, "declaration": PROOF, "last_beat_s": 8.75, "on_s": 4.0}
    return view(**{"inputs": OPEN, **given, **changes})  # type: ignore[arg-type]


def test_a_watchdog_drop_is_timed_from_the_last_heartbeat() -> None:
    decision = decide(withholding())
    assert decision.event == Event("watchdog", 1.25, 6.0, 10.0)


@pytest.mark.parametrize(
    "seen",
    [
        withholding(inputs={**OPEN, "contactor_1_open": False}),
        withholding(inputs={**OPEN, "contactor_2_open": None}),
        withholding(state="closing"),
        withholding(demand=replace(WITHHOLD, withhold_heartbeat=False)),
    ],
)
def test_no_watchdog_drop(seen: View) -> None:
    decision = decide(seen)
    assert decision.event is None or decision.event.kind != "watchdog"


def test_only_the_drop_that_was_provoked_excuses_the_mirror_contacts() -> None:
    one = {"contactor_1_open": True, "contactor_2_open": False}
    assert not decide(withholding(inputs=one)).ended
    assert decide(withholding(inputs=one, demand=replace(WITHHOLD, withhold_heartbeat=False))).ended
    lost = decide(withholding(inputs={**one, "lid_closed": False}))
    assert lost.ended.startswith("lid is open")


def test_a_withheld_heartbeat_stops_its_clock() -> None:
    seen = withholding(inputs=CLOSED)
    assert decide(seen).beat is False
    assert seen.memory.last_beat_s == 8.75
    seen = withholding(inputs=CLOSED, demand=replace(WITHHOLD, withhold_heartbeat=False))
    assert decide(seen).beat is True
    assert seen.memory.last_beat_s == 10.0


def test_nobody_else_can_withhold_it_even_in_the_scan_that_ends_the_run() -> None:
    assert decide(view(demand=replace(FULL, withhold_heartbeat=True))).beat is True


@pytest.mark.parametrize(
    "lost", [{"dirty_s": 0.01}, {"recorder_ok": False}], ids=["dirty", "recorder"]
)
def test_no_heartbeat_in_an_unhealthy_scan(lost: dict[str, object]) -> None:
    assert decide(view(seen=lost)).beat is False
    assert decide(view(state="locked out")).beat is False
    assert decide(view()).beat is True


# ---- ending a run --------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["unproved", "off", "routed", "opening", "locked out", "live"])
def test_the_first_reason_stays_and_what_is_on_goes_off(state: str) -> None:
    seen = view(state=state)
    guard = guard_of(seen)
    guard.end("the first", True)
    guard.end("the second", False)
    assert (guard.memory.ended, guard.memory.person) == ("the first", True)
    assert (guard.memory.state, guard.memory.since_s) == (state, 5.0)
    decision = guard.decide(seen.seen, seen.demand)
    assert (decision.ended, decision.person) == ("the first", True)
    assert not decision.on & {"contactor_1", "contactor_2"}
    assert decision.state not in ON_STATES


def test_off_is_proved_only_by_what_was_read_after_it_was_commanded() -> None:
    """Ended while the contactors are closing: their mirrors still read open, the bus still dead."""
    seen = view(DEAD, OPEN, state="closing", since_s=9.9)
    guard = guard_of(seen)
    guard.end("told to end", True)
    decision = guard.decide(seen.seen, seen.demand)
    assert decision.state == "opening"
    assert decision.on == {"bay_1", "feed_line_line", "lid_lock"}


@pytest.mark.parametrize("state", sorted(ON_STATES))
def test_whatever_is_on_is_watched_and_the_person_is_told_from_the_bench(state: str) -> None:
    demand = Demand("bond", source="bond") if state == "testing" else FULL
    inputs = {**(OPEN if state == "testing" else CLOSED)}
    for lost, person in (({"lid_closed": False}, True), ({"earth_ok": False}, False)):
        seen = view(inputs={**inputs, **lost}, demand=demand, state=state, source="bond")
        decision = decide(seen)
        assert decision.ended
        assert decision.person is person
        assert not decision.on & {"contactor_1", "contactor_2", "source_bond"}


def test_after_the_end_nothing_is_wanted_any_more() -> None:
    seen = routed(arm="armed", ended="told to end", person=True)
    decision = decide(seen)
    assert (decision.state, decision.ended, decision.person) == ("opening", "told to end", True)
    assert not decision.on & {"aid_water", "aid_flow"}


def test_a_demand_outside_the_declaration_ends_the_run_in_any_state() -> None:
    for state in ("off", "live"):
        seen = view(demand=live("neutral_line"), state=state)
        decision = decide(seen)
        assert "declaration" in decision.ended
        assert not decision.person
        assert not decision.on & {"contactor_1", "feed_neutral_line"}


@pytest.mark.parametrize(
    ("since_s", "arm", "ended"),
    [
        (-5.0, "armed", False),  # refused for 15 s
        (-5.01, "armed", True),
        (-5.01, "none", False),  # a person is waited for, 600 s
        (-590.0, "none", False),
        (-590.01, "none", True),
    ],
)
def test_patience(since_s: float, arm: str, ended: bool) -> None:
    inputs = {"arm_pressed": True} if arm == "none" else {"earth_ok": False}
    seen = routed(arm=arm, refused_s=since_s, inputs=inputs)
    decision = decide(seen)
    assert bool(decision.ended) is ended
    assert decision.waiting in ("not armed", "earth continuity is lost")
    assert not ended or decision.ended == decision.waiting
    assert decision.person is (ended and arm == "none")
    assert decision.person_needed == ("arm" if arm == "none" and not ended else "")
    assert seen.memory.refused_s == since_s


def test_patience_starts_anew_when_nothing_is_refused() -> None:
    seen = view(refused_s=-100.0)
    assert not decide(seen).ended
    assert seen.memory.refused_s == 10.0
