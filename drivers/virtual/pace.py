"""Simulated time: told by the controller (lockstep), or by the wall clock.

In lockstep the controller says how far to advance. After 1 s of wall time without an advance the
bench runs free, so that a hung controller still meets its watchdog.
"""

from __future__ import annotations

import time

from drivers.virtual.moments import Moments
from drivers.virtual.plant import Plant

FREE_AFTER_S = 1.0
LONGEST_CATCH_UP_S = 0.5  # a machine that stalled doesn't make the bench jump


class Pace:
    """Moves a plant. ``now_s`` is wall time, passed in by whoever ticks."""

    def __init__(self, plant: Plant, lockstep: bool, now_s: float | None = None) -> None:
        self.plant, self.lockstep = plant, lockstep
        self.moments = Moments()
        start_s = time.monotonic() if now_s is None else now_s
        self._told_s, self._ticked_s = start_s, start_s

    def advance(self, seconds: float, now_s: float) -> float:
        """The controller's step; returns the simulated time after it."""
        self.plant.step(seconds)
        self._told_s = self._ticked_s = now_s
        return self.plant.t_s

    def free(self, now_s: float) -> bool:
        """Whether the bench runs by the wall clock."""
        return not self.lockstep or now_s - self._told_s > FREE_AFTER_S

    def tick(self, now_s: float) -> None:
        """Called often; moves the plant only while it runs free."""
        elapsed_s = min(now_s - self._ticked_s, LONGEST_CATCH_UP_S)
        self._ticked_s = now_s
        if self.free(now_s) and elapsed_s > 0.0:
            self.plant.step(elapsed_s)
            self.moments.look(self.plant, now_s)
