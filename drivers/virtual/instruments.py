"""The meters' own errors: a fixed gain and offset within the accuracy statement, and noise.

Each instrument keeps its last sample until its next sampling instant, as a real one does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random

# quantity -> (percent of reading, floor in its unit): the accuracy statements
STATED: Mapping[str, tuple[float, float]] = {
    "leakage_ma": (1.0, 0.01),
    "leakage_dc_ma": (2.0, 0.02),
    "second_leakage_ma": (2.0, 0.02),
    "supply_v": (0.5, 0.1),
    "supply_2_v": (0.5, 0.1),
    "frequency_hz": (0.0, 0.02),
    "bay_v": (1.0, 0.5),
    "bay_dc_v": (1.0, 0.5),
    "load_a": (1.0, 0.05),
    "power_w": (1.5, 2.0),
    "temperature_c": (0.0, 0.5),
    "conductivity_ms_cm": (2.0, 0.02),
    "injection_ma": (1.0, 0.01),
    "resistance_ohm": (0.5, 0.05),
    "insulation_mohm": (5.0, 0.01),
    "bond_ohm": (2.0, 0.002),
}
SHARE = 0.4  # of the stated bound that the fixed error may use
NOISE = 0.08  # r.m.s., of the stated floor
POSITIVE = frozenset(
    {"supply_v", "supply_2_v", "bay_v", "load_a", "injection_ma"}
    | {"resistance_ohm", "insulation_mohm", "bond_ohm"}
)


@dataclass(frozen=True, slots=True)
class Error:
    """A channel's fixed error and its noise."""

    gain: float
    offset: float
    noise: float
    positive: bool

    def read(self, true: float, rng: Random) -> float:
        """One sample of ``true``."""
        value = true * self.gain + self.offset + rng.gauss(0.0, self.noise)
        return abs(value) if self.positive else value


def drawn_errors(rng: Random) -> dict[str, Error]:
    """One bench's set of meters."""
    return {
        name: Error(
            1.0 + rng.uniform(-SHARE, SHARE) * percent / 100.0,
            rng.uniform(-SHARE, SHARE) * floor,
            NOISE * floor,
            name in POSITIVE,
        )
        for name, (percent, floor) in STATED.items()
    }


def vector_sample(
    error: Error, current_ma: complex, rest_ma: float, rng: Random
) -> tuple[float, float, float]:
    """r.m.s., resistive and capacitive reading of one transducer, mA.

    One gain for both parts, since both come from one coil; ``rest_ma`` is the DC and harmonic
    content that only the r.m.s. value contains.
    """
    resistive = current_ma.real * error.gain + error.offset + rng.gauss(0.0, error.noise)
    capacitive = current_ma.imag * error.gain + 0.5 * error.offset + rng.gauss(0.0, error.noise)
    rest = rest_ma * error.gain
    return (resistive**2 + capacitive**2 + rest**2) ** 0.5, resistive, capacitive
