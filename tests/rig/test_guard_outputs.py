"""The guard's one step: what entering a state does, and what is on in it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.scan import Demand
from rig.guard import SAFE
from rig.guard_seen import View
from tests.rig.guard_view import (
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
from tests.rig.guard_world import COMMISSIONING, FACTS, HEATER, World, live

# ---- entering a state ----------------------------------------------------------------------------


def test_routing_takes_over_what_is_demanded() -> None:
    demand = Demand("one", feed="limited", energise=True, contactors=frozenset({2}))
    seen = resting(demand, declaration=PROOF)
    assert decide(seen).state == "routed"
    memory = seen.memory
    assert memory.route == {"bay_1", "feed_limited"}
    assert (memory.feed, memory.since_s) == ("limited", 10.0)
    assert memory.contactors == {2}


def test_a_source_comes_on_with_its_time_and_goes_with_it() -> None:
    seen = routed(Demand("bond", source="bond"), on_s=1.0, stage_s=1.0)
    decision = decide(seen)
    assert (decision.state, decision.source, decision.feed) == ("testing", "bond", None)
    assert (seen.memory.on_s, seen.memory.stage_s) == (10.0, 10.0)
    assert decision.on == {"bay_1", "source_bond", "lid_lock"}


def test_live_begins_the_stage_and_the_time_on() -> None:
    seen = view(state="closing", on_s=1.0, stage_s=1.0)
    decision = decide(seen)
    assert (decision.state, decision.feed) == ("live", "line_line")
    assert (seen.memory.on_s, seen.memory.stage_s) == (10.0, 10.0)
    seen = view(on_s=1.0, stage_s=6.0)
    assert decide(seen).feed == "line_line"
    assert (seen.memory.on_s, seen.memory.stage_s) == (1.0, 6.0)


def test_a_feed_is_told_only_while_it_is_live_and_a_source_while_it_tests() -> None:
    assert decide(routed(arm="none")).feed is None
    assert decide(view(source="bond")).source is None


def test_off_forgets_the_route() -> None:
    seen = view(DEAD, OPEN, demand=SAFE, state="opening", feed="line_line", source="bond")
    decision = decide(seen)
    assert decision.state == "check live"
    assert (seen.memory.route, seen.memory.feed, seen.memory.source) == (frozenset(), None, None)
    assert decision.on == {"voltage_check", "lid_lock"}


@pytest.mark.parametrize(("lead", "left"), [(1, "contactor_1"), (2, "contactor_2")])
def test_the_contactor_that_broke_first_is_the_last_next_time(lead: int, left: str) -> None:
    seen = view(demand=SAFE, lead=lead)
    decision = decide(seen)
    assert decision.state == "breaking"
    assert decision.on & {"contactor_1", "contactor_2"} == {left}
    assert seen.memory.lead == 3 - lead


def test_a_lockout_says_why_ends_the_run_and_moves_no_relay() -> None:
    seen = view(demand=FULL, state="opening", since_s=1.0)
    decision = decide(seen)
    assert decision.state == "locked out"
    assert decision.lockout == decision.ended == "off could not be proved"
    assert decision.person is False
    assert decision.on == {"bay_1", "feed_line_line", "lid_lock"}


def test_the_live_feed_is_one_through_both_contactors() -> None:
    for state, contactors, feed in (
        ("live", {1, 2}, "line_line"),
        ("live", {1}, None),
        ("breaking", {1, 2}, None),
    ):
        guard = guard_of(view(state=state, contactors=frozenset(contactors)))
        assert guard.live_feed == feed


# ---- what is on ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "control", "on"),
    [
        ("live", True, {"bay_1", "feed_line_line", "contactor_1", "contactor_2", "control"}),
        ("live", False, {"bay_1", "feed_line_line", "contactor_1", "contactor_2"}),
        ("closing", True, {"bay_1", "feed_line_line", "contactor_1", "contactor_2"}),
    ],
)
def test_on(state: str, control: bool, on: set[str]) -> None:
    demand = replace(FULL, control=control)
    inputs = CLOSED if state == "live" else {"contactor_1_open": True}
    decision = decide(view(inputs=inputs, demand=demand, state=state, since_s=9.5))
    names = {"positive_control" if name == "control" else name for name in on}
    assert decision.on == names | {"aid_water", "aid_flow", "lid_lock"}


def test_aids_may_run_in_any_state_but_speed_only_with_the_route() -> None:
    every = Demand("damp", aids=frozenset({"water", "flow", "high_speed"}))
    assert decide(resting(every)).on == {"aid_water", "aid_flow"}
    seen = view(DEAD, OPEN, demand=every, state="check dead", since_s=9.95, taken_s={"bay_v": 9.9})
    assert decide(seen).on == {"aid_water", "aid_flow", "lid_lock"}
    assert decide(view(demand=every, state="locked out")).on & {"aid_water", "aid_flow"} == set()


@pytest.mark.parametrize(
    ("state", "allowed"),
    [
        *((state, True) for state in ("off", "routed", "live")),
        *(
            (state, False)
            for state in ("unproved", "closing", "opening", "check dead", "locked out")
        ),
    ],
)
def test_when_the_bench_proof_has_its_own_outputs(state: str, allowed: bool) -> None:
    demand = live("line_neutral", proof=frozenset({"trip_leg_1"}))
    stay = {"since_s": 9.95, "taken_s": {"bay_v": 9.0}, "route": frozenset(), "arm": "none"}
    if state in ("live", "closing", "routed"):
        stay |= {"route": frozenset({"bay_1", "feed_line_neutral"}), "feed": "line_neutral"}
    inputs = {"contactor_1_open": state != "live", "contactor_2_open": state != "live"}
    if state == "off":
        demand = Demand("proof", proof=frozenset({"trip_leg_1"}))
    seen = view({}, inputs, demand=demand, declaration=PROOF, state=state, **stay)  # type: ignore[arg-type]
    decision = decide(seen)
    assert decision.state == state
    assert ("trip_leg_1" in decision.on) is allowed


def test_the_known_load_is_part_of_the_route_and_of_nothing_else() -> None:
    demand = Demand("load", feed="limited", proof=frozenset({"known_load"}))
    seen = resting(demand, declaration=PROOF, inputs={"contactor_1_open": False})
    assert "known_load" not in decide(seen).on
    assert "known_load" in decide(resting(demand, declaration=PROOF)).on


@pytest.mark.parametrize(
    ("arm", "demand", "locked"),
    [
        ("pressed", FULL, True),
        ("armed", FULL, True),
        ("armed", SAFE, False),
        ("released", FULL, False),
        ("none", FULL, False),
    ],
)
def test_the_lid_is_free_only_in_off_until_armed(arm: str, demand: Demand, locked: bool) -> None:
    inputs = {"arm_pressed": arm == "pressed", "contactor_1_open": False}
    seen = resting(demand, arm=arm, arm_s=9.9, inputs=inputs)
    decision = decide(seen)
    assert decision.state == "off"
    assert ("lid_lock" in decision.on) is locked


def test_what_is_not_fitted_is_not_commanded() -> None:
    facts = replace(FACTS, outputs=FACTS.outputs - {"aid_flow"})
    assert "aid_flow" not in decide(view(facts=facts)).on


@pytest.mark.parametrize(
    ("seen", "needed"),
    [
        (resting(arm="none"), "arm"),
        (resting(arm="none", inputs={"arm_pressed": True}), "arm"),
        (resting(arm="released"), "arm"),
        (resting(arm="armed"), ""),
        (resting(SAFE), ""),
        (resting(Demand("route", feed="limited")), ""),
        (resting(Demand("bond", source="bond"), inputs={"gfci_live": False}), "arm"),
        (resting(inputs={"gfci_live": False}), "reset_gfci"),
        (resting(inputs={"gfci_live": None}), "arm"),
        (resting(inputs={"contactor_1_open": False}), "arm"),  # stays off: no relay may move
        *[
            (
                resting(live(bus_v=v), inputs={"gfci_live": False}, declaration=COMMISSIONING),
                needed,
            )
            for v, needed in ((None, "reset_gfci"), (120.0, "reset_gfci"), (24.0, "arm"))
        ],
        (resting(ended="told to end"), ""),
        (routed(arm="none", inputs={"arm_pressed": True}), "arm"),
        (view(DEAD, OPEN, state="opening", taken_s={"bay_v": 1.0}, arm="none"), ""),
    ],
)
def test_what_a_person_has_to_do(seen: View, needed: str) -> None:
    assert decide(seen).person_needed == needed


# ---- a whole run, by its scans -------------------------------------------------------------------


def test_one_state_a_scan_from_unproved_to_live_and_back() -> None:
    world, states = World(), []
    for n in range(20):
        world.pressed = n in (6, 7, 8)
        states.append(world.step(live() if n < 10 else SAFE).state)
    proof = ["check live", "check dead", "check live again", "off"]
    assert states[:8] == ["unproved", *proof, "routed", "closing", "live"]
    assert states[8:] == ["live", "live", "breaking", "opening", *proof, "off", "off", "off", "off"]


# ---- what it waits for ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "seen",
    [
        resting(SAFE),  # nothing is wanted
        resting(),  # a row fires: routed
        view(),  # live and stays so
        view(demand=SAFE),  # live no more
    ],
)
def test_nothing_is_waited_for_where_nothing_is_refused(seen: View) -> None:
    assert decide(seen).waiting == ""


# ---- what counts as having been live (commissioning goes from low to high) -----------------------


@pytest.mark.parametrize(
    ("state", "contactors", "counts"),
    [
        ("closing", {1, 2}, True),  # arrives at live in this scan
        ("closing", {1}, False),  # one contactor alone proves no voltage
        ("routed", {1, 2}, False),  # commanded is not live
        ("live", {1, 2}, False),  # counted when it came
    ],
)
def test_only_arriving_at_live_through_both_contactors_counts(
    state: str, contactors: set[int], counts: bool
) -> None:
    inputs = {f"contactor_{n}_open": state == "routed" or n not in contactors for n in (1, 2)}
    demand = replace(FULL, contactors=frozenset(contactors))
    values = {"bay_v": 0.0, "load_a": 0.0} if state == "routed" else {}
    seen = view(
        values,
        inputs,
        demand=demand,
        declaration=replace(HEATER, bench_proof=True),
        state=state,
        contactors=frozenset(contactors),
    )
    decision = decide(seen)
    assert decision.state == {"closing": "live", "routed": "closing", "live": "live"}[state]
    assert bool(seen.memory.been_live_v) is counts
