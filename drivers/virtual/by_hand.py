"""What a technician does to the bench itself while it is commissioned: supply, interlocks, a lamp.

An interlock that is held open reads open, whatever the water does; the physics stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from drivers.errors import Refused
from drivers.virtual.truth import PartTruth

if TYPE_CHECKING:
    from drivers.virtual.plant import Plant

LAMP = PartTruth(family="light", model="lamp", rated_v=120.0, rated_w=60.0)
MOST_V = 130.0
LIT_V = 10.0  # a voltmeter or a 24 V lamp at the clips shows it
HELD = frozenset({"level_ok", "flow_ok", "thermal_ok", "hood_ok", "earth_ok"})


def _gfci(plant: Plant, opened: bool) -> None:
    plant.reset_gfci()
    plant.gfci.closed = not opened


# interlocks that are moved themselves; those of HELD are held
MOVED: Mapping[str, Callable[[Plant, bool], None]] = {
    "lid_closed": lambda plant, opened: plant.lid(not opened),
    "stop_healthy": lambda plant, opened: plant.stop(opened),
    "arm_pressed": lambda plant, opened: plant.arm(opened),
    "gfci_live": _gfci,
}


def interlock(plant: Plant, name: str, opened: bool) -> None:
    """Open an interlock, or let it close again. Raises Refused: unknown, or the lid is locked."""
    if name in MOVED:
        MOVED[name](plant, opened)
    elif name not in HELD:
        known = ", ".join(sorted(HELD | MOVED.keys()))
        raise Refused("bench", f"no interlock {name!r}", known)
    elif opened:
        plant.held_open.add(name)
    else:
        plant.held_open.discard(name)


def connect(plant: Plant, volts: float) -> None:
    """Put ``volts`` per leg on the supply terminals in place of what is there; 0: locked out."""
    if not 0.0 <= volts <= MOST_V:
        raise Refused("bench", f"{volts} V per leg", f"0 to {MOST_V:g} V")
    if plant.live:
        raise Refused("bench", "the contactors are closed", "switch off first")
    plant.supply.leg_v = volts


def lit_bay(plant: Plant) -> str:
    """At which bay's clips a voltmeter shows something: its name, "several" or "none"."""
    on = plant.live and plant.feed is not None and plant.supply.leg_1_v > LIT_V
    bays = [f"bay {n}" for n in range(1, plant.bays + 1) if on and plant.contacts[f"bay_{n}"]]
    return bays[0] if len(bays) == 1 else "several" if bays else "none"


SEEN: Mapping[str, Callable[[Plant], str]] = {  # what is seen of the bench, not of a part
    "lit_bay": lit_bay,
    "supply_by_hand": lambda plant: f"{plant.supply.leg_1_v:.1f}",
}
