"""Channel to quantity: what the stations read becomes what the guard and the procedures see.

One of the two translators (the other is ``recording.py``). Stale, invalid and over-range readings are
left out here, so that further in a missing key is the only way to say "no number".
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from drivers.described import BenchSpec
from drivers.roles import Quality, Station
from procedures.scan import (
    BAY_V,
    LEAKAGE_CAPACITIVE_MA,
    LEAKAGE_MA,
    LEAKAGE_RESISTIVE_MA,
    QUANTITIES,
    SECOND_LEAKAGE_MA,
    SUPPLY_V,
)
from rig.units import conversion

# what must be fresh before and while anything is on, as far as it is fitted
VITAL_INPUTS = (
    "contactor_1_open",
    "contactor_2_open",
    "stop_healthy",
    "lid_closed",
    "lid_locked",
    "gfci_live",
    "arm_pressed",
)
VITAL_QUANTITIES = (
    LEAKAGE_MA,
    LEAKAGE_RESISTIVE_MA,
    LEAKAGE_CAPACITIVE_MA,
    SECOND_LEAKAGE_MA,
    BAY_V,
    SUPPLY_V,
)


@dataclass(slots=True)
class Wiring:
    """Reads all stations' newest readings once per scan.

    ``max_age_s`` by reading name, ``input_age_s`` for all inputs.
    """

    spec: BenchSpec
    max_age_s: Mapping[str, float]
    input_age_s: float
    _readings: dict[str, tuple[float, Callable[[float], float]]] = field(default_factory=dict)
    _flag_age_s: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, reading in self.spec.readings.items():
            convert = conversion(reading.unit, QUANTITIES[name])
            self._readings[name] = self.max_age_s[name], convert.apply
        for name, flag in self.spec.inputs.items():
            self._flag_age_s[name] = self.input_age_s + flag.period_s

    def values(
        self, stations: Iterable[Station], now_s: float
    ) -> tuple[dict[str, float], dict[str, float]]:
        """Fresh, good readings in their quantities' units, and when each was taken."""
        values: dict[str, float] = {}
        taken_s: dict[str, float] = {}
        good = Quality.GOOD  # looked up once: an enum's members are slow
        for station in stations:
            # a copy: a polling thread may be adding its first readings
            for name, reading in list(station.readings.items()):
                max_age_s, apply = self._readings[name]
                fresh = now_s - reading.taken_s <= max_age_s
                if fresh and reading.quality is good:
                    values[name] = apply(reading.value)
                    taken_s[name] = reading.taken_s
        return values, taken_s

    def inputs(self, stations: Iterable[Station], now_s: float) -> dict[str, bool]:
        """Fresh inputs."""
        age_s = self._flag_age_s
        return {
            name: flag.on
            for station in stations
            for name, flag in list(station.inputs.items())
            if now_s - flag.taken_s <= age_s[name]
        }
