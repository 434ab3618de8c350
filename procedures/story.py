"""One attempt as it is told to whoever looks for a likely cause: its conditions by phase, its checks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from procedures.limit_kinds import Limit
from procedures.scan import Check, Condition, Part

KNOWN_RESISTOR = "known resistor"  # how a check of the bench's own meter ends
PHASES: Mapping[str, tuple[str, ...]] = {
    "dry": ("limited step, cold dry",),
    "wet": (
        "limited step, cold wet",
        "both ends hot, cold wet",
        "line-neutral, cold wet",
        "neutral-line, cold wet",
    ),
    "hot": ("rated run, hot wet", "both ends hot, hot wet"),
    "soaked": ("both ends hot, after re-soak",),
    "rest": ("limited step", "limited step, low speed", "limited step, high speed"),
    "slow": ("low speed",),
    "fast": ("high speed, warm",),
    "turning": ("low speed", "high speed, warm", "rated run, warm", "both ends hot, warm"),
    "received": ("limited step, as received", "first run", "limited step, cold dry"),
    "dried": ("limited step, dry", "rated run, warm", "limited step, cold wet"),
    "humid": ("rated run, humid", "the other way round, humid"),
    "ways": ("rated run, warm", "the other way round, warm"),
}


@dataclass(frozen=True, slots=True)
class Story:
    """What one attempt found. ``swings``: by condition, what ``swing.py`` found of it, mA."""

    part: Part
    limits: Mapping[str, Limit]
    conditions: tuple[Condition, ...] = ()
    checks: tuple[Check, ...] = ()
    facts: Mapping[str, float | str] = field(default_factory=dict)
    swings: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)

    def limit(self, name: str) -> float:
        """A limit's value."""
        return self.limits[name].value

    def of(self, phase: str) -> list[Condition]:
        """The conditions of a phase, in order."""
        return [c for c in self.conditions if c.name in PHASES[phase]]

    def check(self, start: str) -> Check | None:
        """The newest check whose name starts so."""
        return next((c for c in reversed(self.of_part()) if c.name.startswith(start)), None)

    def of_part(self) -> list[Check]:
        """The checks of the part; those of the bench's own meters say nothing of it."""
        return [c for c in self.checks if not c.name.endswith(KNOWN_RESISTOR)]

    def greatest(self) -> Condition | None:
        """The condition with the greatest known leakage; of cut-offs the last vector read."""
        known = [c for c in self.conditions if math.hypot(c.resistive_ma, c.capacitive_ma) > 0.0]
        return max(known, key=lambda c: c.y_ma, default=None)
