"""A plain follower of demands over the plant, in process: opens, proves dead, routes, closes.

Not the guard and no stand-in for its tests: it checks that each demand stays inside the procedure's
declaration, and leaves everything else to the plant's account of hazards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from random import Random

from drivers.virtual.meters import KNOWN
from drivers.virtual.plant import Plant
from drivers.virtual.truth import PartTruth
from drivers.virtual.waves import RATE_HZ, waves
from procedures.bench_proof import BenchProof, bench_proof, proof_declaration
from procedures.catalog import family
from procedures.limits import limits_for
from procedures.scan import (
    AIDS,
    FEEDS,
    GFCI_INJECTOR,
    KNOWN_RESISTORS,
    PROOF_OUTPUTS,
    QUANTITIES,
    SOURCES,
    Accuracy,
    Declaration,
    Demand,
    Event,
    Outcome,
    Part,
    Procedure,
    Scan,
    Setup,
    Waveforms,
)

SCAN_S = 0.1
LONGEST_S = 4000.0
ONE, TWO = Accuracy(1.0, 0.01), Accuracy(2.0, 0.02)
ACCURACY = {  # as in the documented split-phase example
    "leakage_ma": ONE,
    "leakage_resistive_ma": ONE,
    "leakage_capacitive_ma": ONE,
    "leakage_dc_ma": TWO,
    "second_leakage_ma": TWO,
    "second_leakage_resistive_ma": TWO,
    "second_leakage_capacitive_ma": TWO,
    "supply_v": Accuracy(0.5, 0.1),
    "load_a": Accuracy(1.0, 0.05),
    "power_w": Accuracy(1.5, 2.0),
    "injection_ma": ONE,
}
INPUTS = frozenset(Plant({}).inputs())
ROUTED = frozenset({"known_load", KNOWN_RESISTORS})  # relays that move with the route
# a driver dates what it asks for each time; here only change shows a new leakage sample
DATED = frozenset({"bond_ohm", "insulation_mohm", "resistance_ohm", "load_a", "power_w"})
FULL_FEEDS = frozenset(FEEDS) - {"limited"}


def setup(fixture_ma: dict[str, tuple[float, float]] | None = None, **changes: object) -> Setup:
    """A split-phase bench with everything fitted, or without what ``changes`` says."""
    values: dict[str, object] = {
        "nominal_v": 120.0,
        "frequency_hz": 60.0,
        "split_phase": True,
        "feeds": frozenset(FEEDS),
        "sources": frozenset(SOURCES),
        "aids": frozenset(AIDS),
        "quantities": frozenset(QUANTITIES),
        "inputs": INPUTS,
        "accuracy": ACCURACY,
        "fixture_ma": fixture_ma or {},
        "proof": frozenset({*PROOF_OUTPUTS, GFCI_INJECTOR, KNOWN_RESISTORS}),
        "known": KNOWN,
    }
    return Setup(**{**values, **changes})  # type: ignore[arg-type]


@dataclass
class Follower:
    """Walks the plant towards each demand. ``seen`` holds every demand, for the tests."""

    plant: Plant
    declaration: Declaration
    answers: dict[str, str | float] = field(default_factory=dict)
    taken_s: dict[str, float] = field(default_factory=dict)
    before: dict[str, float] = field(default_factory=dict)
    route: frozenset[str] = frozenset()
    on: frozenset[str] = frozenset()
    on_s: float = 0.0
    spent: bool = False
    beats: int = 0
    stages: list[str] = field(default_factory=list)
    asked: str = ""
    tamper: Callable[[dict[str, float]], dict[str, float]] = dict  # what a broken meter would send
    deaf_watchdog: bool = False
    captured: Waveforms | None = None
    capturing: bool = False
    captures: int = 0

    def scan(self, demand: Demand) -> Scan:
        """One scan of 0.1 s."""
        self._inside(demand)
        if demand.stage not in self.stages[-1:]:
            self.stages.append(demand.stage)
        self._answer(demand)
        self.spent = self.spent and demand.energise
        self._aids(demand)
        self._move(demand)
        if not demand.withhold_heartbeat or self.deaf_watchdog:
            self.beats += 1
            self.plant.beat(self.beats)
        self.plant.step(SCAN_S)
        self._capture(demand)
        return self._seen(demand)

    def _capture(self, demand: Demand) -> None:
        """As the rig: once, when a demand begins to want it."""
        if demand.capture and not self.capturing:
            self.captures += 1
            leakage, supply = waves(self.plant, Random(self.captures))
            samples = {"leakage_ma": leakage, "supply_v": supply}
            self.captured = Waveforms(samples, RATE_HZ, self.plant.t_s)
        self.capturing = demand.capture

    def _inside(self, d: Demand) -> None:
        """The hostile base: nothing undeclared is ever demanded, no full feed before its proofs."""
        own = self.declaration
        assert d.feed is None or d.feed in own.feeds
        assert d.source is None or d.source in own.sources
        assert d.aids <= own.aids
        assert d.proof <= own.proof
        assert own.control or not d.control
        assert not (d.source and d.energise)
        assert d.progress is None or 0.0 <= d.progress <= 1.0
        if own.bench_proof:
            return
        assert d.contactors == {1, 2}
        assert not d.withhold_heartbeat
        if d.energise:
            assert d.feed is not None
            assert d.findings.grounded
        if d.energise and d.feed in FULL_FEEDS:
            assert d.findings.control_seen
            assert d.findings.prospective_ma[d.feed] <= 3.0
            assert not own.needs_water or d.feed == "both_hot" or {"water", "flow"} <= d.aids

    def _answer(self, demand: Demand) -> None:
        key = demand.ask.key if demand.ask else ""
        if key and key != self.asked:
            assert demand.ask is not None
            if key == "reset_gfci":
                self.plant.reset_gfci()
            seen = self.plant.eyes(key, 1)
            self.answers[key] = float(seen) if demand.ask.kind == "number" else seen
        self.asked = key

    def _set(self, names: frozenset[str], on: bool) -> None:
        for name in names:
            self.plant.set_output(name, on)

    def _aids(self, demand: Demand) -> None:
        for aid in ("water", "flow", "humid"):
            self.plant.set_output(f"aid_{aid}", aid in demand.aids)

    def _wanted(self, d: Demand) -> tuple[frozenset[str], frozenset[str]]:
        route = {"bay_1"} if d.feed or d.source else set()
        route |= {f"feed_{d.feed}"} if d.feed else set()
        route |= {"aid_high_speed"} & {f"aid_{aid}" for aid in d.aids} if route else set()
        route |= d.proof & ROUTED
        closed = (
            {f"contactor_{n}" for n in d.contactors} if d.energise and not self.spent else set()
        )
        source = {f"source_{d.source}"} if d.source else set()
        return frozenset(route), frozenset(closed | source)

    def _move(self, demand: Demand) -> None:
        route, on = self._wanted(demand)
        inputs, values = self.plant.inputs(), self.plant.values()
        dead = inputs["contactor_1_open"] and inputs["contactor_2_open"]
        dead = dead and values["bay_v"] < 10.0 and abs(values["bay_dc_v"]) < 30.0
        if self.on and (on != self.on or route != self.route):
            self._off()
        elif not self.on and dead and route != self.route:
            self._set(self.route - route, False)
            self._set(route - self.route, True)
            self.route = route
        elif not self.on and on and dead and self._may(demand, inputs):
            self._set(on, True)
            self.on, self.on_s = on, self.plant.t_s
        self.plant.set_output("lid_lock", bool(on) or not dead)
        proof = demand.proof - ROUTED if self._is_live(demand) or not on else frozenset()
        for name in self.declaration.proof - ROUTED:
            self.plant.set_output(name, name in proof)
        self.plant.set_output("positive_control", demand.control and self._is_live(demand))

    def _may(self, demand: Demand, inputs: dict[str, bool]) -> bool:
        return inputs["lid_locked"] and (inputs["gfci_live"] or not demand.energise)

    def _off(self) -> None:
        self._set(self.on, False)
        self._set(frozenset({"positive_control"}), False)
        self.on = frozenset()

    def _is_live(self, demand: Demand) -> bool:
        inputs = self.plant.inputs()
        closed = {n for n in (1, 2) if not inputs[f"contactor_{n}_open"]}
        return bool(self.on) and demand.energise and closed == demand.contactors

    def _seen(self, demand: Demand) -> Scan:
        plant, now_s = self.plant, self.plant.t_s
        values, inputs = self.tamper(plant.values()), plant.inputs()
        for name, value in values.items():
            if self.before.get(name) != value or name in DATED:
                self.taken_s[name] = now_s
        self.before = values
        event = self._event(demand, values, inputs)
        live = self._is_live(demand) and event is None
        testing = any(name.startswith("source_") for name in self.on)
        return Scan(
            t_s=now_s,
            values=values,
            taken_s=dict(self.taken_s),
            inputs=inputs,
            state="live" if live else "other",
            feed=demand.feed if live and f"feed_{demand.feed}" in self.route else None,
            source=demand.source if testing else None,
            off=not self.on and not self.route,
            event=event,
            answers=dict(self.answers),
            over=self._over(),
            waves=self.captured,
        )

    def _over(self) -> frozenset[str]:
        shown = self.plant.meters.read(self.plant.meters.dead_tests)
        return frozenset(name for name, value in shown.items() if value == math.inf)

    def _event(
        self, demand: Demand, values: dict[str, float], inputs: dict[str, bool]
    ) -> Event | None:
        if not self.on or not demand.energise or self.spent:
            return None
        now_s, leak_ma = self.plant.t_s, values.get("leakage_ma", 0.0)
        both_open = inputs["contactor_1_open"] and inputs["contactor_2_open"]
        kind = None
        if not inputs["gfci_live"]:
            kind = "gfci_trip"
        elif leak_ma > min(3.5, demand.cutoff_ma or 3.5):
            kind = "cut_off"
        elif demand.withhold_heartbeat and both_open:
            kind, leak_ma = "watchdog", 1.0
        if kind is None:
            return None
        self.spent = True
        self._off()
        return Event(kind, leak_ma, now_s - self.on_s, now_s)  # type: ignore[arg-type]


def drive(procedure: Procedure, follower: Follower) -> Outcome:
    """Run a procedure to its outcome."""
    plant = follower.plant
    plant.lid(True)
    demand = next(procedure)
    while plant.t_s < LONGEST_S:
        try:
            demand = procedure.send(follower.scan(demand))
        except StopIteration as done:
            outcome: Outcome = done.value
            return outcome
    raise AssertionError(f"no outcome in {LONGEST_S} s, stage {demand.stage}")


def proved(plant: Plant, bench: Setup, deaf_watchdog: bool = False) -> tuple[BenchProof, Outcome]:
    """Run the bench proof on the plant's bay 1."""
    found: list[BenchProof] = []
    follower = Follower(plant, proof_declaration(bench), deaf_watchdog=deaf_watchdog)
    outcome = drive(bench_proof(bench, found.append), follower)
    return found[0], outcome


def prove(
    shelf: Mapping[str, PartTruth],
    serial: str,
    part: Part,
    seed: int = 1,
    bench: Setup | None = None,
    prepare: Callable[[Plant], None] = lambda plant: None,
    tamper: Callable[[dict[str, float]], dict[str, float]] = dict,
) -> tuple[Outcome, Follower]:
    """Prove the bench, mount a part, prove it; nothing dangerous happens and all ends dead."""
    plant = Plant(shelf, seed=seed)
    bench = bench or setup()
    bench = replace(bench, fixture_ma=proved(plant, bench)[0].fixture_ma)
    plant.mount(1, serial)
    prepare(plant)
    chosen = family(part.family)
    follower = Follower(plant, chosen.declaration(part, bench), tamper=tamper)
    outcome = drive(chosen.start(part, bench, limits_for(part.family, part)), follower)
    assert plant.account.hazards == 0, plant.account
    assert not plant.live
    return outcome, follower
