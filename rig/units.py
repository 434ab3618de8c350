"""Units that a bench file may use, and their conversion to the unit of a quantity.

SI prefixes and degree Fahrenheit are defined in NIST SP 811 (2008), chapters 4 and B.8.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Conversion:
    """``value * scale + offset`` gives the value in the quantity's unit."""

    scale: float = 1.0
    offset: float = 0.0

    def apply(self, value: float) -> float:
        """The value in the quantity's unit."""
        return value * self.scale + self.offset


# unit: (dimension, factor to the dimension's base unit, offset in the base unit)
UNITS: dict[str, tuple[str, float, float]] = {
    "A": ("current", 1.0, 0.0),
    "mA": ("current", 1e-3, 0.0),
    "uA": ("current", 1e-6, 0.0),
    "µA": ("current", 1e-6, 0.0),
    "V": ("voltage", 1.0, 0.0),
    "mV": ("voltage", 1e-3, 0.0),
    "ohm": ("resistance", 1.0, 0.0),
    "kohm": ("resistance", 1e3, 0.0),
    "Mohm": ("resistance", 1e6, 0.0),
    "W": ("power", 1.0, 0.0),
    "kW": ("power", 1e3, 0.0),
    "°C": ("temperature", 1.0, 0.0),
    "°F": ("temperature", 5.0 / 9.0, -160.0 / 9.0),
    "mS/cm": ("conductivity", 1.0, 0.0),
    "uS/cm": ("conductivity", 1e-3, 0.0),
    "Hz": ("frequency", 1.0, 0.0),
}


def convertible(unit: str) -> tuple[str, ...]:
    """Every unit of the same dimension as ``unit``."""
    dimension = UNITS[unit][0]
    return tuple(name for name, (kind, _, _) in UNITS.items() if kind == dimension)


def conversion(unit: str, target: str) -> Conversion:
    """From ``unit`` to ``target``, both of one dimension; KeyError or ValueError otherwise."""
    dimension, factor, offset = UNITS[unit]
    target_dimension, target_factor, target_offset = UNITS[target]
    if dimension != target_dimension:
        raise ValueError(f"{unit} is no unit of {target_dimension}")
    if unit == target:
        return Conversion()
    return Conversion(factor / target_factor, (offset - target_offset) / target_factor)
