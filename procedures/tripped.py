"""The bench's GFCI has tripped: does what was read explain it?

A Class A device must not trip below 4 mA (NEC informational note to the definition of GFCI, as quoted; an
RCD not below half its rated residual current, IEC 61008-1, as tabulated in secondary texts). A trip while
next to nothing was read is a fault of the device, of a sensor, or a leak too quick for a meter: the trip
alone can't tell, so it decides nothing. It is explained by readings that fail the part by themselves, or
by a breakdown that the insulation meter still finds afterwards. Currents in mA, resistances in Mohm.
"""

from __future__ import annotations

import math
from dataclasses import replace

from procedures.dead_tests import proved_test
from procedures.protection import MUST_HOLD_MA, RCD_MUST_HOLD
from procedures.scan import LEAKAGE_MA, SECOND_LEAKAGE_MA, Check, Condition, Scan, Setup
from procedures.steps import Reading, Run, Step

SENSORS = frozenset({LEAKAGE_MA, SECOND_LEAKAGE_MA})
AFTER_TRIP = "insulation, after the trip"


def seen_by_all_ma(setup: Setup, scan: Scan) -> float:
    """What every fitted leakage sensor reads at least; 0 when one of them reads nothing.

    Infinite only when all of them say that they are over their range.
    """
    fitted = setup.quantities & SENSORS
    read = (math.inf if name in scan.over else scan.values.get(name, 0.0) for name in fitted)
    return min(read, default=0.0)


def must_hold_ma(setup: Setup) -> float:
    """Below this the bench's protection must not trip."""
    return MUST_HOLD_MA if setup.protection == "gfci" else RCD_MUST_HOLD * setup.rated_residual_ma


def doubt_trip(run: Run, stage: str, seen_ma: float) -> None:
    """Note a trip that the readings don't explain; the positive control may be part of what was read."""
    if seen_ma > run.limit("fail_ma") + run.setup.control_ma:
        return
    run.unexplained = stage
    run.doubts[stage] = (
        f"the GFCI tripped while no more than {seen_ma:.2f} mA were read: the GFCI, a sensor, or a leak "
        "too quick for the meter; prove the bench, then the part again"
    )


def explain_trip(run: Run) -> Step[None]:
    """Look for the breakdown with everything off: does the insulation let through what trips?"""
    if not run.unexplained or run.insulated_by is None:
        return
    least_mohm = run.setup.nominal_v / must_hold_ma(run.setup) / 1000.0

    def holds(found: Reading) -> bool:
        return found.value is None or found.value > least_mohm

    reading = yield from proved_test(run, AFTER_TRIP, run.insulated_by, holds)
    broken = not holds(reading)
    words = "explains the trip" if broken else reading.words or "does not explain the trip"
    run.checks.append(
        Check(AFTER_TRIP, reading.value, "Mohm", f"> {least_mohm:.3g} to hold", None, words)
    )
    if broken:
        del run.doubts[run.unexplained]
        run.conditions[:] = [_explained(run, c) for c in run.conditions]
        run.unexplained = ""


def _explained(run: Run, found: Condition) -> Condition:
    """The tripped stage's condition: what the breakdown lets through is above the cut-off."""
    if found.name != run.unexplained:
        return found
    note = f"{found.note}, the insulation has broken down"
    cutoff_ma = min(run.limit("cutoff_ma"), must_hold_ma(run.setup))
    return replace(found, basis="above", y_ma=cutoff_ma, u_ma=0.0, note=note)
