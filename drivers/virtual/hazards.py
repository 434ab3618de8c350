"""What must never happen at the bench, looked for in each step of the plant.

A hazard counts at once, unless a fault began it: then the controller has the time that the fault's
kind allows (``Trouble.grace_s``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from drivers.virtual.account import Account
from drivers.virtual.circuit import LOADED_FEEDS
from drivers.virtual.names import SOURCE_OUTPUTS

if TYPE_CHECKING:
    from drivers.virtual.plant import Plant

CUT_OFF_MA, CUT_OFF_LATE_S = 3.5, 1.5
BAYS = ("bay_1", "bay_2", "bay_3", "bay_4")
TRIPPED_LATE_S = 1.5  # contactors still in after a trip: a reset would energise the part


class Trouble(Protocol):
    """The faults that are in the bench. ``advance`` is called at the end of each step."""

    def advance(self, dt_s: float) -> None: ...

    def grace_s(self, hazard: str) -> float:
        """How long a hazard of this kind may last now, s."""
        ...


def _two_bays(plant: Plant) -> bool:
    contacts = plant.contacts
    return [contacts[bay] for bay in BAYS].count(True) > 1


def _heats_dry(plant: Plant) -> bool:
    if plant.feed not in LOADED_FEEDS or (plant.water.level_ok and plant.water.flow_ok):
        return False
    return any(part.truth.family == "heater" for part in plant.routed)


def _other_feed(plant: Plant) -> bool:
    return plant.feed is not None and not plant.outputs[f"feed_{plant.feed}"]


Check = tuple[str, str, Callable[["Plant"], bool]]
WHILE_LIVE: tuple[Check, ...] = (
    ("two bays", "two bays live", _two_bays),
    ("lid", "live with the lid open or not locked", lambda plant: not plant.lid_locked),
    ("stop live", "live with stop pressed", lambda plant: plant.stop_pressed),
    ("dry fire", "heating without water or flow", _heats_dry),
    ("wrong feed", "live on a feed that was not commanded", _other_feed),
)
SOURCE_WORDS = "test source on with the lid open or a contactor closed"


@dataclass(slots=True)
class HazardWatch:
    """``unproved``: the GFCI has tripped, but not in a test of it, and no test has followed."""

    account: Account
    over_s: float = 0.0
    closed_s: float = 0.0
    unproved: bool = False
    _holding: dict[str, float] = field(default_factory=dict)  # since how long, s
    _legs: set[str] = field(default_factory=set)

    def note(self, plant: Plant, dt_s: float) -> None:
        """Look once, after a step of ``dt_s``. Each step does this: only what may have changed."""
        live = plant.live
        if live or self._holding or self.over_s:
            for kind, words, holds in WHILE_LIVE:
                found = live and holds(plant)
                if found or kind in self._holding:
                    self._mark(plant, dt_s, kind, found, words)
            self._leakage(plant, dt_s, live)
        contacts = plant.contacts
        source = True in [contacts[name] for name in SOURCE_OUTPUTS]
        if source or "source" in self._holding:
            unsafe = source and not (plant.lid_closed and plant.contactors_open)
            self._mark(plant, dt_s, "source", unsafe, SOURCE_WORDS)
        if self.unproved or not plant.gfci.closed or self._holding or self.closed_s:
            self._after_trip(plant, dt_s, live)

    def _leakage(self, plant: Plant, dt_s: float, live: bool) -> None:
        over = live and 1000.0 * abs(plant.world.earth_a) > CUT_OFF_MA
        self.over_s = self.over_s + dt_s if over else 0.0
        late = self.over_s > CUT_OFF_LATE_S
        if late or "leakage" in self._holding:
            self._mark(plant, dt_s, "leakage", late, "above 3.5 mA for more than 1.5 s")

    def _mark(self, plant: Plant, dt_s: float, kind: str, holds: bool, words: str) -> None:
        if not holds:
            if kind in self._holding:
                del self._holding[kind]
                self.account.while_true(plant.t_s, kind, False, words)
            return
        lasted_s = self._holding[kind] = self._holding.get(kind, 0.0) + dt_s
        excused = plant.trouble is not None and lasted_s <= plant.trouble.grace_s(kind) + 1e-9
        self.account.while_true(plant.t_s, kind, not excused, words)

    def tripped(self, plant: Plant) -> None:
        """The GFCI has opened. Trips of both legs by the timed resistors prove it."""
        legs = {leg for leg in ("trip_leg_1", "trip_leg_2") if plant.contacts[leg]}
        self._legs = self._legs | legs if legs else set()
        self.unproved = len(self._legs) < 2 if self.unproved else not legs

    def _after_trip(self, plant: Plant, dt_s: float, live: bool) -> None:
        closed = not plant.gfci.closed and not plant.contactors_open
        self.closed_s = self.closed_s + dt_s if closed else 0.0
        late = self.closed_s > TRIPPED_LATE_S
        words = "contactors in 1.5 s after the GFCI has tripped"
        self._mark(plant, dt_s, "closed after a trip", late, words)
        untested = live and self.unproved and bool(plant.routed)
        words = "a part live after a trip, the GFCI not tested"
        self._mark(plant, dt_s, "live after a trip", untested, words)
