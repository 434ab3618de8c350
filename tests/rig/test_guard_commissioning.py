"""What only commissioning may do, attacked: by parts, by the bench proof, and by itself."""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.bench_proof import proof_declaration
from procedures.catalog import FAMILIES
from procedures.scan import Declaration, Demand, Part
from rig.guard import SAFE
from tests.procedures.harness import setup
from tests.rig.guard_world import COMMISSIONING, FACTS, HEATER, World, live

CONTACTORS = {"contactor_1", "contactor_2"}
BENCH_PROOF = replace(COMMISSIONING, commissioning=False)
HALF = replace(COMMISSIONING, bench_proof=False)
NOT_YET = replace(FACTS, commissioned=False, proved=False)


def at_0(**more: object) -> Demand:
    """The limited feed with nothing connected."""
    return live("limited", bus_v=0.0, **more)


def climbed(mains_v: float = 120.0) -> World:
    """A bench, not commissioned yet, that has been live at 0 V and at 24 V in this run."""
    world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
    world.until(at_0(), "live")
    world.until(SAFE, "off")
    world.mains_v = 24.0
    world.until(live("limited", bus_v=24.0), "live")
    world.until(SAFE, "off")
    world.mains_v = mains_v
    return world


def refused(world: World, demand: Demand, scans: int = 40) -> set[str]:
    """Step as a person would who arms; never on; the words that were said."""
    said = set()
    for _ in range(scans):
        decision = world.step(demand)
        assert not decision.on & CONTACTORS
        assert not any(name.startswith("source_") for name in decision.on)
        said |= {decision.waiting, decision.ended}
        world.pressed = decision.person_needed == "arm" or world.guard.memory.arm == "pressed"
    return said


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_familys_declaration_is_a_commissioning(family: str) -> None:
    part = Part("P-1", family, rated_v=240.0, rated_w=4000.0, rated_a=10.0, rated_trip_ma=5.0)
    declaration = FAMILIES[family].declaration(part, setup())
    assert not declaration.commissioning
    assert not declaration.bench_proof
    assert not proof_declaration(setup()).commissioning


@pytest.mark.parametrize(
    "declaration", [HEATER, BENCH_PROOF, HALF], ids=["part", "bench proof", "half declared"]
)
@pytest.mark.parametrize(
    "demand",
    [
        at_0(),
        live("limited", bus_v=24.0),
        live("limited", bus_v=120.0),
        Demand("one relay", route=frozenset({"bay_2"})),
        live("limited", route=frozenset({"bay_2", "feed_limited"})),
        Demand("nothing", route=frozenset()),
    ],
    ids=lambda demand: f"{demand.bus_v} {sorted(demand.route or ())}",
)
def test_nothing_else_may_use_what_commissioning_may(
    declaration: Declaration, demand: Demand
) -> None:
    for mains_v in (0.0, 24.0, 120.0):
        world = World(declaration=declaration, mains_v=mains_v)
        world.until(SAFE, "off")
        decision = world.step(demand)
        assert decision.ended == "demand outside the procedure's declaration"
        refused(world, demand)
        assert "bay_2" not in world.on


@pytest.mark.parametrize("declaration", [HEATER, BENCH_PROOF, HALF])
def test_before_commissioning_nothing_else_is_energised(declaration: Declaration) -> None:
    world = World(NOT_YET, declaration)
    world.until(SAFE, "off")
    assert "this bench is not commissioned" in refused(world, live())
    world = World(NOT_YET, declaration)
    world.until(SAFE, "off")
    assert "this bench is not commissioned" in refused(world, Demand("bond", source="bond"))


def test_commissioning_climbs_from_nothing_to_extra_low_voltage_to_the_mains() -> None:
    decision = climbed().until(live("line_neutral", bus_v=120.0), "live")
    assert decision.on >= CONTACTORS


@pytest.mark.parametrize(("mains_v", "bus_v"), [(24.0, 24.0), (120.0, 120.0), (120.0, None)])
def test_a_higher_voltage_is_refused_before_the_lower_was_live(
    mains_v: float, bus_v: float | None
) -> None:
    world = World(NOT_YET, COMMISSIONING, mains_v=mains_v)
    world.until(SAFE, "off")
    said = refused(world, live("limited", bus_v=bus_v))
    assert "the lower voltage has not been live before" in said


def test_one_contactor_alone_is_no_lower_step() -> None:
    world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
    world.until(at_0(contactors=frozenset({1})), "live")
    world.until(SAFE, "off")
    world.mains_v = 24.0
    said = refused(world, live("limited", bus_v=24.0))
    assert "the lower voltage has not been live before" in said


@pytest.mark.parametrize(
    ("bus_v", "mains_v"),
    [
        *((0.0, 120.0), (0.0, 24.0), (0.0, 10.0), (24.0, 120.0), (24.0, 0.0), (24.0, 31.0)),
        *((24.0, 17.0), (120.0, 24.0), (120.0, 0.0), (120.0, 133.0)),
    ],
)
def test_what_is_connected_must_be_what_was_told(bus_v: float, mains_v: float) -> None:
    world = climbed(mains_v)
    assert "supply is out of band" in refused(world, live("limited", bus_v=bus_v))


@pytest.mark.parametrize("volts", [0.1, 12.0, 48.0, 110.0, 240.0, -24.0])
def test_no_other_voltage_can_be_told(volts: float) -> None:
    world = climbed(volts)
    said = refused(world, live("limited", bus_v=volts))
    assert "demand outside the procedure's declaration" in said


