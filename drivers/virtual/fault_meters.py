"""Instrument faults: a channel that tells something else than it measures.

A channel is one sensor with all that it tells: a leakage sensor's r.m.s. value and its parts go wrong
together. The plant's own quantities stay as they are; only what is read changes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from drivers.virtual.fault import Begin, Fault, Kind, Number, Scene, Undo
from drivers.virtual.fault_wires import CUT_OFF_S, hang, silent_unit
from drivers.virtual.instruments import NOISE, STATED
from drivers.virtual.scpi import FIELDS
from drivers.virtual.wires import SUPPLY_UNIT

REBOOT_S, LOST_SCALE = 0.5, 0.1


class Channel(NamedTuple):
    """What one sensor tells, over which line (and unit there), and how it drifts by default, in its
    unit per minute: towards the harmless, so that a bad part looks better than it is."""

    quantities: tuple[str, ...]
    wire: str
    unit: int | None
    per_min: float


SECOND = tuple(f"second_{name}" for name in FIELDS[:3])
CHANNELS: Mapping[str, Channel] = {
    "leakage": Channel(FIELDS, "leakage", None, -0.6),
    "second_leakage": Channel(SECOND, "panel", SUPPLY_UNIT, -0.6),
    "bay_v": Channel(("bay_v",), "panel", SUPPLY_UNIT, -30.0),
    "supply_v": Channel(("supply_v",), "panel", SUPPLY_UNIT, 6.0),
    "temperature": Channel(("temperature_c",), "panel", SUPPLY_UNIT, -6.0),
    "load_a": Channel(("load_a", "power_w"), "panel", SUPPLY_UNIT, 1.0),
    "conductivity": Channel(("conductivity_ms_cm",), "panel", SUPPLY_UNIT, 0.5),
    "bond": Channel(("bond_ohm",), "ohms", None, -0.6),
    "insulation": Channel(("insulation_mohm",), "ohms", None, 60.0),
    "ohms": Channel(("resistance_ohm",), "ohms", None, 1.0),
}
Values = dict[str, float]
Lie = Callable[[Values], None]


def _frozen(scene: Scene, fault: Fault, channel: Channel) -> Lie:
    """The last digits; a meter that never showed any freezes at its first ones."""
    last = {**scene.plant.meters.last_dead, **scene.plant.meters.values}
    held = {name: last[name] for name in channel.quantities if name in last}

    def lie(values: Values) -> None:
        for name in channel.quantities:
            if name in values:
                values[name] = held.setdefault(name, values[name])

    return lie


def _constant(number: float) -> Callable[[Scene, Fault, Channel], Lie]:
    def made(scene: Scene, fault: Fault, channel: Channel) -> Lie:
        def lie(values: Values) -> None:
            values.update(dict.fromkeys(values.keys() & set(channel.quantities), number))

        return lie

    return made


def _drift(scene: Scene, fault: Fault, channel: Channel) -> Lie:
    """The first quantity moves evenly; what else the channel tells moves with it in proportion."""
    rate = fault.how.get("per_min", channel.per_min) / 60.0

    def lie(values: Values) -> None:
        lead = values.get(channel.quantities[0])
        if not lead:
            return
        shown = max(0.0, lead + rate * (scene.plant.t_s - fault.onset_s))
        for name in channel.quantities:
            values[name] *= shown / lead

    return lie


def _scale(scene: Scene, fault: Fault, channel: Channel) -> Lie:
    def lie(values: Values) -> None:
        for name in values.keys() & set(channel.quantities):
            values[name] *= LOST_SCALE

    return lie


def _blind(scene: Scene, fault: Fault, channel: Channel) -> Lie:
    """Nothing but the instrument's own noise about zero."""

    def lie(values: Values) -> None:
        parts = [name for name in channel.quantities if name in values]
        for name in parts:
            floor = STATED.get(name, STATED["leakage_ma"])[1]
            values[name] = abs(scene.rng.gauss(0.0, NOISE * floor))
        if len(parts) > 2:  # a vector: its length comes first
            values[parts[0]] = math.hypot(*(values[name] for name in parts[1:]))

    return lie


def _lying(make: Callable[[Scene, Fault, Channel], Lie]) -> Begin:
    def begin(scene: Scene, fault: Fault) -> Undo:
        lie = make(scene, fault, CHANNELS[fault.where])
        lying = scene.plant.meters.lying
        lying.append(lie)
        return lambda: lying.remove(lie)

    return begin


def _power_cycle(scene: Scene, fault: Fault) -> Undo:
    """Silent while it starts, then with the wrong scale."""
    channel, plant = CHANNELS[fault.where], scene.plant
    sound = _lying(_scale)(scene, fault)
    if channel.wire not in scene.wires:
        return sound
    starting = silent_unit(channel.unit, lambda: plant.t_s < fault.onset_s + REBOOT_S)
    awake = hang(scene, scene.wires[channel.wire], fault, starting)

    def both() -> None:
        sound()
        awake()

    return both


# a reading that the guard needs is missing then: stale after 0.6 to 0.8 s at the latest
_MISSED = dict.fromkeys(("leakage", "second_leakage", "bay_v", "supply_v"), CUT_OFF_S)


def _kind(
    words: str,
    begin: Begin,
    allowed_s: Mapping[str, float] | None = None,
    takes: Mapping[str, Number] | None = None,
) -> Kind:
    return Kind("instrument", words, tuple(CHANNELS), begin, True, allowed_s or {}, {}, takes or {})


INSTRUMENT: Mapping[str, Kind] = {
    "frozen": _kind("a meter keeps its last digits", _lying(_frozen)),
    "nan": _kind("a meter says that it has no number", _lying(_constant(math.nan)), _MISSED),
    "over_range": _kind("a meter is over its range", _lying(_constant(math.inf)), _MISSED),
    "drift": _kind(
        "a meter drifts away",
        _lying(_drift),
        takes={"per_min": Number(None, -1000.0, 1000.0)},
    ),
    "scale": _kind("a meter starts anew and has lost its scale", _power_cycle),
    "blind": _kind("a meter reads zero", _lying(_blind)),
}
