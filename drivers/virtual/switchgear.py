"""Contactors with their delays, and hardware-timed resistors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.virtual.names import FEEDS

PULL_IN_S, DROP_OUT_S = 0.030, 0.020


@dataclass(slots=True)
class Delayed:
    """Follows a command after a delay: a contactor, a lid lock, a relay. ``welds``: once closed it
    stays closed."""

    on_s: float = PULL_IN_S
    off_s: float = DROP_OUT_S
    state: bool = False
    welds: bool = False
    _wanted: bool = False
    _since_s: float = 0.0

    def advance(self, wanted: bool, t_s: float, dt_s: float) -> bool:
        """True when it moved. The command stood since the beginning of this step."""
        if wanted != self._wanted:
            self._wanted, self._since_s = wanted, t_s - dt_s
        delay_s = self.on_s if wanted else self.off_s
        if self.state == wanted or t_s - self._since_s < delay_s - 1e-9:
            return False
        if self.welds and self.state:
            return False
        self.state = wanted
        return True


@dataclass(slots=True)
class Timed:
    """A resistor that its own timer takes out after ``longest_s``; off and on again rearms it."""

    longest_s: float
    on_for_s: float = 0.0
    state: bool = False

    def advance(self, wanted: bool, dt_s: float) -> bool:
        """True when it moved."""
        self.on_for_s = self.on_for_s + dt_s if wanted else 0.0
        state = wanted and self.on_for_s <= self.longest_s + dt_s
        moved = state != self.state
        self.state = state
        return moved


@dataclass(slots=True)
class BadRelays:
    """Relays that don't do what their coils are told. ``dead`` never close; ``sticking`` stay closed
    once they close, and are then ``stuck``. The feed relays are interlocked mechanically: one that is
    stuck keeps the others from closing."""

    dead: list[str] = field(default_factory=list)
    sticking: list[str] = field(default_factory=list)
    stuck: set[str] = field(default_factory=set)

    def contacts(self, outputs: Mapping[str, bool]) -> dict[str, bool]:
        """What is really closed while the coils are as in ``outputs``."""
        closed = {name: on and name not in self.dead for name, on in outputs.items()}
        self.stuck = {n for n in self.sticking if n in self.stuck or closed[n]}
        if self.stuck:
            closed.update({f"feed_{feed}": f"feed_{feed}" in self.stuck for feed in FEEDS})
        return closed
