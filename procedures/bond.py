"""Ground bond by lead: what a copper lead adds by length and section; the in-service limit beside it.

Resistances in ohm, lengths in m, sections in mm².
"""

from __future__ import annotations

import math

from procedures.errors import BadPlate
from procedures.scan import Check, Part

COPPER_M_PER_OHM_MM2 = 58.0  # annealed copper standard, IEC 60028, at 20 °C (from memory)
COPPER_ZERO_C = 234.5  # degrees below 0 °C at which copper's straight line reaches nothing (IACS)
STANDARD_C = 20.0
IN_SERVICE = "DGUV Information 203-071 annex 5"
SHORT_OHM, SHORT_M, STEP_OHM, STEP_M, MOST_OHM = 0.3, 5.0, 0.1, 7.5, 1.0


def lead_ohm(length_m: float, section_mm2: float, temperature_c: float = STANDARD_C) -> float:
    """One conductor of a copper lead: length/(58·section) at 20 °C, times (234.5 + T)/(234.5 + 20).

    Raises BadPlate for a lead that can't be.
    """
    if not (length_m >= 0.0 and section_mm2 > 0.0):
        what = f"a lead of {length_m:g} m and {section_mm2:g} mm² can't be"
        raise BadPlate("plate", what, "enter length and section as on the lead")
    warmer = (COPPER_ZERO_C + temperature_c) / (COPPER_ZERO_C + STANDARD_C)
    return length_m / (COPPER_M_PER_OHM_MM2 * section_mm2) * warmer


def part_lead_ohm(part: Part) -> float:
    """What a part's lead adds to its bond limit: as measured, else by length and section, else 0."""
    if part.lead_ohm > 0.0 or part.lead_m is None or part.lead_mm2 is None:
        return part.lead_ohm
    return lead_ohm(part.lead_m, part.lead_mm2)


def in_service_ohm(length_m: float) -> float:
    """The in-service limit to 16 A: 0.3 ohm to 5 m, 0.1 more for each further 7.5 m begun, at most 1.

    DGUV Information 203-071 annex 5.
    """
    further = math.ceil(max(0.0, length_m - SHORT_M) / STEP_M - 1e-9)
    return min(MOST_OHM, SHORT_OHM + STEP_OHM * further)


def in_service(part: Part, measured_ohm: float | None) -> Check | None:
    """The bond beside the in-service limit, as context; None where the lead's length is not known."""
    if part.lead_m is None or measured_ohm is None:
        return None
    limit_ohm = in_service_ohm(part.lead_m)
    would = "would be within" if measured_ohm <= limit_ohm else "would exceed"
    words = f"{would} {limit_ohm:.2g} ohm, {IN_SERVICE} (S); context, it never decides"
    return Check("bond beside the in-service limit", measured_ohm, "ohm", "", None, words)


def winding_ratio(low_ohm: float | None, high_ohm: float | None) -> float | None:
    """Ohms at low over ohms at high speed selection: logged, no grade. None where either was not read."""
    return None if low_ohm is None or not high_ohm else low_ohm / high_ohm
