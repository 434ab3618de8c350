"""Faults of the bench itself: contactors, relays, interlocks, supply, earth, GFCI, water.

Times allowed: what an input tells at once is off within 0.5 s (a few scans and the contactors'
drop-out). What a meter has to tell takes 1.5 s: sampling, reading, and a scan or two for doubt.
Without an entry no time decides: such a fault does no harm by itself, but it may take away a
protection or falsify a reading, which the other hazards and the verdict show.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from drivers.virtual.fault import Begin, Fault, Kind, Scene, Undo
from drivers.virtual.names import COILS, CONTACTORS, FEEDS
from drivers.virtual.plant import Plant
from drivers.virtual.switchgear import BadRelays

SEEN_S, MEASURED_S = 0.5, 1.5
EARTH_DELAY_S = 0.2  # of the loop that watches the earth lead
BROWN_OUT, OVER_VOLTAGE = 0.70, 1.15
FEED_RELAYS = tuple(f"feed_{feed}" for feed in FEEDS)


def _weld(scene: Scene, fault: Fault) -> Undo:
    contactor = scene.plant.contactors[fault.where]

    def weld(on: bool) -> None:
        contactor.welds = on

    weld(True)
    return lambda: weld(False)


def _bad_relay(listed: Callable[[BadRelays], list[str]]) -> Begin:
    def begin(scene: Scene, fault: Fault) -> Undo:
        plant = scene.plant
        bad = plant.bad_relays = plant.bad_relays or BadRelays()
        listed(bad).append(fault.where)
        plant.disturb()
        return lambda: _replace_relay(plant, bad, listed(bad), fault.where)

    return begin


def _replace_relay(plant: Plant, bad: BadRelays, names: list[str], name: str) -> None:
    names.remove(name)
    if not bad.dead and not bad.sticking:
        plant.bad_relays = None
    plant.disturb()


def _lie(scene: Scene, fault: Fault) -> Undo:
    """``contactor_1 open``: the mirror contact says open, whatever the contactor does."""
    name, says = fault.where.split()
    return _says(scene.plant, f"{name}_open", says == "open")


def _says(plant: Plant, name: str, on: bool) -> Undo:
    plant.lies[name] = on

    def honest() -> None:
        plant.lies.pop(name, None)

    return honest


def _open_lid(scene: Scene, fault: Fault) -> Undo:
    plant = scene.plant
    was_closed = plant.lid_closed
    plant.force_lid()

    def close() -> None:
        if was_closed and not plant.lid_closed:
            plant.lid(True)

    return close


def _press_stop(scene: Scene, fault: Fault) -> Undo:
    scene.plant.stop(True)
    return lambda: scene.plant.stop(False)


def _sag(share: float) -> Begin:
    def begin(scene: Scene, fault: Fault) -> Undo:
        supply = scene.plant.supply

        def set_share(there: float) -> None:
            supply.share = there

        set_share(share)
        return lambda: set_share(1.0)

    return begin


def _lose_reference(scene: Scene, fault: Fault) -> Undo:
    plant = scene.plant

    def bonded(there: bool) -> None:
        plant.referenced = there
        plant.disturb()

    bonded(False)
    return lambda: bonded(True)


def _lose_earth(scene: Scene, fault: Fault) -> Undo:
    plant = scene.plant

    def earthed(there: bool, alarm_s: float) -> None:
        plant.earthed, plant.earth_alarm_s = there, alarm_s
        plant.disturb()

    earthed(False, plant.t_s + EARTH_DELAY_S if fault.where == "shown" else math.inf)
    return lambda: earthed(True, math.inf)


def _deaden_gfci(scene: Scene, fault: Fault) -> Undo:
    gfci = scene.plant.gfci
    sound_ma = gfci.threshold_ma

    def set_threshold(ma: float) -> None:
        gfci.threshold_ma = ma

    set_threshold(math.inf)
    return lambda: set_threshold(sound_ma)


def _trip(scene: Scene, fault: Fault) -> Undo:
    """Once. Resetting it is for the hands."""
    scene.plant.trip()
    return lambda: None


def _burst(scene: Scene, fault: Fault) -> Undo:
    water = scene.plant.water

    def burst(on: bool) -> None:
        water.burst = on

    burst(True)
    return lambda: burst(False)


def _block(scene: Scene, fault: Fault) -> Undo:
    water = scene.plant.water

    def block(on: bool) -> None:
        water.blocked = on

    block(True)
    return lambda: block(False)


def _nothing(scene: Scene, fault: Fault) -> Undo:
    return lambda: None


def _too_hot(scene: Scene, fault: Fault) -> Undo:
    return _says(scene.plant, "thermal_ok", False)


def _kind(
    words: str,
    begin: Begin,
    where: tuple[str, ...],
    allowed_s: Mapping[str, float] | None = None,
    grace: tuple[str, ...] = (),
    lies: bool = False,
) -> Kind:
    return Kind("bench", words, where, begin, lies, allowed_s or {}, dict.fromkeys(grace, SEEN_S))


MIRRORS = tuple(f"{name} {says}" for name in CONTACTORS for says in ("open", "closed"))
BENCH: Mapping[str, Kind] = {
    "welded": _kind("a contactor stays in", _weld, CONTACTORS),
    "dead_relay": _kind(
        "a relay does not close any more",
        _bad_relay(lambda bad: bad.dead),
        tuple(COILS),
        grace=("lid", "source", "dry fire"),  # the lock opens, the water stops
        lies=True,
    ),
    "mirror": _kind(
        "a mirror contact lies",
        _lie,
        MIRRORS,
        dict.fromkeys((where for where in MIRRORS if where.endswith("open")), SEEN_S),
    ),
    "lid": _kind("the lid is forced open", _open_lid, ("lid",), {"lid": SEEN_S}, ("lid", "source")),
    "stop": _kind(
        "stop is pressed", _press_stop, ("stop",), {"stop": SEEN_S}, ("stop live", "source")
    ),
    "brown_out": _kind(
        "the supply sags to 70 %", _sag(BROWN_OUT), ("supply",), {"supply": MEASURED_S}, lies=True
    ),
    "over_voltage": _kind(
        "the supply rises to 115 %", _sag(OVER_VOLTAGE), ("supply",), {"supply": MEASURED_S}
    ),
    "reference_lost": _kind(
        "neutral has lost its earth upstream", _lose_reference, ("supply",), lies=True
    ),
    "ground_lost": _kind(
        "the earth bar has lost its lead",
        _lose_earth,
        ("shown", "silent"),
        {"shown": EARTH_DELAY_S + SEEN_S},
        lies=True,
    ),
    "gfci_dead": _kind("the GFCI will not trip", _deaden_gfci, ("gfci",)),
    "gfci_trips": _kind("the GFCI trips", _trip, ("gfci",)),
    "water_lost": _kind("the water runs out", _burst, ("water",), grace=("dry fire",), lies=True),
    "flow_lost": _kind("the water stands still", _block, ("water",), grace=("dry fire",)),
    "thermal": _kind("the thermal cut-out opens", _too_hot, ("water",), {"water": SEEN_S}),
    "program": _kind(  # it fails elsewhere; the bench only times what follows, by its watchdog
        "nothing here: the controller's program fails", _nothing, ("program",), {"program": 1.5}
    ),
    "feed_stuck": _kind(
        "a feed relay stays closed",
        _bad_relay(lambda bad: bad.sticking),
        FEED_RELAYS,
        lies=True,
    ),
}
