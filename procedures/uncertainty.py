"""The uncertainty of one reading and of one leakage figure, as budgets (GUM, see ``budget.py``).

A meter's statement of accuracy (reading, range, digits, floor) is one rectangle, because it is one
promise. Calibration, temperature and resolution come on top; where a bench file says nothing about
them, something is assumed on the poor side, never nothing. All currents in mA.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from procedures.budget import DIVISORS, Budget, Distribution, Line, Value, budget, plain
from procedures.scan import Accuracy

ACCURACY, CALIBRATION, TEMPERATURE = "meter accuracy", "meter calibration", "meter temperature"
RESOLUTION, NOISE, FIXTURE = "meter resolution", "noise", "fixture"
SUPPLY, DC = "supply voltage", "DC meter"
RECTANGLE = DIVISORS["rectangular"]
# common practice, no source: a laboratory's expanded uncertainty is at most a quarter of what it proves
CALIBRATION_SHARE = 0.25
# common practice, no source: a tenth of the statement a kelvin outside 18 to 28 °C; a shop is thought to
# stay within 5 K of that
TEMPERATURE_SHARE_PER_K = 0.1
OUTSIDE_K = 5.0


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean leakage at nominal volts with its own type A figures: one part, or arrays of parts.

    ``u_ma`` is the standard uncertainty of the mean, ``dof`` its effective degrees of freedom.
    """

    y_ma: Value
    u_ma: Value
    dof: Value
    v: Value
    dc_ma: Value | None = None


class Part(NamedTuple):
    """One thing that a meter errs by: its name, standard uncertainty and distribution."""

    name: str
    u: Value
    distribution: Distribution


def meter_parts(value: Value, accuracy: Accuracy) -> tuple[Part, ...]:
    """What a meter itself adds to a reading of ``value``; see the module's words."""
    return (
        Part(ACCURACY, _half_width(value, accuracy) / RECTANGLE, "rectangular"),
        Part(CALIBRATION, _calibration_u(value, accuracy), "normal"),
        Part(TEMPERATURE, _temperature_half(value, accuracy) / RECTANGLE, "rectangular"),
        Part(RESOLUTION, _resolution(accuracy) / 2.0 / RECTANGLE, "rectangular"),
    )


def meter_lines(value: Value, accuracy: Accuracy, unit: str, sensitivity: Value) -> list[Line]:
    """The same as lines of a budget, ``value`` in ``unit``."""
    return [
        Line(name, value, u, unit, distribution, math.inf, sensitivity)
        for name, u, distribution in meter_parts(value, accuracy)
    ]


def meter_u(value: Value, accuracy: Accuracy) -> Value:
    """All of it together, a standard uncertainty (GUM 5.1.2)."""
    return plain(np.sqrt(sum(np.square(u) for _, u, _ in meter_parts(value, accuracy))))


def reading_budget(
    value: Value, accuracy: Accuracy, unit: str, noise_u: Value = 0.0, dof: Value = math.inf
) -> Budget:
    """One meter's reading, or the mean of several with the standard uncertainty ``noise_u``."""
    noise = Line(NOISE, value, noise_u, unit, "normal", dof, 1.0)
    return budget(value, [*meter_lines(value, accuracy, unit, 1.0), noise], unit)


def leakage_budget(
    mean: Mean, nominal_v: float, meter: Accuracy, supply: Accuracy, dc_meter: Accuracy
) -> Budget:
    """A leakage's magnitude at nominal volts, fixture off: y = |I - F·v/nominal|·nominal/v.

    Fixture and leakage are read by the same meter, so its gain errs on both alike (r = 1) and acts on
    what is left, y; what it errs by at zero may have moved since the bench proof and counts twice.
    DC adds by squares, so its error counts with dc/y.
    """
    y, v = mean.y_ma, mean.v
    scale = nominal_v / v
    lines = meter_lines(y / scale, meter, "mA", scale)
    lines.append(Line(NOISE, y, mean.u_ma, "mA", "normal", mean.dof, 1.0))
    zero = meter.half_width(0.0) / RECTANGLE
    lines.append(Line(FIXTURE, 0.0, zero, "mA", "rectangular", math.inf, -1.0))
    lines.append(supply_line(v, supply, -y / v))
    if mean.dc_ma is not None:
        lines.append(_dc_line(mean.dc_ma, y, dc_meter))
    return budget(y, lines, "mA")


def supply_line(v: Value, accuracy: Accuracy, sensitivity: Value) -> Line:
    """The supply's volts, everything that its meter errs by in one line."""
    return Line(SUPPLY, v, meter_u(v, accuracy), "V", "normal", math.inf, sensitivity)


def _dc_line(dc_ma: Value, y_ma: Value, accuracy: Accuracy) -> Line:
    share: Any = np.abs(dc_ma) / np.where(np.asarray(y_ma) > 0.0, y_ma, np.inf)
    return Line(DC, dc_ma, meter_u(dc_ma, accuracy), "mA", "normal", math.inf, plain(share))


def _half_width(value: Any, accuracy: Accuracy) -> Value:
    half: Value = accuracy.half_width(value)
    return half


def _calibration_u(value: Value, accuracy: Accuracy) -> Value:
    """Standard uncertainty of the calibration: as stated (expanded, percent of reading), or assumed."""
    if accuracy.calibration_percent is None:
        return CALIBRATION_SHARE * _half_width(value, accuracy) / 2.0
    return _size(value) * (accuracy.calibration_percent / 100.0 / 2.0)


def _temperature_half(value: Value, accuracy: Accuracy) -> Value:
    """Half-width: ``OUTSIDE_K`` outside the statement's temperatures, by the coefficient."""
    coefficient = accuracy.temperature_percent_per_k
    if coefficient is None:
        coefficient = TEMPERATURE_SHARE_PER_K * accuracy.percent
    return _size(value) * (coefficient * OUTSIDE_K / 100.0)


def _size(value: Any) -> Value:
    size: Value = abs(value)
    return size


def _resolution(accuracy: Accuracy) -> float:
    """The last digit; where it isn't stated, as coarse as the floor."""
    return accuracy.floor if accuracy.resolution is None else accuracy.resolution
