"""The bench as a network: supply, contactors, feeds, bays, sensors and test resistors.

Node voltages come from ``network.Network``; this file only says what is connected to what.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random

from drivers.virtual.network import EARTH, Network
from drivers.virtual.parts import CONTACT_S, MountedPart

LINE_S = 1.0 / 0.02  # wiring and breaker of one conductor
SENSOR_S = 1.0 / 0.05  # the ground conductor with its sensor
OMEGA = math.tau * 60.0
FLOATING_S = 1j * OMEGA * 1e-9  # what a supply without its neutral-earth bond has to earth: 1 nF
KNOWN_LOAD_S = 1.0 / 12.0  # 4.8 kW at 240 V, 1.2 kW at 120 V
LOADED_FEEDS = frozenset({"line_neutral", "neutral_line", "line_line"})
# feed -> (bus of terminal A, bus of terminal B); buses are leg 1, leg 2, neutral
FEED_ENDS: Mapping[str, tuple[int, int]] = {
    "line_neutral": (0, 2),
    "neutral_line": (2, 0),
    "both_hot": (0, 0),
    "line_line": (0, 1),
}


@dataclass(frozen=True, slots=True)
class Fixture:
    """What the bench itself adds. Admittances in siemens, drawn once within their tolerance."""

    series_s: float  # the limited feed's 47 kohm
    control_s: float  # 480 kohm
    reference_s: Mapping[str, complex]
    injection_s: Mapping[str, float]
    stray_s: Mapping[str, complex]  # by feed, hot terminal to the fixture's metal
    imbalance: float  # of the residual sensor, per ampere of load

    @staticmethod
    def drawn(rng: Random) -> Fixture:
        """A bench whose resistors err by at most 0.5 % and whose wiring leaks 0.01 to 0.03 mA."""

        def within(ohm: float) -> float:
            return 1.0 / (ohm * (1.0 + rng.uniform(-0.004, 0.004)))

        series, control = within(47_000.0), within(480_000.0)
        references: dict[str, complex] = {
            "reference_resistive": complex(within(160_000.0)),
            "reference_capacitive": 1j * OMEGA * 16.6e-9 * (1.0 + rng.uniform(-0.004, 0.004)),
        }
        trip, hold = (within(120.0 / 0.00645) for _ in "12"), (within(33_600.0) for _ in "12")
        injections = dict(
            zip(
                ("trip_leg_1", "trip_leg_2", "hold_leg_1", "hold_leg_2"),
                (*trip, *hold),
                strict=True,
            )
        )
        strays = {
            feed: 1j * rng.uniform(0.010, 0.030) / 120_000.0 for feed in ("limited", *FEED_ENDS)
        }
        imbalance = rng.choice((-1.0, 1.0)) * rng.uniform(3e-7, 8e-7)
        return Fixture(series, control, references, injections, strays, imbalance)


@dataclass(frozen=True, slots=True)
class Switches:
    """What is closed while the bus is live. ``on`` holds references, timed resistors, control.

    ``referenced``: neutral is bonded to earth upstream; ``earthed``: the bar's earth lead is on."""

    feed: str | None
    parts: tuple[MountedPart, ...]
    on: frozenset[str]
    referenced: bool = True
    earthed: bool = True


@dataclass(frozen=True, slots=True)
class Solution:
    """Phasors per volt of leg 1 and of leg 2; combine with the supply's volts."""

    earth_a: Sequence[complex]  # through the ground conductor
    injected_a: Sequence[complex]
    across_v: Sequence[complex]  # terminal A to B
    terminal_a_v: Sequence[complex]
    load_a: Sequence[complex]
    known_load_s: float


def solve(fixture: Fixture, switches: Switches) -> Solution:
    """The live bus with everything that is connected to it."""
    net = Network()
    buses = (net.node(), net.node(), net.node())
    star = EARTH if switches.referenced else net.node()
    for column, (bus, sign) in enumerate(zip(buses, (1.0, -1.0), strict=False)):
        net.source(bus, LINE_S, column, sign, star)
    net.branch(buses[2], star, LINE_S)  # neutral, bonded to earth upstream
    if star != EARTH:
        net.branch(star, EARTH, FLOATING_S)
    a, b, metal = net.node(), net.node(), net.node()
    sensor_s = SENSOR_S if switches.earthed else 0.0
    net.branch(metal, EARTH, sensor_s)
    _feed(net, fixture, switches.feed, buses, (a, b, metal))
    load_s = _load(net, switches, a, b, metal, buses[0], fixture.control_s)
    for name, siemens in fixture.reference_s.items():
        if name in switches.on:
            net.branch(buses[0], metal, siemens)
    taps = _injections(net, fixture, switches.on, buses)
    return _read(net.solve(2), (a, b, metal), sensor_s, taps, load_s, switches)


def _feed(
    net: Network,
    fixture: Fixture,
    feed: str | None,
    buses: tuple[int, int, int],
    ends: tuple[int, int, int],
) -> None:
    a, b, metal = ends
    if feed is None:
        return
    if feed == "limited":
        net.branch(buses[0], a, fixture.series_s)
        net.branch(a, b, CONTACT_S)
    else:
        first, second = FEED_ENDS[feed]
        net.branch(buses[first], a, CONTACT_S)
        net.branch(buses[second], b, CONTACT_S)
    net.branch(b if feed == "neutral_line" else a, metal, fixture.stray_s[feed])


def _load(
    net: Network, switches: Switches, a: int, b: int, metal: int, leg_1: int, control_s: float
) -> complex:
    """Parts and known load; the admittance between the terminals, S."""
    total = 0j
    for part in switches.parts:
        chassis = part.connect(net, a, b, metal)
        total += part.load
        if "positive_control" in switches.on:
            net.branch(leg_1, chassis, control_s)
    if "known_load" in switches.on:
        net.branch(a, b, KNOWN_LOAD_S)
        total += KNOWN_LOAD_S
    return total


def _injections(
    net: Network, fixture: Fixture, on: frozenset[str], buses: tuple[int, int, int]
) -> list[tuple[int, float]]:
    """Resistors from a load-side leg to the source earth bar, past the ground conductor's sensor."""
    taps = []
    for name, siemens in fixture.injection_s.items():
        if name in on:
            bus = buses[0] if name.endswith("1") else buses[1]
            net.branch(bus, EARTH, siemens)
            taps.append((bus, siemens))
    return taps


def _read(
    volts: list[list[complex]],
    ends: tuple[int, int, int],
    sensor_s: float,
    taps: list[tuple[int, float]],
    load_s: complex,
    switches: Switches,
) -> Solution:
    a, b, metal = ends
    across = [volts[a][k] - volts[b][k] for k in (0, 1)]
    return Solution(
        earth_a=[volts[metal][k] * sensor_s for k in (0, 1)],
        injected_a=[sum((volts[n][k] * s for n, s in taps), 0j) for k in (0, 1)],
        across_v=across,
        terminal_a_v=list(volts[a]),
        load_a=[load_s * volt for volt in across],
        known_load_s=KNOWN_LOAD_S if "known_load" in switches.on else 0.0,
    )
