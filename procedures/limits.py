"""Limits by family and part, from the sets in ``limit_sets.py``; which of them need an approval."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from types import MappingProxyType

from procedures.errors import UnknownFamily
from procedures.limit_kinds import EVERY, UNAPPROVED, VERSION, Limit, LimitSet, Mark
from procedures.limit_sets import CLASS_II, EVERYWHERE, RESALE, WARRANTY, WORDS
from procedures.limit_sets import FAMILIES as LIMITS
from procedures.scan import Part

__all__ = [
    "COMMON",
    "EVERY",
    "LIMITS",
    "RISE",
    "VERSION",
    "Limit",
    "LimitSet",
    "Mark",
    "limit_set_version",
    "limit_words",
    "limits_for",
    "needs_approval",
    "sets",
]

# those that hold too where a family doesn't name its own
COMMON = LimitSet(EVERY, EVERY, tuple(limit for one in EVERYWHERE for limit in one.limits))
RISE = next(limit for limit in RESALE.limits if limit.name == "rise_ma")


def sets() -> Iterator[LimitSet]:
    """Every set that decides, those for all families first."""
    yield from (*EVERYWHERE, WARRANTY, CLASS_II, *LIMITS)


def limits_for(family: str, part: Part) -> Mapping[str, Limit]:
    """The limits that hold for ``part`` by name. Raises UnknownFamily with the nearest name.

    ``bond_ohm`` is without the lead: whoever compares adds the part's lead.
    """
    found = {limit.name: limit for limit in (*COMMON.limits, *_set_of(family).limits)}
    more = {CLASS_II: part.protective_class == "II", WARRANTY: part.warranty}
    for chosen, holds in more.items():
        found |= {limit.name: limit for limit in chosen.limits if holds}
    return MappingProxyType(found)


def limit_set_version(family: str) -> str:
    """Name and version of a family's limit set, as a verdict quotes it. Raises UnknownFamily."""
    chosen = _set_of(family)
    return f"{chosen.family} {chosen.version}"


def needs_approval(limit: Limit) -> bool:
    """Whether a real bench gives no verdict by this limit until someone approves it by name."""
    return limit.mark in UNAPPROVED


def limit_words(name: str) -> str:
    """A limit's name as people read it."""
    return WORDS.get(name, name.replace("_", " "))


def _set_of(family: str) -> LimitSet:
    by_family = {chosen.family: chosen for chosen in LIMITS}
    if family in by_family:
        return by_family[family]
    near = get_close_matches(family, by_family, n=1)
    hint = f"did you mean {near[0]}" if near else f"known: {', '.join(by_family)}"
    raise UnknownFamily("family", f"no limit set {family!r}", hint)
