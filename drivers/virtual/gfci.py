"""Ground-fault interrupters: the bench's own two-pole device, and a device under test.

A Class A device must trip within (20/I)^1.43 s and must not trip below 4 mA (UL 943 as quoted in
secondary texts). Real devices are faster than the maximum: each one draws its share of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random


def class_a_longest_s(ma: float) -> float:
    """Longest permitted trip time for ``ma`` between 6 and 264 mA, in seconds."""
    return float((20.0 / ma) ** 1.43)


@dataclass(slots=True)
class Interrupter:
    """Integrates towards a trip while the residual current is above its threshold."""

    threshold_ma: float
    share: float  # of the longest permitted trip time
    closed: bool = True
    progress: float = 0.0

    @staticmethod
    def drawn(rng: Random) -> Interrupter:
        """One good Class A device out of the drawer."""
        return Interrupter(rng.uniform(4.8, 5.4), rng.uniform(0.3, 0.6))

    def advance(self, residual_ma: float, dt_s: float) -> None:
        """Charge while above the threshold, discharge below; opens when full."""
        if residual_ma < self.threshold_ma:
            self.progress = max(0.0, self.progress - dt_s / 0.5)
            return
        seconds = self.share * class_a_longest_s(min(residual_ma, 264.0))
        self.progress += dt_s / seconds
        if self.progress >= 1.0:
            self.closed, self.progress = False, 0.0

    def reset(self) -> None:
        self.closed, self.progress = True, 0.0
