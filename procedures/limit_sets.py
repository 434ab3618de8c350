"""The limit sets that decide, as data: the resale gate, the warranty gate, the bench's protection, the
dead tests and functions, and what a family has of its own. They are independent of one another.
"""

from __future__ import annotations

from collections.abc import Mapping

from procedures.limit_kinds import Limit, LimitSet

# a second sentence of sources would be lost in a table: keep them short
SHOP = "shop rule"
SUPPLIER = "shop rule, until the supplier's terms are entered"
IN_SERVICE = "DGUV Information 203-071 annex 5"
NO_SOURCE = "common practice, no source"
QUOTED_PASS = "shop rule, the figure of IEC 60335-1 13.2 as quoted"
QUOTED_GFCI = "NEC note to the definition of GFCI, as quoted"
PLATE_BAND = 10.0

RESALE = LimitSet.of(
    "resale",
    "resale gate",
    Limit("pass_ma", 0.75, "mA", QUOTED_PASS, "P"),
    Limit("fail_ma", 1.5, "mA", SHOP, "P"),
    Limit("too_wide_u_ma", 0.10, "mA", SHOP, "P"),
    Limit("guard_band_u", 1.0, "U", "shop rule, ILAC-G8:09/2019 as quoted", "P"),
    Limit("rise_ma", 0.10, "mA", SHOP, "P"),  # a smaller rise is not called one
)
WARRANTY = LimitSet.of(
    "warranty",
    "supplier's warranty gate",
    Limit("warranty_ma", 1.5, "mA", SUPPLIER, "P"),
)
PROTECTION = LimitSet.of(
    "protection",
    "protection of bench and people",
    Limit("gate_ma", 3.0, "mA", SHOP, "P"),
    Limit("cutoff_ma", 3.5, "mA", SHOP, "P"),
)
DEAD = LimitSet.of(
    "dead_tests",
    "dead tests",
    Limit("bond_ohm", 0.1, "ohm", f"{NO_SOURCE}; the lead is added", "C"),
    Limit("insulation_stop_mohm", 1.0, "Mohm", f"{IN_SERVICE}, class I", "S"),
    Limit("ohms_low_percent", -PLATE_BAND, "%", SHOP, "P"),
    Limit("ohms_high_percent", PLATE_BAND, "%", SHOP, "P"),
)
FUNCTION = LimitSet.of(
    "function",
    "function checks",
    Limit("power_low_percent", -PLATE_BAND, "%", SHOP, "P"),
    Limit("power_high_percent", PLATE_BAND, "%", SHOP, "P"),
    Limit("load_low_percent", -60.0, "%", SHOP, "P"),  # a plate is a maximum
    Limit("load_high_percent", 15.0, "%", SHOP, "P"),
)
BREAKER = LimitSet.of(
    "breaker",
    "ground-fault breaker, Class A",
    Limit("gfci_hold_ma", 4.0, "mA", QUOTED_GFCI, "S"),
    Limit("gfci_trip_ma", 6.0, "mA", QUOTED_GFCI, "S"),
)
CLASS_II = LimitSet.of(
    "class_ii",
    "class II instead of class I",
    Limit("insulation_stop_mohm", 2.0, "Mohm", f"{IN_SERVICE}, class II", "S"),
)
EVERYWHERE: tuple[LimitSet, ...] = (RESALE, PROTECTION, DEAD, FUNCTION, BREAKER)

_WET = (
    Limit("conductivity_low_ms_cm", 2.5, "mS/cm", SHOP, "P"),
    Limit("conductivity_high_ms_cm", 3.0, "mS/cm", SHOP, "P"),
    Limit("water_max_c", 45.0, "°C", SHOP, "P"),
)
_MOTOR = (Limit("inrush_s", 2.0, "s", SHOP, "P"),)
_SECONDARY = (Limit("secondary_mohm", 7.0, "Mohm", SHOP, "P"),)
_OZONE = (Limit("ozone_stop_ppm", 0.1, "ppm", NO_SOURCE, "C"),)
_CHARGE = (Limit("charge_v", 34.0, "V", "IEC 60335-1, 1 s after unplugging", "MEMORY"),)
# a damp or pinholed element reads low in DC and is judged by its leakage; below this it isn't energised
_ELEMENT = (
    Limit("insulation_stop_mohm", 0.05, "Mohm", "UL 1261:2016 31, 250 V DC after humidity", "S"),
    Limit("insulation_mohm", 0.3, "Mohm", f"{IN_SERVICE}, with heating elements", "S"),
)


def _own(family: str, soak_s: tuple[float, float], *limits: Limit) -> LimitSet:
    """A family's own limits, with its minimum soak before a pass, and the longest that is waited for
    a plateau."""
    soaks = zip(("soak_min_s", "soak_max_s"), soak_s, strict=True)
    soak = (Limit(name, value, "s", SHOP, "P") for name, value in soaks)
    return LimitSet.of(family, family.replace("_", " "), *limits, *soak, family=family)


FAMILIES: tuple[LimitSet, ...] = (
    _own("heater", (720.0, 960.0), *_ELEMENT, *_WET),
    _own("pump", (300.0, 600.0), *_MOTOR),
    _own("circulation_pump", (180.0, 600.0), *_MOTOR),
    _own("blower", (240.0, 1200.0), *_MOTOR),
    _own("ozone_corona", (120.0, 600.0), *_OZONE),
    _own("ozone_uv", (120.0, 600.0), *_OZONE),
    _own("converter", (120.0, 600.0), *_CHARGE),
    _own("transformer", (120.0, 600.0), *_SECONDARY),
    _own("light", (120.0, 600.0), *_SECONDARY),
    LimitSet.of("gfci", "GFCI breaker", family="gfci"),
)

WORDS: Mapping[str, str] = {  # a limit's name as people read it
    "pass_ma": "pass limit",
    "fail_ma": "fail limit",
    "too_wide_u_ma": "widest uncertainty that may decide",
    "guard_band_u": "guard band, in uncertainties",
    "rise_ma": "smallest rise that counts",
    "warranty_ma": "warranty gate",
    "gate_ma": "most that full voltage may drive, calculated",
    "cutoff_ma": "software cut-off",
    "bond_ohm": "ground bond",
    "insulation_stop_mohm": "least insulation for full voltage",
    "insulation_mohm": "insulation with heating elements",
    "ohms_low_percent": "ohms below the plate",
    "ohms_high_percent": "ohms above the plate",
    "power_low_percent": "power below the plate",
    "power_high_percent": "power above the plate",
    "load_low_percent": "load below the plate",
    "load_high_percent": "load above the plate",
    "gfci_hold_ma": "breaker must hold below",
    "gfci_trip_ma": "breaker must trip at",
    "conductivity_low_ms_cm": "least conductivity of the water",
    "conductivity_high_ms_cm": "greatest conductivity of the water",
    "water_max_c": "hottest water",
    "inrush_s": "longest inrush",
    "secondary_mohm": "primary to secondary insulation",
    "ozone_stop_ppm": "ozone in the air, stop",
    "charge_v": "charge left after unplugging",
    "soak_min_s": "shortest soak before a pass",
    "soak_max_s": "longest soak",
}

SETS: Mapping[str, LimitSet] = {
    one.name: one for one in (*EVERYWHERE, WARRANTY, CLASS_II, *FAMILIES)
}
