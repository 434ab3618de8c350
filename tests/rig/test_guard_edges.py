"""The guard's edges: each rule and predicate alone before one hand-made view, on both sides of its edge.

``test_guard.py`` attacks the guard as a whole; here a number or a sign that moves is noticed. Figures
are the design's and the trade's, restated by hand: dead below 10 V, discharged below 30 V, gate 3.0 mA,
water 45 °C (P), no more than a few scans of lease.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest

from procedures.scan import Declaration, Demand, Findings
from rig.guard_seen import Facts, View
from rig.guard_table import PREDICATES, TABLE, route_of
from tests.rig.guard_view import DEAD, OPEN, PROOF, view
from tests.rig.guard_world import COMMISSIONING, FACTS, HEATER, PROVED, live
from tests.rig.test_guard_tables import NEEDED, RULES

# ---- each rule on both sides of its edge ---------------------------------------------------------


def heater(**changes: object) -> Demand:
    return live("line_line", aids=frozenset({"water", "flow"}), **changes)


def without(name: str) -> Facts:
    """The bench where that input or quantity is not fitted."""
    return replace(FACTS, inputs=FACTS.inputs - {name}, quantities=FACTS.quantities - {name})


def found(ma: float | None, seen: bool = True) -> Demand:
    bounds = {} if ma is None else {"line_line": ma}
    return heater(findings=Findings(True, bounds, seen))


DRY = Declaration("light", feeds=frozenset({"line_line"}))
EDGES: list[tuple[str, bool, Callable[[], View]]] = [
    ("lid", False, lambda: view(inputs={"lid_locked": None})),
    ("lid closed", False, lambda: view(inputs={"lid_closed": None})),
    ("stop", False, lambda: view(inputs={"stop_healthy": None})),
    ("gfci", False, lambda: view(inputs={"gfci_live": None})),
    *[
        (rule, held, make)
        for rule in ("earth", "thermal", "hood")
        for name in (f"{rule}_ok",)
        for held, make in (
            (True, lambda name=name: view(inputs={name: None}, facts=without(name))),
            (False, lambda name=name: view(inputs={name: None})),
            (False, lambda name=name: view(inputs={name: False})),
        )
    ],
    ("pace", True, lambda: view(decided_s=9.21)),
    ("pace", True, lambda: view(decided_s=9.0, facts=replace(FACTS, lease_s=0.5))),
    ("pace", False, lambda: view(decided_s=9.19)),  # more than two leases without a scan
    ("lines", True, lambda: view(seen={"dirty_s": 0.4})),  # the lease of a few scans
    ("lines", False, lambda: view(seen={"dirty_s": 0.401})),
    ("recorder", False, lambda: view(seen={"recorder_ok": False})),
    ("fresh", False, lambda: view({"leakage_ma": None})),
    ("fresh", False, lambda: view(inputs={"arm_pressed": None})),
    ("fresh", True, lambda: view({"temperature_c": None, "load_a": None})),
    ("commissioned", False, lambda: view(facts=replace(FACTS, commissioned=False))),
    ("bench proof", False, lambda: view(facts=replace(FACTS, proved=False))),
    ("bench proof", False, lambda: view(proof_void=True)),
    (
        "bench proof",
        True,
        lambda: view(facts=replace(FACTS, proved=False), declaration=PROOF, proof_void=True),
    ),
    ("ground", False, lambda: view(demand=heater(findings=replace(PROVED, grounded=False)))),
    ("ground", True, lambda: view(demand=heater(findings=Findings()), declaration=PROOF)),
    ("limited step", True, lambda: view(demand=found(3.0))),
    ("limited step", False, lambda: view(demand=found(3.001))),
    ("limited step", False, lambda: view(demand=found(None))),
    ("limited step", False, lambda: view(demand=found(0.1, seen=False))),
    ("limited step", True, lambda: view(demand=live(findings=Findings(True)))),
    ("limited step", True, lambda: view(demand=found(None), declaration=PROOF)),
    *[
        ("water", False, lambda name=name, state=state: view(inputs={name: state}))
        for name in ("level_ok", "flow_ok", "thermal_ok")
        for state in (False, None)
    ],
    ("water", True, lambda: view(inputs={"level_ok": False}, declaration=DRY)),
    ("water", True, lambda: view(inputs={"level_ok": False}, feed="both_hot")),
    ("water", False, lambda: view(inputs={"level_ok": False}, feed="line_neutral")),
    ("water", False, lambda: view(inputs={"flow_ok": False}, feed="neutral_line")),
    ("water temperature", True, lambda: view({"temperature_c": 45.0})),
    ("water temperature", False, lambda: view({"temperature_c": 45.01})),
    ("water temperature", False, lambda: view({"temperature_c": None})),
    ("water temperature", True, lambda: view({"temperature_c": None}, declaration=DRY)),
    ("water temperature", True, lambda: view({"temperature_c": None}, feed="both_hot")),
    ("supply", True, lambda: view({"supply_v": 132.0})),  # 120 V and 10 %
    ("supply", False, lambda: view({"supply_v": 132.01})),
    ("supply", True, lambda: view({"supply_v": 108.0})),
    ("supply", False, lambda: view({"supply_v": 107.99})),
    ("supply", False, lambda: view({"supply_v": None})),
    ("supply", True, lambda: view({"supply_v": None}, facts=without("supply_v"))),
    ("supply", True, lambda: view(bus_v=24.0)),  # no part's procedure is run on less than mains
    *[  # commissioning: nothing connected reads as dead; 24 V and a quarter of it, both ways
        (
            "supply",
            held,
            lambda told=told, volts=volts: view(
                {"supply_v": volts}, declaration=COMMISSIONING, bus_v=told
            ),
        )
        for told, volts, held in (
            *((0.0, 9.99, True), (0.0, -9.99, True), (0.0, 10.0, False)),
            *((24.0, 30.0, True), (24.0, 30.01, False), (24.0, 18.0, True), (24.0, 17.99, False)),
            *((120.0, 132.0, True), (120.0, 132.01, False)),
        )
    ],
    ("agreement", False, lambda: view(seen={"contradiction": "a against b"})),
    ("quiet", True, lambda: view({"leakage_ma": 0.49}, state="routed")),
    ("quiet", False, lambda: view({"leakage_ma": 0.5}, state="routed")),
    ("quiet", True, lambda: view({"leakage_ma": 3.0}, state="live")),
    ("quiet", True, lambda: view(state="routed", seen={"worst_leakage_ma": None})),
    ("armed", True, lambda: view(arm="pressed")),
    ("armed", False, lambda: view(arm="released")),
    ("armed", False, lambda: view(arm="none")),
    ("contactors", True, lambda: view(inputs=OPEN)),
    ("contactors", False, lambda: view(inputs={**OPEN, "contactor_1_open": None})),
    ("contactors", False, lambda: view(inputs={**OPEN, "contactor_2_open": False})),
    *[
        ("route", False, lambda name=name, state=state: view(inputs={name: state}))
        for name in ("bays_open", "feeds_open")
        for state in (True, None)  # fitted but not read is not followed
    ],
    ("route", False, lambda: view(inputs={"feeds_open": False}, route=frozenset({"bay_1"}))),
    ("route", True, lambda: view(inputs={"feeds_open": None}, facts=without("feeds_open"))),
    ("route", True, lambda: view(route=frozenset())),
    ("dead", True, lambda: view({"bay_v": 9.99})),
    ("dead", False, lambda: view({"bay_v": 10.0})),
    ("dead", False, lambda: view({"bay_v": -10.0})),
    ("dead", False, lambda: view({"bay_v": None})),
    ("feedback", False, lambda: view(inputs={"contactor_2_open": True})),
    ("feedback", False, lambda: view(inputs={"contactor_1_open": None})),
    ("feedback", True, lambda: view(inputs=OPEN, state="testing")),
    ("feedback", False, lambda: view(inputs={**OPEN, "contactor_1_open": False}, state="testing")),
    ("feedback", True, lambda: view(inputs=OPEN, state="closing")),
    ("feedback", True, lambda: view(inputs=OPEN, state="breaking")),
    (
        "feedback",
        True,
        lambda: view(inputs={"contactor_2_open": True}, contactors=frozenset({1})),
    ),
    ("stage", True, lambda: view(demand=heater(stage_s=5.0))),
    ("stage", False, lambda: view(demand=heater(stage_s=4.99))),
]


@pytest.mark.parametrize(
    ("name", "held", "make"), EDGES, ids=[f"{n}-{row[0]}" for n, row in enumerate(EDGES)]
)
def test_rule(name: str, held: bool, make: Callable[[], View]) -> None:
    rules = {rule.name: rule for table in RULES.values() for rule in table}
    assert rules[name].holds(view(DEAD, OPEN) if name in ("contactors", "dead") else view())
    assert rules[name].holds(make()) is held


def test_every_rule_has_an_edge_here() -> None:
    assert {name for names in NEEDED.values() for name in names} == {
        *(name for name, _, _ in EDGES),
        "declared",
    }


# ---- what may be demanded ------------------------------------------------------------------------

DEMANDS: list[tuple[bool, Demand, Declaration]] = [
    (True, heater(), HEATER),
    (True, Demand("off"), HEATER),
    (True, Demand("bond", source="bond"), HEATER),
    (True, Demand("bond", feed="limited", source="bond"), HEATER),
    (False, live("neutral_line"), HEATER),
    (False, Demand("ohms", source="ohms"), HEATER),
    (False, Demand("damp", aids=frozenset({"water", "humid"})), HEATER),
    (False, Demand("trip", proof=frozenset({"trip_leg_1"})), HEATER),
    (True, Demand("trip", proof=frozenset({"trip_leg_1"})), PROOF),
    (True, live(control=True), HEATER),
    (False, live(control=True), replace(HEATER, control=False)),
    (True, live(), replace(HEATER, control=False)),
    (False, live(contactors=frozenset({1})), HEATER),
    (False, live(contactors=frozenset()), HEATER),
    (False, live(withhold_heartbeat=True), HEATER),
    (True, live(contactors=frozenset({1}), withhold_heartbeat=True), PROOF),
    (False, Demand("no feed", energise=True), HEATER),
    (True, Demand("no feed", energise=True), PROOF),
    (False, live(source="bond"), HEATER),
    (False, live(source="bond"), replace(PROOF, sources=frozenset({"bond"}))),
]


@pytest.mark.parametrize(("may", "demand", "declaration"), DEMANDS)
def test_declared(may: bool, demand: Demand, declaration: Declaration) -> None:
    rule = RULES["ENERGISE"][0]
    assert rule.holds(view(demand=demand, declaration=declaration)) is may


# ---- each predicate on both sides of its edge ----------------------------------------------------


def dead(values: Mapping[str, float | None] | None = None, **more: object) -> View:
    """All open, no voltage, no current."""
    inputs = {**OPEN, **more.pop("inputs", {})}  # type: ignore[dict-item]
    return view({**DEAD, **(values or {})}, inputs, **more)  # type: ignore[arg-type]


def check(volts: float | None, **more: object) -> View:
    return view({"bay_v": volts}, **more)  # type: ignore[arg-type]


NO_CHECK = replace(FACTS, outputs=FACTS.outputs - {"voltage_check"})
ONE = frozenset({1})
WHENS: list[tuple[str, bool, Callable[[], View]]] = [
    *[
        (name, held, make)
        for name in ("proved dead", "bus dead")
        for held, make in (
            (True, lambda: dead()),
            (True, lambda: dead({"bay_v": 9.99})),
            (False, lambda: dead({"bay_v": 10.0})),
            (False, lambda: dead({"bay_v": -10.0})),
            (False, lambda: dead({"bay_v": None})),
            (True, lambda: dead({"bay_dc_v": -29.9})),
            (False, lambda: dead({"bay_dc_v": -30.0})),
            (False, lambda: dead({"bay_dc_v": None})),
            (True, lambda: dead({"bay_dc_v": None}, facts=without("bay_dc_v"))),
            (True, lambda: dead({"load_a": -0.19})),
            (False, lambda: dead({"load_a": 0.2})),
            (False, lambda: dead({"load_a": None})),
            (True, lambda: dead({"load_a": None}, facts=without("load_a"))),
            (False, lambda: dead(taken_s={"bay_v": 5.0})),  # taken when the state began
            (False, lambda: dead(taken_s={"bay_dc_v": 4.0})),
            (False, lambda: dead(taken_s={"load_a": 5.0})),
            (True, lambda: dead(taken_s={"bay_v": 5.001})),
            (False, lambda: dead(inputs={"contactor_1_open": False})),
            (False, lambda: dead(inputs={"contactor_2_open": None})),
        )
    ],
    *[
        (name, held, make)
        for name, longest_s in (
            ("not proved dead in time", 8.0),
            ("check overdue", 3.0),
            ("not closed in time", 2.0),
        )
        for held, make in (
            (False, lambda s=longest_s: view(since_s=10.0 - s)),
            (True, lambda s=longest_s: view(since_s=9.99 - s)),
        )
    ],
    ("known source reads", True, lambda: check(24.0)),
    ("known source reads", True, lambda: check(27.59)),  # 24 V and 15 %
    ("known source reads", False, lambda: check(27.61)),
    ("known source reads", False, lambda: check(20.39)),
    ("known source reads", False, lambda: check(23.0, facts=replace(FACTS, check_v=20.0))),
    ("known source reads", False, lambda: check(None)),
    ("known source reads", False, lambda: check(24.0, taken_s={"bay_v": 5.0})),
    ("known source reads", True, lambda: check(0.0, facts=NO_CHECK)),
    ("route wanted", True, lambda: view()),
    ("route wanted", True, lambda: view(demand=Demand("bond", source="bond"))),
    ("route wanted", True, lambda: view(demand=Demand("route", feed="limited"))),
    ("route wanted", True, lambda: view(demand=Demand("one", energise=True), declaration=PROOF)),
    ("route wanted", False, lambda: view(demand=Demand("water", aids=frozenset({"water"})))),
    ("route no longer wanted", False, lambda: view()),
    ("route no longer wanted", True, lambda: view(demand=Demand("off"))),
    ("route no longer wanted", True, lambda: view(route=frozenset({"bay_1", "feed_limited"}))),
    ("source wanted", True, lambda: view(demand=Demand("bond", source="bond"))),
    ("source wanted", False, lambda: view()),
    ("energising wanted", True, lambda: view()),
    ("energising wanted", False, lambda: view(spent_event=True)),
    ("energising wanted", False, lambda: view(demand=Demand("route", feed="limited"))),
    ("closed and live", True, lambda: view()),
    ("closed and live", True, lambda: view({"bay_v": 96.1})),  # four fifths of 120 V
    ("closed and live", False, lambda: view({"bay_v": 96.0})),
    ("closed and live", False, lambda: view({"bay_v": None})),
    ("closed and live", False, lambda: view(taken_s={"bay_v": 5.0})),
    ("closed and live", False, lambda: view(inputs={"contactor_1_open": True})),
    ("closed and live", False, lambda: view(inputs={"contactor_2_open": None})),
    (
        "closed and live",
        True,
        lambda: view({"bay_v": 0.0}, {"contactor_2_open": True}, contactors=ONE),
    ),
    (
        "closed and live",
        False,
        lambda: view({"bay_v": None}, {"contactor_2_open": True}, contactors=ONE),
    ),
    ("closed and live", False, lambda: view({"bay_v": 0.0}, contactors=ONE)),
    ("closed and live", True, lambda: view({"bay_v": 9.99}, declaration=COMMISSIONING, bus_v=0.0)),
    ("closed and live", False, lambda: view({"bay_v": 10.0}, declaration=COMMISSIONING, bus_v=0.0)),
    ("live but a mirror open", False, lambda: view()),
    ("live but a mirror open", False, lambda: view(split_s=9.86)),
    ("live but a mirror open", True, lambda: view(split_s=9.5, facts=replace(FACTS, skew_s=0.5))),
    ("live but a mirror open", True, lambda: view(split_s=9.84)),  # a scan and a half
    ("no longer wanted", False, lambda: view()),
    ("no longer wanted", True, lambda: view(demand=Demand("off"))),
    ("no longer wanted", True, lambda: view(demand=Demand("route", feed="line_line"))),
    ("no longer wanted", True, lambda: view(spent_event=True)),
    ("no longer wanted", True, lambda: view(route=frozenset({"bay_1"}))),
    ("no longer wanted", True, lambda: view(contactors=ONE)),
    ("source no longer wanted", False, lambda: testing()),
    ("source no longer wanted", True, lambda: testing(demand=Demand("off"))),
    ("source no longer wanted", True, lambda: testing(source="insulation")),
    ("source no longer wanted", True, lambda: testing(route=frozenset())),
    ("one scan later", True, lambda: view(since_s=9.999)),
    ("one scan later", False, lambda: view(since_s=10.0)),
]


def testing(**changes: object) -> View:
    given = {"demand": Demand("bond", source="bond"), "source": "bond", "state": "testing"}
    return view(**{**given, **changes})  # type: ignore[arg-type]


testing.__test__ = False  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("name", "held", "make"), WHENS, ids=[f"{n}-{row[0]}" for n, row in enumerate(WHENS)]
)
def test_predicate(name: str, held: bool, make: Callable[[], View]) -> None:
    assert PREDICATES[name](make()) is held


def test_every_predicate_is_used_and_has_both_its_edges_here() -> None:
    assert PREDICATES.keys() == {row.when for row in TABLE} == {name for name, _, _ in WHENS}
    assert {(name, held) for name, held, _ in WHENS} == {
        (name, held) for name in PREDICATES for held in (True, False)
    }


# ---- the route -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("demand", "relays"),
    [
        (Demand("off"), set()),
        (Demand("a", feed="limited"), {"bay_1", "feed_limited"}),
        (Demand("a", source="bond"), {"bay_1"}),
        (Demand("a", aids=frozenset({"high_speed", "water"})), set()),
        (
            Demand("a", feed="limited", aids=frozenset({"high_speed", "water"})),
            {"bay_1", "feed_limited", "aid_high_speed"},
        ),
        (Demand("a", source="ohms", aids=frozenset({"high_speed"})), {"bay_1", "aid_high_speed"}),
        (Demand("a", proof=frozenset({"known_load", "trip_leg_1"})), {"known_load"}),
    ],
)
def test_what_a_demand_routes(demand: Demand, relays: set[str]) -> None:
    assert route_of(demand, FACTS) == relays