@pytest.mark.parametrize(("told_v", "bus_v"), [(0.0, 10.0), (24.0, 60.0), (24.0, 118.0)])
def test_mains_behind_the_contactors_is_off_in_the_same_scan(told_v: float, bus_v: float) -> None:
    """A voltmeter upstream may be on the wrong terminals; the one on the bus decides as well."""
    world = climbed(told_v)
    demand = live("limited", bus_v=told_v)
    world.until(demand, "live")
    world.force["bay_v"] = bus_v
    decision = world.step(demand)
    assert not decision.on & CONTACTORS
    assert decision.ended == "more is on the bus than was to be connected"


def test_a_bus_that_carries_what_it_should_not_never_counts_as_live() -> None:
    world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
    world.until(SAFE, "off")
    for _ in range(60):
        world.force = {"bay_v": 118.0} if world.on >= CONTACTORS else {}
        decision = world.step(at_0())
        assert decision.state != "live"
        world.pressed = decision.person_needed == "arm" or world.guard.memory.arm == "pressed"
    assert decision.ended


def test_the_told_voltage_can_not_change_while_the_contactors_are_closed() -> None:
    world = climbed(24.0)
    world.until(live("limited", bus_v=24.0), "live")
    decision = world.step(live("limited", bus_v=120.0))
    assert decision.state == "breaking"


def test_without_mains_the_gfci_need_not_live_with_mains_it_must() -> None:
    world = climbed(24.0)
    world.force["gfci_live"] = False
    decision = world.until(live("limited", bus_v=24.0), "live")
    assert decision.event is None
    world.until(SAFE, "off")
    world.mains_v = 120.0
    assert "GFCI is not live: reset it by hand" in refused(world, live("limited", bus_v=120.0))
    world.force.clear()
    world.until(live("limited", bus_v=120.0), "live")
    world.force["gfci_live"] = False
    event = world.step(live("limited", bus_v=120.0)).event
    assert event is not None
    assert event.kind == "gfci_trip"


@pytest.mark.parametrize("name", ["lid_locked", "lid_closed", "stop_healthy", "earth_ok"])
def test_lid_stop_and_earth_guard_it_at_any_voltage(name: str) -> None:
    world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
    world.until(at_0(), "live")
    world.force[name] = False
    assert not world.step(at_0()).on & CONTACTORS
    assert world.guard.memory.ended


def test_one_relay_moves_alone_with_the_contactors_open() -> None:
    for name in ("bay_1", "bay_2", "feed_limited", "aid_water", "trip_leg_1", "positive_control"):
        world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
        decision = world.until(Demand("alone", route=frozenset({name}), bus_v=0.0), "routed")
        assert decision.on == {name, "lid_lock"}
        assert not world.until(SAFE, "off").on


@pytest.mark.parametrize(
    "demand",
    [
        Demand("two bays", route=frozenset({"bay_1", "bay_2"})),
        Demand("contactor", route=frozenset({"contactor_1"})),
        Demand("source", route=frozenset({"source_bond"})),
        Demand("check", route=frozenset({"voltage_check"})),
        Demand("lock", route=frozenset({"lid_lock"})),
        Demand("undeclared feed", route=frozenset({"feed_line_line"})),
        Demand("undeclared aid", route=frozenset({"aid_flow"})),
        Demand("with a source", route=frozenset({"bay_1"}), source="bond"),
        Demand("with a feed", route=frozenset({"bay_1"}), feed="limited"),
        Demand("with proof", route=frozenset({"bay_1"}), proof=frozenset({"trip_leg_1"})),
        at_0(route=frozenset({"bay_1", "bay_2", "feed_limited"})),
        at_0(route=frozenset({"bay_1", "feed_limited", "feed_line_neutral"})),
        at_0(route=frozenset({"bay_1", "feed_line_neutral"})),
        at_0(route=frozenset({"feed_limited"})),
        at_0(route=frozenset({"bay_1", "feed_limited", "known_load"})),
        at_0(route=frozenset({"bay_1", "feed_limited", "contactor_1"})),
        Demand("no feed", energise=True, bus_v=0.0, route=frozenset({"bay_1"})),
        Demand("no feed", energise=True, bus_v=0.0, route=frozenset({"bay_1", "feed_None"})),
        replace(live("limited", bus_v=0.0), source="bond"),
    ],
    ids=lambda demand: demand.stage + " " + ",".join(sorted(demand.route or ())),
)
def test_commissioning_can_not_name_just_any_relays(demand: Demand) -> None:
    world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
    world.until(SAFE, "off")
    assert world.step(demand).ended == "demand outside the procedure's declaration"
    refused(world, demand)


def test_the_control_may_be_named_where_nothing_else_is_declared() -> None:
    bare = Declaration("bare", bench_proof=True, commissioning=True)
    world = World(NOT_YET, bare, mains_v=0.0)
    alone = Demand("alone", route=frozenset({"positive_control"}), bus_v=0.0)
    assert world.until(alone, "routed").on == {"positive_control", "lid_lock"}


def test_a_named_bay_is_energised_alone() -> None:
    demand = at_0(route=frozenset({"bay_2", "feed_limited"}))
    world = World(NOT_YET, COMMISSIONING, mains_v=0.0)
    decision = world.until(demand, "live")
    assert {"bay_2", "feed_limited"} <= decision.on
    assert "bay_1" not in decision.on
    decision = world.step(at_0(route=frozenset({"bay_1", "feed_limited"})))
    assert "bay_1" not in decision.on  # not under load
