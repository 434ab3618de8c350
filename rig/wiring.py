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


SENSORS = (LEAKAGE_MA, SECOND_LEAKAGE_MA)


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
    over: frozenset[str] = frozenset()  # at the last ``values``: fresh, and above the meter's range
    _sensors: int = 0

    def __post_init__(self) -> None:
        for name, reading in self.spec.readings.items():
            convert = conversion(reading.unit, QUANTITIES[name])
            self._readings[name] = self.max_age_s[name], convert.apply
        self._sensors = len(self.spec.readings.keys() & set(SENSORS))
        for name, flag in self.spec.inputs.items():
            self._flag_age_s[name] = self.input_age_s + flag.period_s

    def values(
        self, stations: Iterable[Station], now_s: float
    ) -> tuple[dict[str, float], dict[str, float]]:
        """Fresh, good readings in their quantities' units, and when each was taken."""
        values: dict[str, float] = {}
        taken_s: dict[str, float] = {}
        over: list[str] = []
        good = Quality.GOOD  # looked up once: an enum's members are slow
        for station in stations:
            # a copy: a polling thread may be adding its first readings
            for name, reading in list(station.readings.items()):
                max_age_s, apply = self._readings[name]
                fresh = now_s - reading.taken_s <= max_age_s
                if fresh and reading.quality is good:
                    values[name] = apply(reading.value)
                    taken_s[name] = reading.taken_s
                elif fresh and reading.quality is Quality.OVER_RANGE:
                    over.append(name)
        self.over = frozenset(over)
        return values, taken_s

    def worst_leakage_ma(
        self,
        stations: Iterable[Station],
        values: Mapping[str, float],
        now_s: float,
        cutoff_ma: float,
    ) -> float | None:
        """The greatest fresh leakage of any sensor; None without one.

        A sensor over its range counts with the range's top, because the leakage is at least that;
        but not while the other one reads below the cut-off. Then one of them lies, and the missing
        value switches off without being a result of the part.
        """
        read = [values[name] for name in SENSORS if name in values]
        if len(read) < self._sensors and all(ma > cutoff_ma for ma in read):
            read += self._tops_ma(stations, now_s)
        return max(read, default=None)

    def _tops_ma(self, stations: Iterable[Station], now_s: float) -> list[float]:
        """Of each leakage sensor that says, freshly, that it is over its range: the range's top."""
        tops = []
        for station in stations:
            for name in SENSORS:
                reading = station.readings.get(name)
                if reading is None or reading.quality is not Quality.OVER_RANGE:
                    continue
                spec = self.spec.readings[name]
                max_age_s, apply = self._readings[name]
                if now_s - reading.taken_s <= max_age_s and reading.value >= spec.low:
                    tops.append(apply(spec.high))
        return tops

    def leaks(self, station: Station, cutoff_ma: float) -> bool:
        """Whether a leakage sensor of this station reads above the cut-off, or over its range."""
        for name in SENSORS:
            reading = station.readings.get(name)
            if reading is not None and reading.quality is not Quality.INVALID:
                _, apply = self._readings[name]
                if apply(reading.value) > cutoff_ma or reading.quality is Quality.OVER_RANGE:
                    return True
        return False

    def inputs(self, stations: Iterable[Station], now_s: float) -> dict[str, bool]:
        """Fresh inputs."""
        age_s = self._flag_age_s
        return {
            name: flag.on
            for station in stations
            for name, flag in list(station.inputs.items())
            if now_s - flag.taken_s <= age_s[name]
        }
