"""Limits as data: value, unit, where it comes from, how far that is proved, and the set's version.

Marks: S a published standard (named), D derived, C common practice without a source, P a proposal of
the shop that a qualified person approves before real use, MEMORY remembered without the text seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from types import MappingProxyType
from typing import Literal

from procedures.errors import UnknownFamily
from procedures.scan import Part

Mark = Literal["S", "D", "C", "P", "MEMORY"]
VERSION = "2026.1"
UNAPPROVED: frozenset[Mark] = frozenset({"P", "MEMORY"})

# a second sentence of sources would be lost in a table: keep them short
SHOP = "shop rule"
IN_SERVICE = "DGUV Information 203-071 annex 5"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit. ``mark`` says how far ``source`` is proved."""

    name: str
    value: float
    unit: str
    source: str
    mark: Mark
    version: str = VERSION

    def row(self) -> tuple[str, float, str, str, str, str]:
        """As an Outcome lists it: name, value, unit, source, mark, version."""
        return (self.name, self.value, self.unit, self.source, self.mark, self.version)


@dataclass(frozen=True, slots=True)
class LimitSet:
    """A family's limits; those of ``COMMON`` hold too where it doesn't name its own."""

    family: str
    limits: tuple[Limit, ...]
    version: str = VERSION


RISE = Limit("rise_ma", 0.10, "mA", SHOP, "P")  # a smaller rise is not called one

COMMON = LimitSet(
    "every family",
    (
        Limit("pass_ma", 0.75, "mA", "shop rule, the figure of IEC 60335-1 13.2 as quoted", "P"),
        Limit("fail_ma", 1.5, "mA", SHOP, "P"),
        Limit("too_wide_u_ma", 0.10, "mA", SHOP, "P"),
        Limit("guard_band_u", 1.0, "U", "shop rule, ILAC-G8:09/2019 as quoted", "P"),
        RISE,
        Limit("gate_ma", 3.0, "mA", SHOP, "P"),
        Limit("cutoff_ma", 3.5, "mA", SHOP, "P"),
        Limit("bond_ohm", 0.1, "ohm", "common practice, no source; the lead is added", "C"),
        Limit("insulation_stop_mohm", 1.0, "Mohm", f"{IN_SERVICE}, class I", "S"),
        Limit("ohms_low_percent", -10.0, "%", SHOP, "P"),
        Limit("ohms_high_percent", 10.0, "%", SHOP, "P"),
        Limit("power_low_percent", -10.0, "%", SHOP, "P"),
        Limit("power_high_percent", 10.0, "%", SHOP, "P"),
        Limit("load_low_percent", -60.0, "%", SHOP, "P"),  # a plate is a maximum
        Limit("load_high_percent", 15.0, "%", SHOP, "P"),
        Limit("gfci_hold_ma", 4.0, "mA", "NEC note to the definition of GFCI, as quoted", "S"),
        Limit("gfci_trip_ma", 6.0, "mA", "NEC note to the definition of GFCI, as quoted", "S"),
    ),
)

_WET = (
    Limit("conductivity_low_ms_cm", 2.5, "mS/cm", SHOP, "P"),
    Limit("conductivity_high_ms_cm", 3.0, "mS/cm", SHOP, "P"),
    Limit("water_max_c", 45.0, "°C", SHOP, "P"),
)
_MOTOR = (Limit("inrush_s", 2.0, "s", SHOP, "P"),)
_SECONDARY = (Limit("secondary_mohm", 7.0, "Mohm", SHOP, "P"),)
_OZONE = (Limit("ozone_stop_ppm", 0.1, "ppm", "common practice, no source", "C"),)
_CHARGE = (Limit("charge_v", 34.0, "V", "IEC 60335-1, 1 s after unplugging", "MEMORY"),)
# a damp or pinholed element reads low in DC and is judged by its leakage; below this it isn't energised
_ELEMENT = (
    Limit("insulation_stop_mohm", 0.05, "Mohm", "UL 1261:2016 31, 250 V DC after humidity", "S"),
    Limit("insulation_mohm", 0.3, "Mohm", f"{IN_SERVICE}, with heating elements", "S"),
)


def _soak(minimum_s: float, longest_s: float) -> tuple[Limit, ...]:
    """The family's minimum soak before a pass, and the longest that is waited for a plateau."""
    return (
        Limit("soak_min_s", minimum_s, "s", SHOP, "P"),
        Limit("soak_max_s", longest_s, "s", SHOP, "P"),
    )


LIMITS: tuple[LimitSet, ...] = (
    LimitSet("heater", (*_ELEMENT, *_WET, *_soak(720.0, 960.0))),
    LimitSet("pump", (*_MOTOR, *_soak(300.0, 600.0))),
    LimitSet("circulation_pump", (*_MOTOR, *_soak(180.0, 600.0))),
    LimitSet("blower", (*_MOTOR, *_soak(240.0, 1200.0))),
    LimitSet("ozone_corona", (*_OZONE, *_soak(120.0, 600.0))),
    LimitSet("ozone_uv", (*_OZONE, *_soak(120.0, 600.0))),
    LimitSet("converter", (*_CHARGE, *_soak(120.0, 600.0))),
    LimitSet("transformer", (*_SECONDARY, *_soak(120.0, 600.0))),
    LimitSet("light", (*_SECONDARY, *_soak(120.0, 600.0))),
    LimitSet("gfci", ()),
)
_CLASS_II = Limit("insulation_stop_mohm", 2.0, "Mohm", f"{IN_SERVICE}, class II", "S")


def limits_for(family: str, part: Part) -> Mapping[str, Limit]:
    """The limits that hold for ``part`` by name. Raises UnknownFamily with the nearest name.

    ``bond_ohm`` is without the lead: whoever compares adds the part's ``lead_ohm``.
    """
    found = {limit.name: limit for limit in (*COMMON.limits, *_set_of(family).limits)}
    if part.protective_class == "II":
        found["insulation_stop_mohm"] = _CLASS_II
    return MappingProxyType(found)


def limit_set_version(family: str) -> str:
    """Name and version of a family's limit set, as a verdict quotes it. Raises UnknownFamily."""
    chosen = _set_of(family)
    return f"{chosen.family} {chosen.version}"


def needs_approval(limit: Limit) -> bool:
    """Whether a real bench gives no verdict by this limit until someone approves it by name."""
    return limit.mark in UNAPPROVED


def _set_of(family: str) -> LimitSet:
    sets = {chosen.family: chosen for chosen in LIMITS}
    if family in sets:
        return sets[family]
    near = get_close_matches(family, sets, n=1)
    hint = f"did you mean {near[0]}" if near else f"known: {', '.join(sets)}"
    raise UnknownFamily("family", f"no limit set {family!r}", hint)
