"""The guard: each row of its tables is attacked, and its invariants hold for any demand and input."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from procedures.scan import Declaration, Demand, Findings
from rig.guard import SAFE
from rig.guard_table import PERMITS, STAY_ON, TABLE, diagram
from tests.rig.guard_world import (
    BAYS,
    COMMISSIONING,
    FACTS,
    FEEDS,
    HEATER,
    PROVED,
    World,
    live,
)

CONTACTORS = {"contactor_1", "contactor_2"}
PROOF = Declaration(
    "bench proof",
    feeds=frozenset({"limited", "line_neutral"}),
    proof=frozenset({"trip_leg_1", "known_load"}),
    bench_proof=True,
)


def test_off_is_proved_live_dead_live_before_anything() -> None:
    world = World()
    states = [world.step(SAFE).state for _ in range(8)]
    assert states[-1] == "off"
    assert (
        states.index("check live") < states.index("check dead") < states.index("check live again")
    )
    assert not world.on


def test_a_bus_that_stays_live_is_locked_out_with_the_lid_locked() -> None:
    world = World(force={"bay_v": 118.0})
    decision = world.until(SAFE, "locked out", scans=120)
    assert decision.lockout == "off could not be proved"
    assert decision.on == {"lid_lock"}
    assert not decision.beat


def test_a_run_that_begins_at_any_time_before_its_lines_are_read_is_not_overdue() -> None:
    world = World(t_s=50_000.0, force={"bay_v": None, "contactor_1_open": None})
    assert world.step(SAFE).state == "unproved"
    world.force.clear()
    assert world.until(SAFE, "off").lockout == ""
    world = World(t_s=50_000.0, force={"bay_v": None})  # never read: overdue in the end
    assert world.until(SAFE, "locked out", scans=120).lockout == "off could not be proved"


def test_a_blind_voltage_channel_is_locked_out() -> None:
    world = World(force={"bay_v": 0.0})
    decision = world.until(SAFE, "locked out", scans=120)
    assert decision.lockout == "voltage channel does not read its source"


def test_a_contactor_that_stays_in_is_locked_out_and_the_other_opens() -> None:
    world = World()
    world.until(live(), "live")
    world.force["contactor_2_open"] = False
    decision = world.until(SAFE, "locked out", scans=120)
    assert not decision.on & CONTACTORS


@pytest.mark.parametrize("feed", ["limited", "line_neutral", "both_hot", "line_line"])
def test_a_granted_feed_comes_on_in_order(feed: str) -> None:
    world = World()
    decision = world.until(live(feed, aids=frozenset({"water", "flow"})), "live")
    assert decision.feed == feed
    assert {"bay_1", f"feed_{feed}", *CONTACTORS, "lid_lock"} <= decision.on


# how to break each rule of ENERGISE: forced inputs or values, demand, facts, world attributes
BREAK: dict[str, dict[str, object]] = {
    "declared": {"demand": replace(live("line_line"), source="bond")},
    "fresh": {"force": {"supply_v": None}},
    "lines": {"world": {"dirty_s": 1.0}},
    "recorder": {"world": {"recorder_ok": False}},
    "commissioned": {"facts": {"commissioned": False}},
    "bench proof": {"facts": {"proved": False}},
    "lower first": {"declaration": COMMISSIONING, "demand": live("line_neutral")},
    "gfci": {"force": {"gfci_live": False}},
    "earth": {"force": {"earth_ok": False}},
    "thermal": {"force": {"thermal_ok": False}},
    "hood": {"force": {"hood_ok": False}},
    "ground": {"demand": live("line_line", findings=replace(PROVED, grounded=False))},
    "limited step": {"demand": live("line_line", findings=replace(PROVED, control_seen=False))},
    "water": {"force": {"level_ok": False}},
    "supply": {"force": {"supply_v": 133.0}},
    "agreement": {"world": {"contradiction": "two meters"}},
    "route": {"force": {"feeds_open": False}},
    "quiet": {"force": {"leakage_ma": 0.6, "second_leakage_ma": 0.6}},
    "lid": {"force": {"lid_locked": False}},
    "lid closed": {"force": {"lid_closed": False}},
    "stop": {"force": {"stop_healthy": False}},
    "contactors": {"force": {"contactor_1_open": False}},
    "dead": {"force": {"bay_v": 60.0}},
    "armed": {"no_arm": True},
}


def _broken_world(name: str) -> tuple[World, Demand]:
    how = BREAK[name]
    facts = replace(FACTS, **how.get("facts", {}))  # type: ignore[arg-type]
    world = World(facts, how.get("declaration", HEATER))  # type: ignore[arg-type]
    world.until(SAFE, "off")
    world.force.update(how.get("force", {}))  # type: ignore[call-overload]
    for key, value in how.get("world", {}).items():  # type: ignore[attr-defined]
        setattr(world, key, value)
    return world, how.get("demand", live("line_line"))  # type: ignore[return-value]


@pytest.mark.parametrize("name", [rule.name for rule in PERMITS["ENERGISE"]])
def test_each_missing_permission_refuses_and_says_why(name: str) -> None:
    world, demand = _broken_world(name)
    words = next(rule.words for rule in PERMITS["ENERGISE"] if rule.name == name)
    said = set()
    for _ in range(40):
        decision = world.step(demand)
        assert not decision.on & CONTACTORS
        said |= {decision.waiting, decision.ended}
        if "no_arm" not in BREAK[name]:
            world.pressed = decision.person_needed == "arm" or world.guard.memory.arm == "pressed"
    assert any(one.startswith(words) for one in said) or BREAK[name].keys() & {
        "force"
    }  # lid and stop void the arm first


@pytest.mark.parametrize("name", [rule.name for rule in PERMITS["SOURCE"]])
def test_a_test_source_is_an_output_too(name: str) -> None:
    world, _ = _broken_world(name)
    for _ in range(40):
        wanted = Demand("insulation", source="insulation", energise=name == "declared")
        decision = world.step(wanted)
        assert "source_insulation" not in decision.on
        if "no_arm" not in BREAK[name]:
            world.pressed = decision.person_needed == "arm" or world.guard.memory.arm == "pressed"


def test_a_source_comes_on_only_with_the_contactors_open_and_is_discharged() -> None:
    world = World()
    decision = world.until(Demand("insulation", source="insulation"), "testing")
    assert "source_insulation" in decision.on
    assert not decision.on & CONTACTORS
    world.force["bay_dc_v"] = 200.0
    for _ in range(20):
        assert world.step(SAFE).state in ("opening",)
    world.force.clear()
    world.until(SAFE, "off")


LOSE: dict[str, dict[str, object]] = {
    **{name: how for name, how in BREAK.items() if how.keys() & {"force", "world"}},
    "water temperature": {"force": {"temperature_c": 46.0}},
    "feedback": {"force": {"contactor_1_open": True}},
    "route": {"force": {"feeds_open": True}},
    "stage": {"scans": 31},
    "pace": {"pause_s": 0.8},  # and the scan's own 0.1 s: more than two leases of 0.4 s
    "bus": {
        "start": World(declaration=COMMISSIONING, mains_v=0.0),
        "live": live("limited", bus_v=0.0, stage_s=3.0),
        "force": {"bay_v": 118.0},
    },
    "declared": {"demand": live("neutral_line")},
}


@pytest.mark.parametrize("name", sorted({rule.name for rule in STAY_ON}))
def test_each_lost_condition_switches_off_in_the_same_scan_and_ends_the_run(name: str) -> None:
    how = LOSE[name]
    world: World = how.get("start", World())  # type: ignore[assignment]
    wet = live("line_line", aids=frozenset({"water", "flow"}), stage_s=3.0)
    demand: Demand = how.get("live", wet)  # type: ignore[assignment]
    world.until(demand, "live")
    world.force.update(how.get("force", {}))  # type: ignore[call-overload]
    for key, value in how.get("world", {}).items():  # type: ignore[attr-defined]
        setattr(world, key, value)
    for _ in range(how.get("scans", 0)):  # type: ignore[call-overload]
        world.step(demand)
    world.t_s += how.get("pause_s", 0.0)  # type: ignore[operator]
    decision = world.step(how.get("demand", demand))  # type: ignore[arg-type]
    assert not decision.on & CONTACTORS
    assert decision.ended
    world.force.clear()
    world.dirty_s, world.recorder_ok, world.contradiction = 0.0, True, ""
    for _ in range(60):
        assert not world.step(demand).on & CONTACTORS  # no way back in this run


def test_a_leak_above_the_cut_off_is_a_result_and_off_in_the_same_scan() -> None:
    world = World()
    demand = live("line_line", aids=frozenset({"water", "flow"}))
    world.until(demand, "live")
    world.force |= {"leakage_ma": 3.6, "second_leakage_ma": 3.6}
    decision = world.step(demand)
    assert decision.event is not None
    assert (decision.event.kind, decision.event.value) == ("cut_off", 3.6)
    assert not decision.on & CONTACTORS
    assert not decision.ended
    world.force.clear()
    for _ in range(60):
        assert not world.step(demand).on & CONTACTORS  # not until the procedure lets go


def test_either_sensor_alone_cuts_off() -> None:
    for name in ("leakage_ma", "second_leakage_ma"):
        world = World()
        world.until(live(), "live")
        world.force[name] = 3.51
        decision = world.step(live())
        assert decision.event is not None


def test_a_demand_can_only_lower_the_cut_off() -> None:
    world = World()
    demand = live(cutoff_ma=9.0)
    world.until(demand, "live")
    world.force |= {"leakage_ma": 3.6, "second_leakage_ma": 3.6}
    assert world.step(demand).event is not None


def test_a_gfci_trip_is_a_result_and_voids_the_bench_proof() -> None:
    world = World()
    world.until(live(), "live")
    world.force["gfci_live"] = False
    decision = world.step(live())
    assert decision.event is not None
    assert decision.event.kind == "gfci_trip"
    assert not decision.on & CONTACTORS
    world.force.clear()
    world.until(SAFE, "off")
    for _ in range(60):
        assert not world.step(live()).on & CONTACTORS


def test_arm_is_release_and_press() -> None:
    world = World(pressed=True)  # a wedged button: pressed since before the run
    for _ in range(60):
        assert not world.step(live()).on & CONTACTORS
    world.pressed = False
    world.step(live())
    world.pressed = True
    world.until(live(), "live")


def test_arm_let_go_before_anything_is_on_is_void() -> None:
    world = World()
    world.until(SAFE, "off")
    world.force["lid_locked"] = False  # keeps it from coming on
    for pressed in (False, True, True, False, False):
        world.pressed = pressed
        world.step(live())
    assert world.guard.memory.arm in ("none", "released")


def test_arm_held_longer_than_ten_seconds_is_void() -> None:
    world = World()
    world.until(SAFE, "off")
    world.force["earth_ok"] = False
    for n in range(120):
        world.pressed = n > 0
        world.step(live())
    world.force.clear()
    for _ in range(20):
        assert not world.step(live()).on & CONTACTORS


def test_opening_the_lid_voids_the_arm() -> None:
    world = World()
    world.until(live(), "live")
    world.until(Demand("off"), "off")
    world.force["lid_closed"] = False
    world.step(SAFE)
    world.force.clear()
    world.pressed = False
    for _ in range(30):
        assert not world.step(live()).on & CONTACTORS


def test_armed_once_the_next_feed_needs_no_second_press() -> None:
    world = World()
    world.until(live(), "live")
    world.pressed = False
    for _ in range(40):
        decision = world.step(live("both_hot"))
    assert decision.feed == "both_hot"


def test_each_contactor_breaks_first_in_turn() -> None:
    world, first = World(), []
    for _ in range(2):
        world.until(live(), "live")
        decision = world.step(SAFE)
        assert decision.state == "breaking"
        first.append(decision.on & CONTACTORS)
        world.until(SAFE, "off")
    assert len(first[0]) == len(first[1]) == 1
    assert first[0] != first[1]


def test_only_the_bench_proof_may_withhold_the_heartbeat_or_close_one_contactor() -> None:
    for demand in (
        live(withhold_heartbeat=True),
        live(contactors=frozenset({1})),
    ):
        world = World()
        world.until(SAFE, "off")
        assert world.step(demand).ended
    world = World(declaration=PROOF)
    decision = world.until(Demand("one", energise=True, contactors=frozenset({1})), "live")
    assert decision.on & CONTACTORS == {"contactor_1"}


def test_the_watchdog_proof_reports_how_long_the_board_took() -> None:
    world = World(declaration=PROOF)
    world.until(Demand("on", energise=True), "live")
    withhold = Demand("watchdog", energise=True, withhold_heartbeat=True)
    for _ in range(9):
        assert not world.step(withhold).beat
    world.force |= {"contactor_1_open": True, "contactor_2_open": True}
    decision = world.step(withhold)
    assert decision.event is not None
    assert decision.event.kind == "watchdog"
    assert decision.event.value == pytest.approx(1.0, abs=0.15)


def test_what_is_refused_for_long_ends_the_run_with_the_refusals_words() -> None:
    world = World()
    world.until(SAFE, "off")
    world.force["earth_ok"] = False
    decision = world.step(live())
    for n in range(400):
        world.pressed = n % 90 > 1
        decision = world.step(live())
        if decision.ended:
            break
    assert decision.ended == "earth continuity is lost"


def test_every_row_of_the_table_can_fire() -> None:
    reached = {row.to for row in TABLE} | {"unproved"}
    assert {row.state for row in TABLE} == reached - {"locked out"}


DEMANDS = st.sampled_from(
    [
        SAFE,
        live(),
        live("line_line", aids=frozenset({"water", "flow"})),
        live("both_hot", aids=frozenset({"high_speed"})),
        live("line_neutral", findings=Findings()),
        live("neutral_line"),
        Demand("bond", source="bond"),
        Demand("route", feed="limited"),
        Demand("undeclared", feed="limited", energise=True, proof=frozenset({"trip_leg_1"})),
        live("line_line", contactors=frozenset({2})),
        Demand("both", feed="limited", energise=True, source="bond"),
    ]
)
UPSETS = st.sampled_from(
    [
        {},
        {},
        {},
        {"lid_closed": False},
        {"lid_locked": False},
        {"stop_healthy": False},
        {"gfci_live": False},
        {"contactor_1_open": None},
        {"contactor_2_open": False},
        {"leakage_ma": 5.0, "second_leakage_ma": 5.0},
        {"leakage_ma": None},
        {"bay_v": 60.0},
        {"bay_v": None},
        {"supply_v": 150.0},
        {"level_ok": False},
    ]
)
ROUTE = BAYS | FEEDS | {"aid_high_speed", "known_load"}


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(DEMANDS, UPSETS, st.booleans(), st.sampled_from([1, 2, 3, 5, 12, 100])),
        max_size=25,
    )
)
def test_invariants_hold_for_any_demands_and_upsets(
    steps: list[tuple[Demand, dict[str, bool | float | None], bool, int]],
) -> None:
    world = World()
    world.until(SAFE, "off")
    for demand, upset, pressed, scans in steps:
        world.force, world.pressed = dict(upset), pressed
        for _ in range(scans):
            before = world.on
            decision = world.step(demand)
            _check_invariants(world, before, decision.on)


def _all(inputs: Mapping[str, bool], *names: str) -> bool:
    return all(inputs.get(name) is True for name in names)


def _check_invariants(world: World, before: frozenset[str], on: frozenset[str]) -> None:
    assert world.seen is not None
    inputs = world.seen.inputs
    assert len(on & BAYS) <= 1
    assert len(on & FEEDS) <= 1
    if before & ROUTE != on & ROUTE:
        assert not (before | on) & CONTACTORS
        assert _all(inputs, "contactor_1_open", "contactor_2_open")
    if on & CONTACTORS == CONTACTORS:
        assert _all(inputs, "lid_closed", "lid_locked", "stop_healthy", "gfci_live")
        assert (world.seen.worst_leakage_ma or 0.0) <= 3.5
        assert on & FEEDS
        assert {f"feed_{feed}" for feed in HEATER.feeds} >= on & FEEDS
    if any(name.startswith("source_") for name in on):
        assert not on & CONTACTORS
        assert _all(inputs, "lid_locked", "stop_healthy")
    assert "trip_leg_1" not in on


def test_the_readme_shows_the_table_as_it_is() -> None:
    readme = Path(__file__).parents[2].joinpath("README.md").read_text("utf-8")
    shown = readme.split("```mermaid\n")[1].split("\n```")[0]
    assert shown == diagram()
