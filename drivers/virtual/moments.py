"""When things happened at a bench that runs by the wall clock, for latency figures.

Times are ``time.monotonic`` seconds, on Linux one clock for all processes of a machine. They are
looked at after each tick of the bench, so that each may be late by one tick; a heartbeat counts from
the tick before it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from drivers.virtual.names import CONTACTORS

if TYPE_CHECKING:
    from drivers.virtual.plant import Plant


@dataclass(slots=True)
class Last:
    """The newest moment of each kind; None until it happened."""

    beat_s: float | None = None  # a changed heartbeat
    live_s: float | None = None  # the bus became live
    told_off_s: float | None = None  # a contactor's coil was switched off
    dead_s: float | None = None  # the bus fell dead
    stepped_s: float | None = None  # a hand stepped a leak
    sampled_s: float | None = None  # the leakage meters' first sample after that


class Moments:
    """Notes what changed from tick to tick."""

    def __init__(self) -> None:
        self.last = Last()
        self._live = False
        self._beat_s = 0.0
        self._coils: tuple[bool, ...] = ()
        self._leakage_ma: float | None = None

    def look(self, plant: Plant, now_s: float) -> None:
        """After a tick that ended at ``now_s``."""
        last = self.last
        if plant.beat_s != self._beat_s:
            self._beat_s = plant.beat_s
            last.beat_s = now_s - (plant.t_s - plant.beat_s)  # as the board's own timer counts
        self._bus(plant, now_s)
        leakage_ma = plant.meters.values["leakage_ma"]
        if leakage_ma != self._leakage_ma and last.sampled_s is None:
            last.sampled_s = now_s
        self._leakage_ma = leakage_ma

    def _bus(self, plant: Plant, now_s: float) -> None:
        last = self.last
        coils = tuple(plant.outputs[name] for name in CONTACTORS)
        if any(was and not on for was, on in zip(self._coils, coils, strict=False)):
            last.told_off_s = now_s
        if plant.live and not self._live:
            last.live_s = now_s
        if self._live and not plant.live:
            last.dead_s = now_s
        self._coils, self._live = coils, plant.live

    def stepped(self, now_s: float) -> None:
        """A hand stepped a leak."""
        self.last.stepped_s, self.last.sampled_s = now_s, None

    def told(self) -> dict[str, float | None]:
        """All of them, for the control channel."""
        return asdict(self.last)
