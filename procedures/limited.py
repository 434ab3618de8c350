"""The limited step: what full voltage would drive, calculated from a current through a resistor.

All live terminals are tied and fed from one hot through ``series_ohm``. As phasors the fault is
Zf = U/I - Rs (Ohm's law), and nominal voltage would drive U_nominal/Zf through it. That current is
*prospective*: calculated, never measured. Numbers or arrays, one element per part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from procedures.arrays import BoolArray, FloatArray
from procedures.budget import Budget, Input, Line, Value, budget, combine, covariance, plain
from procedures.scan import Accuracy
from procedures.uncertainty import (
    FIXTURE,
    NOISE,
    RECTANGLE,
    SUPPLY,
    meter_lines,
    meter_u,
    supply_line,
)

NO_BOUND = "no bound: the fault is as low as the limiting resistor's own tolerance"
CLIPPED = "fault resistance reads below zero and is taken as zero, which overstates the current"
RESISTOR = "limiting resistor"
KILO = 1000.0
CLEAR = 4.0  # standard uncertainties: a current that is a quarter unsure tells no impedance

ComplexArray = npt.NDArray[np.complex128]
Point = tuple[Value, Value, Value, Value]  # V, mA in phase, mA at 90 degrees, ohm


@dataclass(frozen=True, slots=True)
class Prospective:
    """Current at nominal voltage in mA (in phase, leading) and the fault it follows from.

    ``magnitude_ma`` is infinite where the readings set no bound; ``words`` then says so.
    """

    res_ma: float
    cap_ma: float
    magnitude_ma: float
    fault_ohm: complex
    words: str


@dataclass(frozen=True, slots=True)
class ProspectiveMany:
    """As Prospective, one element per part; ``clipped`` and ``unbounded`` instead of words."""

    res_ma: FloatArray
    cap_ma: FloatArray
    magnitude_ma: FloatArray
    fault_ohm: ComplexArray
    clipped: BoolArray
    unbounded: BoolArray


@dataclass(frozen=True, slots=True)
class Step:
    """A limited step as read: mean volts and current (fixture off, not normalised) with type A."""

    v: Value
    res_ma: Value
    cap_ma: Value
    u_ma: Value  # standard uncertainty of each component's mean
    dof: Value
    series_ohm: float
    series_percent: float
    nominal_v: float


class FaultPhasor(NamedTuple):
    """The fault's impedance in ohm, in phase and at 90 degrees, each with its budget, and the
    correlation of both parts: they follow from the same readings. ``signal`` is the current over its
    standard uncertainty: where that is small, 1/I is anything but linear and the figures mean little.
    """

    in_phase: Budget
    at_90: Budget
    r: Value
    signal: Value


def prospective(
    v: float, i_res_ma: float, i_cap_ma: float, series_ohm: float, nominal_v: float
) -> Prospective:
    """One part's ``prospective_many``, with what is odd about it in words."""
    many = prospective_many(v, i_res_ma, i_cap_ma, series_ohm, nominal_v)
    words = NO_BOUND if many.unbounded else CLIPPED if many.clipped else ""
    res_ma, cap_ma, magnitude_ma = map(float, (many.res_ma, many.cap_ma, many.magnitude_ma))
    return Prospective(res_ma, cap_ma, magnitude_ma, complex(many.fault_ohm), words)


def prospective_of(step: Step) -> Prospective:
    """One part's prospective current from its limited step."""
    v, res_ma, cap_ma = float(step.v), float(step.res_ma), float(step.cap_ma)
    return prospective(v, res_ma, cap_ma, step.series_ohm, step.nominal_v)


def prospective_many(
    v: Value, i_res_ma: Value, i_cap_ma: Value, series_ohm: Value, nominal_v: float
) -> ProspectiveMany:
    """Prospective current in mA at ``nominal_v`` from ``v`` and the current through ``series_ohm``.

    A passive fault has no negative resistance: where noise or tolerance says so it counts as 0. No
    passive fault drives a current in anti-phase either: it counts as if in phase, so that the noise
    of a tiny reading stays tiny and a real one is not understated. A missing reading (NaN) stays NaN.
    """
    res, cap = np.asarray(i_res_ma, np.float64), np.asarray(i_cap_ma, np.float64)
    current = np.asarray(np.abs(res) + 1j * cap) / KILO
    nothing = current == 0.0
    with np.errstate(invalid="ignore"):  # NaN in, NaN out: a missing reading stays missing
        fault = np.asarray(v) / np.where(nothing, np.inf, current) - np.asarray(series_ohm)
        clipped = (fault.real < 0.0) & ~nothing
        fault = np.where(clipped, 1j * fault.imag, fault)
        unbounded = fault == 0.0
        driven = np.where(nothing, 0.0, nominal_v / np.where(unbounded, np.inf, fault) * KILO)
    return ProspectiveMany(
        res_ma=np.where(unbounded, np.inf, np.copysign(driven.real, res)),
        cap_ma=driven.imag,
        magnitude_ma=np.where(unbounded, np.inf, np.abs(driven)),
        fault_ohm=np.where(nothing, complex(math.inf, 0.0), fault),
        clipped=clipped,
        unbounded=unbounded,
    )


