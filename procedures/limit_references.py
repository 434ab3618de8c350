"""Leakage limits of product standards and of in-service testing, as context beside a verdict.

None of them decides here: what is measured is the protective-conductor current of one part in the
conditions listed, which is no product-standard test.
"""

from __future__ import annotations

from procedures.limit_kinds import Reference
from procedures.scan import Part

CLASS_I, CLASS_II = frozenset({"I"}), frozenset({"II"})
HEATING = frozenset({"heater"})
MOTORS = frozenset({"pump", "circulation_pump", "blower"})
OTHERS = frozenset({"ozone_corona", "ozone_uv", "converter", "transformer", "light"})
ALL = HEATING | MOTORS | OTHERS

IEC, IEC_EDITION = "IEC 60335-1", "r.m.s. editions"
PEAK_EDITION = "5th edition, 2010"
IEC_13 = "IEC 60335-1 13.2, as quoted"
UL, UL_EDITION = "UL 101 family", "as quoted"
UL_SOURCE = "UL 8750 8.7.1, as quoted"
UL_HOW = "ground open, through 1500 ohm and 0.15 µF, in MIU"
SERVICE, SERVICE_EDITION = "in-service testing", "DGUV Information 203-071"
ANNEX = "DGUV Information 203-071 annex 5"
GROUND, GROUND_EDITION = "IEC 61140", "as tabulated"
GROUND_SOURCE = "IEC 61140, as tabulated"

REFERENCES: tuple[Reference, ...] = (
    Reference(IEC, IEC_EDITION, "class II", CLASS_II, ALL, 0.25, IEC_13, "S"),
    Reference(IEC, IEC_EDITION, "class I, as portable", CLASS_I, OTHERS, 0.75, IEC_13, "S"),
    Reference(
        IEC, IEC_EDITION, "stationary class I, motor-operated", CLASS_I, MOTORS, 3.5, IEC_13, "S"
    ),
    Reference(
        IEC,
        IEC_EDITION,
        "stationary class I, heating",
        CLASS_I,
        HEATING,
        0.75,
        IEC_13,
        "S",
        per=0.75,
        of="kW",
        most=5.0,
    ),
    Reference(
        IEC,
        PEAK_EDITION,
        "class II",
        CLASS_II,
        ALL,
        0.35,
        "IEC 60335-1:2010 13.2",
        "MEMORY",
        peak=True,
    ),
    Reference(
        UL,
        UL_EDITION,
        "3-wire, stationary or fixed",
        CLASS_I,
        ALL,
        0.75,
        UL_SOURCE,
        "S",
        measured=UL_HOW,
    ),
    Reference(UL, UL_EDITION, "2-wire", CLASS_II, ALL, 0.5, UL_SOURCE, "S", measured=UL_HOW),
    Reference(
        SERVICE,
        SERVICE_EDITION,
        "protective-conductor current, heating elements",
        CLASS_I,
        HEATING,
        3.5,
        ANNEX,
        "S",
        per=1.0,
        of="kW",
        most=10.0,
    ),
    Reference(
        SERVICE,
        SERVICE_EDITION,
        "protective-conductor current",
        CLASS_I,
        MOTORS | OTHERS,
        3.5,
        ANNEX,
        "S",
    ),
    Reference(
        SERVICE,
        SERVICE_EDITION,
        "touch current",
        CLASS_II,
        ALL,
        0.5,
        ANNEX,
        "S",
        measured="touch current with the part not earthed",
    ),
    Reference(
        GROUND,
        GROUND_EDITION,
        "fixed or above 32 A",
        CLASS_I,
        ALL,
        3.5,
        GROUND_SOURCE,
        "S",
        per=0.5,
        of="A",
        most=10.0,
    ),
    Reference(
        GROUND,
        GROUND_EDITION,
        "plug, up to 32 A",
        CLASS_I,
        ALL,
        2.0,
        GROUND_SOURCE,
        "S",
        per=0.5,
        of="A",
        most=5.0,
    ),
)


def references_for(part: Part) -> tuple[Reference, ...]:
    """The standards' limits that are about such a part."""
    return tuple(one for one in REFERENCES if one.holds_for(part))
