"""The bench's own test currents: timed resistors, the neutral reference, the ramp for a tested GFCI."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from drivers.virtual.switchgear import Timed

if TYPE_CHECKING:
    from drivers.virtual.plant import Plant

NEUTRAL_MA = 10.0
RAMP_FROM_MA, RAMP_MA_PER_S, RAMP_TO_MA = 2.0, 0.1, 8.0
HELD_S = 5.0  # the meter shows the current at which a tested device tripped
TRIP_DELAY_S = 0.15


def _timers() -> dict[str, Timed]:
    return {
        "trip_leg_1": Timed(8.0),
        "trip_leg_2": Timed(8.0),
        "hold_leg_1": Timed(15.0),
        "hold_leg_2": Timed(15.0),
    }


@dataclass(slots=True)
class Injectors:
    """``ramp_ma`` runs around a tested GFCI; ``held_ma`` is what the meter keeps after its trip."""

    timers: dict[str, Timed] = field(default_factory=_timers)
    ramp_ma: float = 0.0
    above_s: float = 0.0
    held_ma: float = 0.0
    held_until_s: float = 0.0

    def closed(self) -> frozenset[str]:
        """Timed resistors that are in the circuit."""
        return frozenset(name for name, timer in self.timers.items() if timer.state)

    def advance(self, plant: Plant, dt_s: float) -> bool:
        """True when a resistor moved."""
        moved = False
        for name, timer in self.timers.items():
            moved |= timer.advance(plant.contacts[name] and plant.live, dt_s)
        self._ramp(plant, dt_s)
        return moved

    def _ramp(self, plant: Plant, dt_s: float) -> None:
        tested = next((p for p in plant.routed if p.truth.family == "gfci"), None)
        if (
            not plant.contacts["gfci_injector"]
            or tested is None
            or not plant.live
            or tested.tripped
        ):
            self.ramp_ma = self.above_s = 0.0
            return
        began = self.ramp_ma == 0.0
        self.ramp_ma = RAMP_FROM_MA if began else self.ramp_ma + RAMP_MA_PER_S * dt_s
        self.ramp_ma = min(self.ramp_ma, RAMP_TO_MA)
        above = self.ramp_ma >= (tested.truth.trip_ma or 5.0)
        self.above_s = self.above_s + dt_s if above else 0.0
        if self.above_s > TRIP_DELAY_S:
            tested.tripped = True
            self.held_ma, self.held_until_s = self.ramp_ma, plant.t_s + HELD_S
            self.ramp_ma = self.above_s = 0.0

    def shown_ma(self, plant: Plant) -> float:
        """What flows through the injection meter, mA."""
        if plant.contacts["neutral_upstream"]:
            return NEUTRAL_MA if plant.referenced else 0.0
        if plant.t_s < self.held_until_s and plant.contacts["gfci_injector"]:
            return self.held_ma
        return 1000.0 * abs(plant.world.injected_a) + self.ramp_ma
