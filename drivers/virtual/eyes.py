"""What a person standing at the bench would see."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.virtual.meters import World
from drivers.virtual.parts import MountedPart

CALM: Mapping[str, str] = {  # answers that don't depend on the part
    "look": "clean",
    "output_v": "12.1",
}


def _draws(part: MountedPart, world: World) -> bool:
    return bool(part.load) and world.live and abs(world.load_a) > 0.0


def _moves(part: MountedPart, world: World) -> bool:
    return part.runs(abs(world.across_v)) if world.live else part.truth.stuck_a is None


# what can be seen working: (part, world) -> works
WORKING: Mapping[str, Callable[[MountedPart, World], bool]] = {
    "lamp_on": _draws,
    "water_flows": _moves,
    "air_flows": _moves,
}


def seen(key: str, part: MountedPart | None, world: World) -> str:
    """The answer to ``key`` for the part in a bay: its own words, else what can be seen, else yes."""
    if part is None:
        return CALM.get(key, "yes")
    if key in part.truth.eyes:
        return part.truth.eyes[key]
    if key in WORKING:
        return "yes" if WORKING[key](part, world) else "no"
    return CALM.get(key, "yes")
