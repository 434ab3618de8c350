"""The bench's own account of hazards: what must never happen, counted by the plant itself."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Hazard:
    """One onset: when (simulated seconds), which kind, in words."""

    t_s: float
    kind: str
    words: str


@dataclass(slots=True)
class Account:
    """Each hazard counts once per onset."""

    entries: list[Hazard] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    _active: set[str] = field(default_factory=set)

    @property
    def hazards(self) -> int:
        return len(self.entries)

    def event(self, t_s: float, kind: str, words: str) -> None:
        """Something that happens at once."""
        self.entries.append(Hazard(t_s, kind, words))
        self.kinds[kind] += 1

    def while_true(self, t_s: float, kind: str, active: bool, words: str) -> None:
        """A condition that lasts: counted when it begins."""
        if not active:
            self._active.discard(kind)
        elif kind not in self._active:
            self._active.add(kind)
            self.event(t_s, kind, words)
