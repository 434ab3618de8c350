"""A mounted part: its load between terminals A and B, its leaks to the chassis, its DC resistances."""

from __future__ import annotations

import cmath
import math
from random import Random

from drivers.virtual.leaks import Around, Leak
from drivers.virtual.network import Network
from drivers.virtual.truth import PartTruth

MOTORS = frozenset({"pump", "circulation_pump", "blower"})
SPREAD_AT = (0.1, 0.3, 0.5, 0.7, 0.9)
CONTACT_S = 200.0  # a closed relay contact or clip, 5 milliohm
STALLED = 5.5  # locked-rotor current relative to rated
LOCKED_FACTOR = 0.5  # power factor while the rotor is not up to speed
NEEDS = 0.7  # a motor runs up only above this share of its rated voltage
RUN_UP_S = (0.25, 0.55)  # locked until, running from
INSULATION_MAX_MOHM = 1000.0
EARTH_STRAY_S = 1e-9


class MountedPart:
    """A part in a bay. ``ran_s`` is how long its motor has been running up or running."""

    def __init__(self, serial: str, truth: PartTruth, rng: Random, mounted_s: float = 0.0) -> None:
        self.serial, self.truth, self.mounted_s = serial, truth, mounted_s
        self.leaks = [Leak(leak, rng) for leak in truth.leaks]
        self.around = Around()
        self.ran_s = 0.0
        self.tripped = False  # a GFCI under test
        self.motor = truth.family in MOTORS
        self.load = self._load("high")

    def advance(self, around: Around, volts: float) -> bool:
        """Move by one step with ``volts`` r.m.s. across the terminals; true: solve again."""
        self.around = around
        changed = False
        for leak in self.leaks:
            changed |= leak.advance(around)
        if self.motor:
            changed |= self._turn(around, volts)
        return changed

    def step_leaks(self, ma: float) -> bool:
        """Set the resistive part of each leak with the law "step"; false: the part has none."""
        stepped = [leak for leak in self.leaks if leak.truth.law == "step"]
        for leak in stepped:
            leak.level = ma
            leak.advance(self.around)
        return bool(stepped)

    def runs(self, volts: float) -> bool:
        """Whether the motor turns: enough volts and not stuck."""
        return self.motor and self.truth.stuck_a is None and volts > NEEDS * self.truth.rated_v

    def _turn(self, around: Around, volts: float) -> bool:
        self.ran_s = self.ran_s + around.dt_s if self.runs(volts) else 0.0
        load = self._load(around.speed)
        if load == self.load:
            return False
        self.load = load
        return True

    def _load(self, speed: str) -> complex:
        """Admittance between the terminals, S."""
        truth = self.truth
        if truth.dead_load or truth.family == "gfci":
            return 0j
        if truth.stuck_a:
            return _lagging(truth.stuck_a / truth.rated_v, LOCKED_FACTOR)
        if not self.motor:
            watts = truth.rated_w or truth.rated_v * (truth.rated_a or 0.0)
            return _lagging(watts / truth.power_factor / truth.rated_v**2, truth.power_factor)
        rated_a = truth.low_a if speed == "low" and truth.low_a else truth.rated_a or 0.0
        locked, running = RUN_UP_S
        up = min(1.0, max(0.0, (self.ran_s - locked) / (running - locked)))
        factor = LOCKED_FACTOR + (truth.power_factor - LOCKED_FACTOR) * up
        return _lagging(rated_a * (STALLED + (1.0 - STALLED) * up) / truth.rated_v, factor)

    # ---- in the network --------------------------------------------------------------------------

    def connect(self, net: Network, a: int, b: int, sensor: int) -> int:
        """Put load, leaks and chassis between terminal nodes ``a``, ``b``; the chassis node."""
        chassis = net.node()
        net.branch(chassis, sensor, self.bond_siemens())
        taps: dict[float, complex] = {}
        for leak in self.leaks:
            places = SPREAD_AT if leak.truth.spread else (leak.truth.at,)
            for place in places:
                taps[place] = taps.get(place, 0j) + leak.shown / len(places)
        self._chain(net, a, b, chassis, taps)
        return chassis

    def _chain(
        self, net: Network, a: int, b: int, chassis: int, taps: dict[float, complex]
    ) -> None:
        """The element as a chain of pieces with a leak at each tap."""
        for end, node in ((0.0, a), (1.0, b)):
            if end in taps:
                net.branch(node, chassis, taps[end])
        at, here = 0.0, a
        for place in sorted(place for place in taps if 0.0 < place < 1.0):
            node = net.node()
            net.branch(here, node, self.load / (place - at))
            net.branch(node, chassis, taps[place])
            at, here = place, node
        if self.load:
            net.branch(here, b, self.load / (1.0 - at))

    def bond_siemens(self) -> float:
        """Chassis to the earth side of the fixture."""
        return 1.0 / (self.bond_total_ohm() + 1e-4) if self.truth.grounded else EARTH_STRAY_S

    # ---- dead tests --------------------------------------------------------------------------------

    def bond_total_ohm(self) -> float:
        """Chassis to earth bar, the part's lead included."""
        return self.truth.bond_ohm + self.truth.lead_ohm if self.truth.grounded else math.inf

    def winding_ohm(self, speed: str) -> float:
        """Terminal to terminal, DC."""
        truth = self.truth
        if truth.dead_load:
            return math.inf
        if truth.winding_ohm:
            slow = (truth.rated_a or 1.0) / truth.low_a if truth.low_a and speed == "low" else 1.0
            return truth.winding_ohm * slow
        return 1.0 / self.load.real if self.load.real else math.inf

    def insulation_mohm(self) -> float:
        """Both terminals tied to chassis, DC: capacitance does not count."""
        siemens = sum(leak.admittance().real for leak in self.leaks)
        if not self.truth.grounded or siemens <= 1e-6 / INSULATION_MAX_MOHM:
            return INSULATION_MAX_MOHM
        return min(INSULATION_MAX_MOHM, 1e-6 / siemens)


def _lagging(siemens: float, factor: float) -> complex:
    return cmath.rect(siemens, -math.acos(factor))
