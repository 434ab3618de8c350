"""All off without moving a relay under load: what a bench is in is not known when a program starts.

A program that died a moment ago may have left the bus live until the watchdog drops it. So contactors,
sources and everything else go off first; route relays and the lid's lock only once the bus reads dead.
If it doesn't, they stay as they are, and the guard of the next run finds out and locks out.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.errors import DriverError
from drivers.roles import Clock, Station
from procedures.scan import BAY_V
from rig.guard_table import ROUTE_AIDS, ROUTE_PROOF
from rig.wiring import Wiring

DEAD_V = 10.0  # as the guard's
PATIENCE_S, LOOK_S = 3.0, 0.1  # contactors release, meters update
LOOKS = 3  # a line that fails so often in a row is not just noisy
MIRRORS = ("contactor_1_open", "contactor_2_open")


def is_route(output: str) -> bool:
    """Whether this output's contacts carry the load: bay, feed, speed and known load."""
    named = {f"aid_{aid}" for aid in ROUTE_AIDS} | ROUTE_PROOF
    return output.startswith(("bay_", "feed_")) or output in named


def make_safe(
    stations: Mapping[str, Station], wiring: Wiring, clock: Clock, raising: bool = True
) -> bool:
    """Everything off, in that order; whether the bus read dead. Raises the first failure, after every
    line was tried, unless ``raising`` is false."""
    held = frozenset(name for name in wiring.spec.outputs if is_route(name) or name == "lid_lock")
    failures = _off(stations, held)
    dead = _reads_dead(stations, wiring, clock)
    if dead:
        failures += _off(stations, frozenset())
    if failures and raising:
        raise failures[0]
    return dead


def _off(stations: Mapping[str, Station], held: frozenset[str]) -> list[DriverError]:
    failures = []
    for station in stations.values():
        try:
            station.make_safe(held)
        except DriverError as fault:
            failures.append(fault)
    return failures


def _reads_dead(stations: Mapping[str, Station], wiring: Wiring, clock: Clock) -> bool:
    """Mirrors open and a bay voltage taken from now on that is none; False when not in time."""
    from_s, failed = clock.now_s(), 0
    try:
        while clock.now_s() - from_s < PATIENCE_S and failed < LOOKS:
            clock.sleep_until(clock.now_s() + LOOK_S)
            failed = failed + 1 if _look(stations) else 0
            if _dead_now(stations, wiring, clock.now_s(), from_s):
                return True
    except DriverError:  # the clock of a virtual bench that is gone
        pass
    return False


def _look(stations: Mapping[str, Station]) -> DriverError | None:
    """Poll every line; the first fault."""
    for station in stations.values():
        station.poll()
    return next((one.fault for one in stations.values() if one.fault is not None), None)


def refuse_silent(stations: Mapping[str, Station], clock: Clock) -> None:
    """Raise the fault of a line that does not answer when a program starts."""
    for left in reversed(range(LOOKS)):
        fault = _look(stations)
        if fault is None:
            return
        if left == 0:
            raise fault
        clock.sleep_until(clock.now_s() + LOOK_S)


def _dead_now(stations: Mapping[str, Station], wiring: Wiring, now_s: float, from_s: float) -> bool:
    values, taken_s = wiring.values(stations.values(), now_s)
    inputs = wiring.inputs(stations.values(), now_s)
    fresh = taken_s.get(BAY_V, from_s) > from_s
    return fresh and abs(values[BAY_V]) < DEAD_V and all(inputs.get(m) is True for m in MIRRORS)
