"""Leakage as a vector: in phase with leg 1 to neutral, leading by 90 degrees, and DC."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from procedures.arrays import Num

Vector = tuple[float, float]  # (resistive, capacitive) in mA, signed


def remove(res_ma: Num, cap_ma: Num, fixture: Vector, scale: Num) -> tuple[Num, Num]:
    """The part's own vector in mA: the fixture's (at nominal voltage) times ``scale`` taken off.

    ``scale`` is the measured voltage over nominal. Vectors, never magnitudes: at right angles a
    fixture hides in the magnitude.
    """
    return res_ma - fixture[0] * scale, cap_ma - fixture[1] * scale


def magnitude(res_ma: Num, cap_ma: Num, dc_ma: Num) -> Num:
    """Total r.m.s. in mA: resistive and capacitive at right angles, DC by squares (Parseval)."""
    total: Num = np.sqrt(np.square(res_ma) + np.square(cap_ma) + np.square(dc_ma))
    return total


def normalise(value: Num, v: Num, nominal_v: float) -> Num:
    """``value``, which is proportional to the voltage, at nominal voltage instead of ``v``.

    NaN where ``v`` is no voltage: a value without its voltage is missing, not zero.
    """
    volts: Any = np.asarray(v)
    scale: Any = nominal_v / np.where(volts > 0.0, volts, np.nan)
    scaled: Num = value * scale
    return scaled


def control_seen(
    on_vec: Vector,
    off_vec: Vector,
    control_ma: float,
    v: float,
    nominal_v: float,
    tolerance_ma: float,
) -> bool:
    """Whether the positive control shows: the difference vector is control·v/nominal at phase 0.

    A magnitude alone would miss a control that adds at right angles to the part's own current. A
    missing value (NaN) is not seen, nor is a control no larger than the tolerance: a blind sensor
    would show it too.
    """
    expected = control_ma * v / nominal_v
    off_by = math.hypot(on_vec[0] - off_vec[0] - expected, on_vec[1] - off_vec[1])
    return tolerance_ma < expected and off_by <= tolerance_ma
