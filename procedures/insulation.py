"""Insulation resistance over time and temperature: ratios logged without a grade, windings corrected.

A DC test tells a cold, still part's insulation; how it rises while the voltage stays tells moisture from
surface dirt in windings. No grade is given to the ratios: no published source for the usual bands was
found, and their wording varies. Arrays or numbers; resistances in Mohm.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from procedures.arrays import FloatArray
from procedures.scan import INSULATION_MOHM, TEMPERATURE_C, Check, Demand, Source
from procedures.steps import Run, Step, give, new_value

WINDINGS = frozenset(
    {"pump", "circulation_pump", "blower"}
)  # machines; IEEE 43 is about nothing else
REFERENCE_C, PER_HALVING_C = 40.0, 10.0
SHORT_S, MINUTE_S, LONG_S = 30.0, 60.0, 600.0
AROUND_S = 2.5  # readings so far from the moment count as of it
EARLY_S = 5.0  # an insulation over the meter's range by then has no ratio
TOO_GOOD_MOHM = 5000.0  # IEEE 43, from memory: above it the ratio over ten minutes says nothing
ABSORPTION, POLARISATION = "ratio 60 s to 30 s", "ratio 10 min to 1 min"
NO_GRADE = "recorded, no grade"


def to_40_c(mohm: npt.ArrayLike, temperature_c: npt.ArrayLike) -> FloatArray:
    """A winding's insulation resistance at 40 °C: R40 = Kt·R, Kt = 0.5^((40 - T)/10).

    IEEE 43: it doubles for each 10 °C that it is cooler (as quoted; the formula from memory). For
    machine windings only: mineral-filled elements are outside its scope.
    """
    rise_c = REFERENCE_C - np.asarray(temperature_c, np.float64)
    factor: FloatArray = np.power(0.5, rise_c / PER_HALVING_C)
    corrected: FloatArray = np.asarray(mohm, np.float64) * factor
    return corrected


def ratio(later_mohm: float | None, earlier_mohm: float | None) -> float | None:
    """How far insulation rose under voltage: R(60 s)/R(30 s) or R(10 min)/R(1 min), from memory.

    Both at one temperature, so no correction is needed. None where either was not read.
    """
    if later_mohm is None or not earlier_mohm:
        return None
    return later_mohm / earlier_mohm


def absorption(run: Run, name: str, source: Source) -> Step[None]:
    """Hold the test voltage for a minute, or ten on demand, and record the ratios; windings at 40 °C.

    A part whose insulation is over the meter's range has no ratio and is not held for one. Nothing
    here passes or rejects a part.
    """
    fitted = source in run.setup.sources and INSULATION_MOHM in run.setup.quantities
    if not fitted or INSULATION_MOHM in run.setup.hand:
        return
    longest_s = LONG_S if run.setup.polarisation else MINUTE_S
    want = replace(run.demand(f"{name}, held"), source=source)
    readings = yield from _held(run, want, longest_s + AROUND_S)
    _record(run, name, readings, run.setup.polarisation)


def _held(run: Run, want: Demand, seconds: float) -> Step[list[tuple[float, float]]]:
    """(seconds under voltage, Mohm) of each new reading; empty when it is over range."""
    scan = yield from give(run, want)
    while scan.source != want.source:
        scan = yield from give(run, want)
    start_s, last_s = scan.t_s, scan.t_s
    readings: list[tuple[float, float]] = []
    while run.scan.t_s < start_s + seconds:
        done = min(1.0, (run.scan.t_s - start_s) / seconds)
        scan = yield from give(run, replace(want, progress=done))
        value = new_value(scan, INSULATION_MOHM, last_s)
        if value is not None:
            last_s = scan.taken_s[INSULATION_MOHM]
            readings.append((last_s - start_s, value))
        if not readings and scan.t_s > start_s + EARLY_S:
            break
    return readings


def _record(run: Run, name: str, readings: list[tuple[float, float]], ten_minutes: bool) -> None:
    short, minute, long = (_at(readings, s) for s in (SHORT_S, MINUTE_S, LONG_S))
    words = NO_GRADE if readings else "over the meter's range or not read: no ratio"
    run.checks.append(Check(f"{name}, {ABSORPTION}", ratio(minute, short), "", "", None, words))
    if ten_minutes:
        polarised = ratio(long, minute)
        high = minute is not None and minute > TOO_GOOD_MOHM
        told = f"{words}; above {TOO_GOOD_MOHM:g} Mohm it says nothing" if high else words
        run.checks.append(Check(f"{name}, {POLARISATION}", polarised, "", "", None, told))
    if run.part.family in WINDINGS and minute is not None:
        _corrected(run, name, minute)


def _corrected(run: Run, name: str, mohm: float) -> None:
    """At 40 °C, where the bench knows a temperature; else it says that it does not."""
    title, now_c = f"{name}, at 40 °C", run.scan.values.get(TEMPERATURE_C)
    if now_c is None:
        run.checks.append(
            Check(title, None, "Mohm", "", None, "no temperature read: not corrected")
        )
        return
    words = f"IEEE 43, from the bench's {now_c:.1f} °C; recorded, no grade"
    run.checks.append(Check(title, float(to_40_c(mohm, now_c)), "Mohm", "", None, words))


def _at(readings: list[tuple[float, float]], moment_s: float) -> float | None:
    """Mean of the readings around a moment; None where there are none."""
    near = [mohm for t_s, mohm in readings if abs(t_s - moment_s) <= AROUND_S]
    return math.fsum(near) / len(near) if near else None
