"""A tiny bench for guard tests: relays that follow, a bus, two leakage sensors. No plant, no wires."""

from __future__ import annotations

from dataclasses import dataclass, field

from procedures.scan import Declaration, Demand, Findings
from rig.guard import Guard
from rig.guard_seen import Decision, Facts, Seen

SCAN_S = 0.1
BAYS = frozenset({"bay_1", "bay_2"})
FEEDS = frozenset({"feed_limited", "feed_line_neutral", "feed_both_hot", "feed_line_line"})
OUTPUTS = (
    BAYS
    | FEEDS
    | {"contactor_1", "contactor_2", "lid_lock", "voltage_check", "positive_control"}
    | {"source_bond", "source_insulation", "aid_water", "aid_flow", "aid_high_speed"}
    | {"trip_leg_1", "known_load"}
)
VITAL_INPUTS = frozenset(
    {"contactor_1_open", "contactor_2_open", "stop_healthy", "lid_closed", "lid_locked"}
    | {"gfci_live", "arm_pressed"}
)
INPUTS = VITAL_INPUTS | {"earth_ok", "thermal_ok", "hood_ok", "level_ok", "flow_ok"}
INPUTS |= {"bays_open", "feeds_open"}
QUANTITIES = frozenset(
    {"leakage_ma", "second_leakage_ma", "bay_v", "bay_dc_v", "supply_v", "load_a"}
)
FACTS = Facts(
    bay="bay_1",
    outputs=OUTPUTS,
    inputs=INPUTS,
    quantities=QUANTITIES | {"temperature_c"},
    vital_inputs=VITAL_INPUTS,
    vital_quantities=frozenset({"leakage_ma", "second_leakage_ma", "bay_v", "supply_v"}),
    nominal_v=120.0,
    tolerance=0.1,
    commissioned=True,
    proved=True,
)
HEATER = Declaration(
    "heater",
    feeds=frozenset({"limited", "line_neutral", "both_hot", "line_line"}),
    sources=frozenset({"bond", "insulation"}),
    aids=frozenset({"water", "flow", "high_speed"}),
    needs_water=True,
)
COMMISSIONING = Declaration(
    "commissioning",
    feeds=frozenset({"limited", "line_neutral"}),
    sources=frozenset({"bond"}),
    aids=frozenset({"water"}),
    proof=frozenset({"trip_leg_1", "known_load"}),
    control=False,
    bench_proof=True,
    commissioning=True,
)
PROVED = Findings(
    grounded=True,
    prospective_ma={"line_neutral": 0.5, "both_hot": 0.5, "line_line": 0.5},
    control_seen=True,
)


def live(feed: str = "limited", **more: object) -> Demand:
    """A demand for a live feed with everything found."""
    given: dict[str, object] = {"findings": PROVED, "stage": f"live {feed}", **more}
    return Demand(feed=feed, energise=True, **given)  # type: ignore[arg-type]


@dataclass
class World:
    """Steps guard and bench together. ``force`` overrides inputs and values, None removes them."""

    facts: Facts = FACTS
    declaration: Declaration = HEATER
    t_s: float = 0.0
    on: frozenset[str] = frozenset()
    force: dict[str, bool | float | None] = field(default_factory=dict)
    pressed: bool = False
    mains_v: float = 120.0
    dirty_s: float = 0.0
    recorder_ok: bool = True
    contradiction: str = ""
    apart: bool = False
    over: frozenset[str] = frozenset()
    seen: Seen | None = None

    def __post_init__(self) -> None:
        self.guard = Guard(self.facts, self.declaration)

    def inputs(self) -> dict[str, bool]:
        """What the interlocks say: relays have followed since the last scan."""
        return dict.fromkeys(INPUTS, True) | {
            "contactor_1_open": "contactor_1" not in self.on,
            "contactor_2_open": "contactor_2" not in self.on,
            "lid_locked": "lid_lock" in self.on,
            "bays_open": not self.on & BAYS,
            "feeds_open": not self.on & FEEDS,
            "arm_pressed": self.pressed,
        }

    def values(self) -> dict[str, float]:
        """What the meters say."""
        live = {"contactor_1", "contactor_2"} <= self.on
        bus_v = self.mains_v if live else 24.0 if "voltage_check" in self.on else 0.0
        return {
            "leakage_ma": 0.1 if live else 0.0,
            "second_leakage_ma": 0.1 if live else 0.0,
            "bay_v": bus_v,
            "bay_dc_v": 0.0,
            "supply_v": self.mains_v,
            "load_a": 1.0 if live else 0.0,
            "temperature_c": 30.0,
        }

    def step(self, demand: Demand) -> Decision:
        """One scan."""
        self.t_s += SCAN_S
        inputs: dict[str, bool] = self.inputs()
        values: dict[str, float] = self.values()
        for name, value in self.force.items():
            target: dict[str, object] = inputs if name in INPUTS else values  # type: ignore[assignment]
            if value is None:
                target.pop(name, None)
            else:
                target[name] = value
        leaks = [values[n] for n in ("leakage_ma", "second_leakage_ma") if n in values]
        self.seen = Seen(
            self.t_s,
            values,
            dict.fromkeys(values, self.t_s),
            inputs,
            self.dirty_s,
            self.recorder_ok,
            self.contradiction,
            max(leaks, default=None),
            self.apart,
            self.over,
        )
        decision = self.guard.decide(self.seen, demand)
        self.on = decision.on
        return decision

    def until(self, demand: Demand, state: str, scans: int = 60) -> Decision:
        """Step until ``state``, arming as a person would; fails the test when it never comes."""
        decision = self.step(demand)
        for _ in range(scans):
            if decision.state == state:
                return decision
            self.pressed = decision.person_needed == "arm" or (
                self.pressed and decision.state not in ("live", "testing")
            )
            if self.guard.memory.arm == "none":
                self.pressed = False
            decision = self.step(demand)
        raise AssertionError(f"never {state}: {decision}")
