"""Every family by name."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from types import MappingProxyType

from procedures.errors import UnknownFamily
from procedures.families import blower, gfci, heater, plain, pump
from procedures.family import Family
from procedures.scan import Part

__all__ = ["FAMILIES", "Family", "check_plate", "family"]

FAMILIES: Mapping[str, Family] = MappingProxyType(
    {
        one.name: one
        for one in (
            heater.FAMILY,
            pump.FAMILY,
            pump.CIRCULATION,
            blower.FAMILY,
            *plain.FAMILIES,
            gfci.FAMILY,
        )
    }
)


def family(name: str) -> Family:
    """The family of that name. Raises UnknownFamily with the nearest name."""
    if name in FAMILIES:
        return FAMILIES[name]
    near = get_close_matches(name, FAMILIES, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]}?" if near else f"one of {', '.join(FAMILIES)}"
    raise UnknownFamily("family", f"there is no family {name!r}", hint)


def check_plate(part: Part) -> None:
    """Refuse a part whose plate lacks what its family needs. Raises UnknownFamily, BadPlate."""
    family(part.family).check_plate(part)
