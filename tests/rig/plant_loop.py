"""The real guard and scan loop on the plant in this process: everything but the wires.

For tests that need many runs; the same loop over the real protocols is tested in test_demo.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from drivers.errors import DriverError
from drivers.roles import Flag, Quality, Reading
from drivers.virtual import by_hand
from drivers.virtual.plant import Plant
from procedures.scan import Ask, Declaration
from rig.bench_file import Bench
from rig.deeds import deeds
from rig.guard import Guard
from rig.guard_seen import Decision, Facts
from rig.plausible import Plausible
from rig.scan_loop import ScanLoop, Tender
from rig.wiring import VITAL_INPUTS, VITAL_QUANTITIES, Wiring


@dataclass
class PlantClock:
    """Sleeping steps the plant; transactions cost nothing here."""

    plant: Plant

    def now_s(self) -> float:
        return self.plant.t_s

    def spent(self, cost_s: float) -> None:
        return None

    def sleep_until(self, t_s: float) -> None:
        if t_s > self.plant.t_s:
            self.plant.step(t_s - self.plant.t_s)


@dataclass
class PlantStation:
    """All of the bench on one line that never fails."""

    plant: Plant
    units: Mapping[str, str]
    name: str = "plant"
    readings: dict[str, Reading] = field(default_factory=dict)
    inputs: dict[str, Flag] = field(default_factory=dict)
    fault: DriverError | None = None
    _beats: int = 0
    _values: dict[str, float] = field(default_factory=dict)

    def open(self) -> None: ...

    def close(self) -> None: ...

    def identify(self) -> Mapping[str, str]:
        return {}

    def poll(self) -> None:
        t_s, values = self.plant.t_s, self.plant.values()
        for name, value in values.items():
            if self._values.get(name) != value and name in self.units:
                self.readings[name] = Reading(value, self.units[name], t_s, Quality.GOOD)
        self._values = values
        for name, value in self.plant.meters.read(self.plant.meters.dead_tests).items():
            if value == math.inf:
                self.readings[name] = Reading(value, self.units[name], t_s, Quality.OVER_RANGE)
        self.inputs = {name: Flag(on, t_s) for name, on in self.plant.inputs().items()}

    def write(self, states: Mapping[str, bool]) -> None:
        for name, on in states.items():
            self.plant.set_output(name, on)

    def read_back(self) -> Mapping[str, bool]:
        return dict(self.plant.outputs)

    def beat(self) -> None:
        self._beats += 1
        self.plant.beat(self._beats)

    def make_safe(self, leave: frozenset[str] = frozenset()) -> None:
        for name in self.plant.outputs.keys() - leave:
            self.plant.set_output(name, False)

    def read_holding(self, device: str, address: int, count: int) -> list[int]:
        return [0] * count


DO: Mapping[str, Callable[..., None]] = {  # as the control channel's hands do it
    "supply": lambda plant, v: by_hand.connect(plant, v),
    "interlock": lambda plant, name, opened: by_hand.interlock(plant, name, opened),
    "lamp": lambda plant, bay: plant.mount_lamp(bay),
    "unmount": lambda plant, bay: plant.unmount(bay),
    "lid": lambda plant, closed: plant.lid(closed),
}


@dataclass
class PlantHands(Tender):
    """A technician in this process."""

    plant: Plant
    bay: int = 1
    waited: int = 0

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        if decision.person_needed == "arm":
            self.plant.lid(True)
            self.waited += 1
            self.plant.arm(self.waited % 20 > 3)
        elif decision.state in ("live", "testing"):
            self.plant.arm(False)
        if decision.person_needed == "reset_gfci":
            self.plant.reset_gfci()
        if ask is not None and ask.key not in answers:
            answers[ask.key] = self._answer(ask)
        return False

    def _answer(self, ask: Ask) -> str | float:
        if ask.key == "reset_gfci":
            self.plant.reset_gfci()
            return "yes"
        for deed in deeds(ask.key, self.bay):
            DO[deed.act](self.plant, **deed.how)
        seen = self.plant.eyes(ask.key, self.bay)
        return float(seen) if ask.kind == "number" else seen


def plant_loop(
    plant: Plant, bench: Bench, declaration: Declaration, proved: bool = True, bay: int = 1
) -> ScanLoop:
    """A scan loop on ``plant`` as ``bench`` describes it."""
    spec, quantities = bench.spec, frozenset(bench.spec.readings)
    facts = Facts(
        bay=f"bay_{bay}",
        outputs=frozenset(spec.outputs),
        inputs=frozenset(spec.inputs),
        quantities=quantities,
        vital_inputs=frozenset(VITAL_INPUTS),
        vital_quantities=frozenset(VITAL_QUANTITIES) & quantities,
        nominal_v=120.0,
        tolerance=0.1,
        commissioned=True,
        proved=proved,
    )
    return ScanLoop(
        stations={"plant": PlantStation(plant, {n: r.unit for n, r in spec.readings.items()})},
        wiring=Wiring(spec, bench.max_age_s, 0.25),
        plausible=Plausible(bench.accuracy, declaration.needs_water),
        clock=PlantClock(plant),
        guard=Guard(facts, declaration),
        scan_s=0.1,
        deadline_s=0.45,
        output_station=dict.fromkeys(spec.outputs, "plant"),
        tender=PlantHands(plant, bay),
    )
