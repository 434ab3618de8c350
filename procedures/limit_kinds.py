"""What a limit is: value, unit, source with clause, mark, and the versioned set it belongs to.

Marks: S a published standard (named), D derived, C common practice without a source, P a proposal of
the shop that a qualified person approves before real use, MEMORY remembered without the text seen.
"As quoted" in a source: read in a text that quotes the standard, not in the standard itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from procedures.scan import Part

Mark = Literal["S", "D", "C", "P", "MEMORY"]
Of = Literal["", "kW", "A"]
VERSION = "2026.1"
UNAPPROVED: frozenset[Mark] = frozenset({"P", "MEMORY"})
EVERY = "every family"
Row = tuple[str, float, str, str, str, str, str]


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit. ``mark`` says how far ``source`` is proved, ``set`` which limit set it stands in."""

    name: str
    value: float
    unit: str
    source: str
    mark: Mark
    version: str = VERSION
    set: str = ""

    @property
    def key(self) -> str:
        """As a person names it: the set, a dot, the name."""
        return f"{self.set}.{self.name}"

    def row(self) -> Row:
        """As an Outcome lists it: name, value, unit, source, mark, version, set."""
        return (*self._first(), self.version, self.set)

    def _first(self) -> tuple[str, float, str, str, str]:
        return (self.name, self.value, self.unit, self.source, self.mark)


@dataclass(frozen=True, slots=True)
class LimitSet:
    """A named, versioned set of limits that decide. ``family`` is the one that it holds for."""

    name: str
    words: str
    limits: tuple[Limit, ...]
    family: str = EVERY
    version: str = VERSION

    @classmethod
    def of(cls, name: str, words: str, *limits: Limit, family: str = EVERY) -> LimitSet:
        """A set whose limits know which set they stand in."""
        return cls(name, words, tuple(replace(limit, set=name) for limit in limits), family)


@dataclass(frozen=True, slots=True)
class Reference:
    """A leakage limit of a standard: context beside a verdict, never deciding one.

    It is ``per`` mA for each ``of`` (kW or A of the plate), at least ``least``, at most ``most``; a
    fixed limit has ``per`` 0. ``peak`` limits are not compared with r.m.s. readings. ``measured``
    says how the standard measures where that is otherwise than here.
    """

    set: str
    version: str
    words: str
    classes: frozenset[str]
    families: frozenset[str]
    least: float
    source: str
    mark: Mark
    per: float = 0.0
    of: Of = ""
    most: float = 0.0
    peak: bool = False
    measured: str = ""

    def holds_for(self, part: Part) -> bool:
        """Whether this limit is about such a part."""
        return part.protective_class in self.classes and part.family in self.families

    def value_ma(self, part: Part) -> float | None:
        """The limit for this part's plate; None where the plate doesn't say what it goes by."""
        if not self.of:
            return self.least
        plate = plate_value(part, self.of)
        return None if plate is None else min(max(self.per * plate, self.least), self.most)

    def rule(self) -> str:
        """The limit in words: a figure, or how it goes by the plate."""
        unit = "mA peak" if self.peak else "mA"
        if not self.of:
            return f"{self.least:g} {unit}"
        bounds = f"at least {self.least:g}, at most {self.most:g} {unit}"
        return f"{self.per:g} {unit}/{self.of}, {bounds}"


def plate_value(part: Part, of: Of) -> float | None:
    """kW or A by the plate, the one from the other where only one is given (P = U·I)."""
    watts, amps = part.rated_w, part.rated_a
    if of == "kW":
        found = watts if watts is not None else None if amps is None else amps * part.rated_v
        return None if found is None else found / 1000.0
    return amps if amps is not None else None if watts is None else watts / part.rated_v