def limited_budget(step: Step, meter: Accuracy, supply: Accuracy) -> Budget:
    """The prospective magnitude with its budget, in mA.

    Each component of the current errs by everything that its meter may err by. The partials are
    numerical (GUM 5.1.3 note 2), over the *combined* uncertainty of each input and to the side where
    the result moves more, because near Zf = 0 the current is anything but linear: the result grows as
    Zf falls and is infinite where a standard uncertainty reaches "no bound".
    """
    point = (step.v, step.res_ma, step.cap_ma, step.series_ohm)
    read = _current_lines(step, meter)
    u_i, u_v = _together(read), meter_u(step.v, supply)
    res, cap = (_moved(point, step.nominal_v, place, u_i) for place in (1, 2))
    through = _per(np.hypot(res, cap), u_i)
    lines = [_with(line, through) for line in read]
    by_volts = _per(_moved(point, step.nominal_v, 0, u_v), u_v)
    lines.append(supply_line(step.v, supply, by_volts))
    u_series = step.series_ohm * step.series_percent / 100.0 / RECTANGLE
    moved = _per(_moved(point, step.nominal_v, 3, u_series), u_series) * KILO
    kilo = step.series_ohm / KILO, u_series / KILO, "kohm"
    lines.append(Line(RESISTOR, *kilo, "rectangular", math.inf, moved))
    found = prospective_many(*point, step.nominal_v)
    return budget(plain(found.magnitude_ma), lines, "mA")


def fault_phasor(step: Step, meter: Accuracy, supply: Accuracy) -> FaultPhasor:
    """Zf = U/I - Rs with the uncertainty of both parts and their correlation (GUM H.2.3).

    As read: nothing is clipped here, so that a part below zero shows by how much it is.
    """
    u_i = _together(_current_lines(step, meter))
    u_series = step.series_ohm * step.series_percent / 100.0 / RECTANGLE
    inputs = (
        Input(SUPPLY, step.v, meter_u(step.v, supply), "V"),
        Input("current in phase", step.res_ma, u_i, "mA"),
        Input("current at 90°", step.cap_ma, u_i, "mA"),
        Input(RESISTOR, step.series_ohm, u_series, "ohm"),
    )
    real = combine(lambda *at: plain(_impedance(*at).real), inputs, "ohm")
    imag = combine(lambda *at: plain(_impedance(*at).imag), inputs, "ohm")
    both = np.asarray(real.u * imag.u)
    shared = np.asarray(covariance(real.lines, imag.lines))
    r = np.divide(shared, both, out=np.zeros(np.shape(both)), where=both != 0.0)
    size = np.hypot(step.res_ma, step.cap_ma)
    signal = np.divide(size, u_i, out=np.full(np.shape(size), np.inf), where=np.asarray(u_i) != 0.0)
    return FaultPhasor(real, imag, plain(r), plain(signal))


def impedance_words(fault: FaultPhasor, least_kohm: float) -> str:
    """The fault of one part in kilohm, with expanded uncertainties.

    Where next to no current flows, nothing is known but that it is at least ``least_kohm``, which is
    what the upper bound of the prospective current leaves.
    """
    if not float(fault.signal) > CLEAR:
        return f"at least {least_kohm:.0f} kohm"
    real, imag = (float(one.y) / KILO for one in fault[:2])
    real_u, imag_u = (float(one.expanded) / KILO for one in fault[:2])
    return f"{real:.1f} ± {real_u:.1f} kohm in phase, {imag:.1f} ± {imag_u:.1f} kohm at 90°"


def across_ma(insulation_mohm: float, v: float) -> float:
    """mA that ``v`` drives through an insulation resistance (Ohm's law): what a leakage limit sees."""
    return v / insulation_mohm / KILO


def _impedance(v: Value, res_ma: Value, cap_ma: Value, series_ohm: Value) -> Any:
    current = (np.asarray(res_ma) + 1j * np.asarray(cap_ma)) / KILO
    with np.errstate(invalid="ignore"):
        return np.asarray(v) / np.where(current == 0.0, np.nan, current) - np.asarray(series_ohm)


def _current_lines(step: Step, meter: Accuracy) -> list[Line]:
    """Everything that each component of the current may err by."""
    size = plain(np.hypot(step.res_ma, step.cap_ma))
    zero = meter.half_width(0.0) / RECTANGLE
    return [
        *meter_lines(size, meter, "mA", 1.0),
        Line(NOISE, size, step.u_ma, "mA", "normal", step.dof, 1.0),
        Line(FIXTURE, 0.0, zero, "mA", "rectangular", math.inf, 1.0),
    ]


def _together(lines: list[Line]) -> Value:
    """Independent errors of one reading, combined (GUM 5.1.2)."""
    return plain(np.sqrt(sum(np.square(line.contribution) for line in lines)))


def _with(line: Line, sensitivity: Value) -> Line:
    """The line with its sensitivity; none where a line without uncertainty meets "no bound"."""
    counts = np.isfinite(sensitivity) | (np.asarray(line.u) != 0.0)
    return replace(line, sensitivity=plain(np.where(counts, sensitivity, 0.0)))


def _per(moved: FloatArray, u: Value) -> Value:
    """How far the result moves per unit of an input; 0 where the input has no uncertainty."""
    step = np.asarray(u, np.float64)
    return plain(np.divide(moved, step, out=np.zeros(np.shape(moved)), where=step != 0.0))


def _moved(point: Point, nominal_v: float, place: int, step: Value) -> FloatArray:
    """How far the result moves when one input moves by ``step``, to the worse side."""
    here = prospective_many(*point, nominal_v).magnitude_ma
    sides = []
    for side in (-1.0, 1.0):
        v, res, cap, series = (x + side * step if n == place else x for n, x in enumerate(point))
        there = prospective_many(v, res, cap, series, nominal_v).magnitude_ma
        with np.errstate(
            invalid="ignore"
        ):  # from no bound to no bound: no figure, and none is used
            sides.append(np.abs(there - here))
    return np.where(np.isfinite(here), np.fmax(*np.broadcast_arrays(*sides)), here)
