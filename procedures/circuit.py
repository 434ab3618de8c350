"""Closed forms of the leakage circuit: Ohm's law on a resistive element with one leak.

The element runs from terminal A (``x`` = 0) to terminal B (``x`` = 1) and leaks ``rf_ohm`` to an
earthed chassis at the fraction ``x``. The element itself is small against ``rf_ohm``, so the leak
sees the open potential of its place. All by Ohm's law and the voltage divider; nothing here is
taken from a standard. Volts are r.m.s., currents in mA, in phase with leg 1 to neutral.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from procedures.arrays import Num
from procedures.errors import BadPlate

MA_PER_A = 1000.0


def leg_to_leg_ma(v_leg: Num, x: Num, rf_ohm: Num) -> Num:
    """Leak current on a 120-0-120 supply: v_leg·(1-2x)/Rf, signed by the leg that prevails.

    ``v_leg`` is one leg to neutral. Nothing flows from the middle: the only feed that hides it.
    """
    return v_leg * (1.0 - 2.0 * x) / rf_ohm * MA_PER_A


def line_neutral_ma(v: Num, x: Num, rf_ohm: Num) -> Num:
    """A on the line, B on neutral: v·(1-x)/Rf."""
    return v * (1.0 - x) / rf_ohm * MA_PER_A


def neutral_line_ma(v: Num, x: Num, rf_ohm: Num) -> Num:
    """A on neutral, B on the line: v·x/Rf."""
    return v * x / rf_ohm * MA_PER_A


def both_ends_ma(v: Num, rf_ohm: Num) -> Num:
    """Both ends on the line, no heating current: v/Rf, the sum of the two ways round."""
    return v / rf_ohm * MA_PER_A


def place(i1_ma: Num, i2_ma: Num) -> Num:
    """Where along the element the leak sits: I2/(I1+I2), 0 at A and 1 at B.

    A conductance-weighted mean of all leaks, so it proves no single hole. ``i1_ma`` is line-neutral,
    ``i2_ma`` neutral-line, in-phase parts at equal temperature. NaN where nothing leaks: no place.
    """
    total: Any = np.asarray(i1_ma) + np.asarray(i2_ma)
    somewhere: Any = np.where(total > 0.0, total, np.nan)
    found: Num = i2_ma / somewhere
    return found


def capacitor_ma(v: Num, farad: Num, hz: float) -> Num:
    """Current through a capacitor, leading by 90 degrees: v·2·pi·f·C."""
    return v * (2.0 * math.pi * hz) * farad * MA_PER_A


def element_ohm(watt: float, volt: float) -> float:
    """Resistance of a heating element from its plate: U²/P. Raises BadPlate."""
    _positive("rated power", watt)
    _positive("rated voltage", volt)
    return volt * volt / watt


def element_watt(rated_w: float, rated_v: float, v: Num) -> Num:
    """Power at ``v`` of an element of constant resistance: P·(v/U)². Raises BadPlate."""
    ohm = element_ohm(rated_w, rated_v)
    return v * v / ohm


def _positive(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise BadPlate(what, f"{value} is no plate value", "give the positive number on the plate")
