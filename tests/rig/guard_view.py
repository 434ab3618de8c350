"""Hand-made views of the guard, healthy but for what a test changes, and one step from there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from procedures.scan import Declaration, Demand
from rig.guard import Guard
from rig.guard_seen import Decision, Facts, Memory, Seen, View
from rig.guard_table import route_of
from tests.rig.guard_world import FACTS, HEATER, INPUTS, live

PROOF = Declaration(
    "bench proof",
    feeds=frozenset({"limited", "line_neutral"}),
    proof=frozenset({"trip_leg_1", "known_load"}),
    bench_proof=True,
)
GOOD_VALUES = {
    "leakage_ma": 0.1,
    "second_leakage_ma": 0.1,
    "bay_v": 120.0,
    "bay_dc_v": 0.0,
    "supply_v": 120.0,
    "load_a": 1.0,
    "temperature_c": 30.0,
}
DEAD = {"bay_v": 0.0, "load_a": 0.0}
OPEN = {"contactor_1_open": True, "contactor_2_open": True}
CLOSED = {"contactor_1_open": False, "contactor_2_open": False}
Changes = Mapping[str, object]


def view(
    values: Mapping[str, float | None] | None = None,
    inputs: Mapping[str, bool | None] | None = None,
    *,
    demand: Demand | None = None,
    declaration: Declaration = HEATER,
    facts: Facts = FACTS,
    taken_s: Mapping[str, float] | None = None,
    seen: Changes | None = None,
    **memory: object,
) -> View:
    """A healthy bench, live on leg to leg since 5 s, at 10 s, but for the changes; None: missing."""
    wanted = demand or live("line_line", aids=frozenset({"water", "flow"}))
    kept = _remembered(wanted, route_of(wanted, facts), memory)
    every: dict[str, float | None] = {**GOOD_VALUES, **(values or {})}
    read = {name: value for name, value in every.items() if value is not None}
    flags = {**_healthy(kept.route), **(inputs or {})}
    leaks = [read[name] for name in ("leakage_ma", "second_leakage_ma") if name in read]
    scan = Seen(
        t_s=10.0,
        values=read,
        taken_s={**dict.fromkeys(read, 10.0), **(taken_s or {})},
        inputs={name: on for name, on in flags.items() if on is not None},
        worst_leakage_ma=max(leaks, default=None),
    )
    return View(replace(scan, **(seen or {})), wanted, declaration, facts, kept)  # type: ignore[arg-type]


def _healthy(route: frozenset[str]) -> dict[str, bool | None]:
    """Both contactors closed, the relays of the route pulled in by their series loops, all else well."""
    loops = {
        f"{kind}s_open": not any(n.startswith(kind) for n in route) for kind in ("bay", "feed")
    }
    return {**dict.fromkeys(INPUTS, True), **loops, **CLOSED}


def _remembered(wanted: Demand, route: frozenset[str], changes: Changes) -> Memory:
    kept = Memory(
        state="live",
        since_s=5.0,
        route=route,
        feed=wanted.feed,
        arm="armed",
        stage=wanted.stage,
        stage_s=5.0,
        decided_s=9.9,
    )
    for name, value in changes.items():
        assert hasattr(kept, name)
        setattr(kept, name, value)
    return kept


FULL = live("line_line", aids=frozenset({"water", "flow"}))
AT_REST = {**OPEN, "lid_locked": False, "arm_pressed": False}


def guard_of(seen: View) -> Guard:
    return Guard(seen.facts, seen.declaration, seen.memory, begun=True)


def decide(seen: View) -> Decision:
    return guard_of(seen).decide(seen.seen, seen.demand)


def resting(demand: Demand = FULL, **changes: object) -> View:
    """Off and proved off, nothing armed."""
    inputs = {**AT_REST, **changes.pop("inputs", {})}  # type: ignore[dict-item]
    given: dict[str, object] = {"state": "off", "route": frozenset(), "feed": None, "arm": "none"}
    return view(DEAD, inputs, demand=demand, **{**given, **changes})  # type: ignore[arg-type]


def routed(demand: Demand = FULL, **changes: object) -> View:
    inputs = {**OPEN, **changes.pop("inputs", {})}  # type: ignore[dict-item]
    return view(DEAD, inputs, demand=demand, state="routed", **changes)  # type: ignore[arg-type]
