"""A station without wires and a clock without waiting, for the scan loop's own tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.errors import DriverError, Silent
from drivers.roles import Flag, Quality, Reading
from tests.rig.guard_world import OUTPUTS, World


@dataclass
class StepClock:
    """Time moves only when somebody sleeps or spends."""

    t_s: float = 100.0

    def now_s(self) -> float:
        return self.t_s

    def spent(self, cost_s: float) -> None:
        self.t_s += cost_s

    def sleep_until(self, t_s: float) -> None:
        self.t_s = max(self.t_s, t_s)


@dataclass
class FakeStation:
    """One line with the whole of ``World``'s bench on it. ``fail`` makes the next calls fail."""

    clock: StepClock
    world: World = field(default_factory=World)
    name: str = "all"
    readings: dict[str, Reading] = field(default_factory=dict)
    inputs: dict[str, Flag] = field(default_factory=dict)
    fault: DriverError | None = None
    silent: bool = False
    fail_writes: int = 0
    writes: list[dict[str, bool]] = field(default_factory=list)
    beats: int = 0
    on: set[str] = field(default_factory=set)
    age_s: float = 0.0

    def open(self) -> None: ...

    def close(self) -> None: ...

    def identify(self) -> Mapping[str, str]:
        return {}

    def poll(self) -> None:
        if self.silent:
            self.fault = Silent("all", "no reply")
            return
        self.fault = None
        self.world.on = frozenset(self.on)
        taken_s = self.clock.now_s() - self.age_s
        values = self.world.values() | {
            k: v for k, v in self.world.force.items() if not isinstance(v, bool) and v is not None
        }
        flags = self.world.inputs() | {
            k: v for k, v in self.world.force.items() if isinstance(v, bool)
        }
        self.readings = {
            n: Reading(v, UNITS.get(n, "V"), taken_s, Quality.GOOD) for n, v in values.items()
        }
        self.inputs = {n: Flag(v, taken_s) for n, v in flags.items()}

    def write(self, states: Mapping[str, bool]) -> None:
        if self.fail_writes > 0:
            self.fail_writes -= 1
            raise Silent("all", "no reply to a write")
        self.writes.append(dict(states))
        for name, on in states.items():
            (self.on.add if on else self.on.discard)(name)

    def read_back(self) -> Mapping[str, bool]:
        return {name: name in self.on for name in OUTPUTS}

    def beat(self) -> None:
        self.beats += 1

    def make_safe(self, leave: frozenset[str] = frozenset()) -> None:
        self.on.clear()

    def read_holding(self, device: str, address: int, count: int) -> list[int]:
        return [0] * count


UNITS = {
    "leakage_ma": "mA",
    "second_leakage_ma": "mA",
    "load_a": "A",
    "temperature_c": "°C",
}
