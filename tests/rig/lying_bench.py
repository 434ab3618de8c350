"""A tiny bench that lags, bounces, lies and goes stale, for the guard's state machine."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from procedures.scan import Demand
from rig.guard_seen import Decision, Seen
from tests.rig.guard_world import INPUTS, World

MIRRORS = ("contactor_1_open", "contactor_2_open")


@dataclass
class LyingBench(World):
    """Relays close up to one scan late and drop out ``lag`` scans late, mirrors bounce, meters may
    keep an old reading."""

    lag: int = 0
    bounce: int = 0
    frozen: frozenset[str] = frozenset()
    past: deque[frozenset[str]] = field(default_factory=lambda: deque(maxlen=8))
    old: dict[str, tuple[float, float]] = field(default_factory=dict)

    def look(self) -> Seen:
        """The next scan's readings."""
        commanded, self.past = self.on, self.past or deque([self.on], maxlen=8)
        told = list(self.past)[: len(self.past) - min(self.lag, 1)] or [self.past[0]]
        self.on = frozenset().union(*told[-1 - self.lag :])
        inputs, values = self.inputs(), self.values()
        self.on = commanded
        if self.bounce:
            self.bounce -= 1
            inputs |= dict.fromkeys(MIRRORS, self.bounce % 2 == 0)
        for name, value in self.force.items():
            _set(inputs if name in INPUTS else values, name, value)
        taken_s = dict.fromkeys(values, self.t_s)
        for name in self.frozen & self.old.keys() & values.keys():
            values[name], taken_s[name] = self.old[name]
        self.old = {name: (value, taken_s[name]) for name, value in values.items()}
        leaks = [values[n] for n in ("leakage_ma", "second_leakage_ma") if n in values]
        worst = max(leaks, default=None)
        more = (self.dirty_s, self.recorder_ok, self.contradiction, worst)
        return Seen(self.t_s, values, taken_s, inputs, *more)

    def step(self, demand: Demand) -> Decision:
        """One scan."""
        self.seen = self.look()
        decision = self.guard.decide(self.seen, demand)
        self.on = decision.on
        self.past.append(self.on)
        return decision


def _set(readings: dict[str, bool] | dict[str, float], name: str, value: float | None) -> None:
    if value is None:
        readings.pop(name, None)
    else:
        readings[name] = value  # type: ignore[assignment]
