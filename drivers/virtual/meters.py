"""Sampling: the world's true quantities through each instrument's error, at its own rate."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

from drivers.virtual.circuit import Solution
from drivers.virtual.instruments import drawn_errors, vector_sample
from drivers.virtual.surroundings import Supply
from drivers.virtual.waves import EVEN_SHARE, arc_rms

if TYPE_CHECKING:
    from drivers.virtual.parts import MountedPart
    from drivers.virtual.plant import Plant

LEAKAGE_PERIOD_S, DEAD_TEST_PERIOD_S, SLOW_PERIOD_S = 0.2, 0.5, 1.0
CHECK_V = 24.0
PICK_UP_V = 0.2
ARC_FROM = 0.8  # of 120 V: below, nothing strikes; nor behind the limiting resistor
MAX_OHM, MAX_BOND_OHM = 2_000_000.0, 20.0
# behind the changeover relay: by quantity, in its unit
KNOWN: Mapping[str, float] = {"bond_ohm": 1.0, "resistance_ohm": 100.0, "insulation_mohm": 5.0}


@dataclass(slots=True)
class World:
    """The true electrical state, phasors referred to leg 1 to neutral."""

    live: bool = False
    earth_a: complex = 0j
    injected_a: complex = 0j
    across_v: complex = 0j
    terminal_a_v: complex = 0j
    load_a: complex = 0j
    stored_v: float = 0.0
    dc_ma: float = 0.0
    harmonic_ma: float = 0.0  # odd ones, r.m.s.
    arc_ma: float = 0.0  # peak of the bursts
    rest_ma: float = 0.0  # all that is not at the supply's frequency, DC too, r.m.s.

    def update(self, solution: Solution | None, supply: Supply) -> None:
        """Combine the two legs' contributions."""
        self.live = solution is not None
        if solution is None:
            self.earth_a = self.injected_a = self.across_v = 0j
            self.terminal_a_v = self.load_a = 0j
            return
        v1, v2 = supply.leg_1_v, supply.leg_2_v

        def both(pair: Sequence[complex]) -> complex:
            return pair[0] * v1 + pair[1] * v2

        self.earth_a, self.injected_a = both(solution.earth_a), both(solution.injected_a)
        self.across_v, self.terminal_a_v = both(solution.across_v), both(solution.terminal_a_v)
        self.load_a = both(solution.load_a)

    def charge(self, was_live: bool, stored_v: float) -> None:
        """A capacitor left charged at switch-off."""
        if was_live and not self.live and stored_v:
            self.stored_v = stored_v

    def rest(
        self, routed: Sequence[MountedPart], feed: str | None, frequency_hz: float = 60.0
    ) -> None:
        """DC, harmonics and arcs of the leakage; all follow the volts at the part."""
        self.dc_ma = self.harmonic_ma = self.arc_ma = self.rest_ma = 0.0
        if not self.live or feed is None:
            return
        volts = max(abs(self.terminal_a_v), abs(self.across_v)) / 120.0
        strikes = volts >= ARC_FROM and feed != "limited"
        for part in routed:
            if part.truth.grounded:
                self.dc_ma += part.truth.dc_ma * min(1.0, volts)
                harmonic = part.truth.harmonic * 1000.0 * abs(self.earth_a)
                self.harmonic_ma = math.hypot(self.harmonic_ma, harmonic)
                self.arc_ma += part.truth.arc_ma if strikes else 0.0
        even_ma, arcs_ma = EVEN_SHARE * self.dc_ma, arc_rms(self.arc_ma, frequency_hz)
        self.rest_ma = math.hypot(self.harmonic_ma, self.dc_ma, even_ma, arcs_ma)


class Meters:
    """Newest sample of each channel in ``values``; ``read`` is what its instrument tells of it.

    ``lying`` changes values on their way out and is empty while every instrument is sound.
    ``last_dead`` keeps the last digits of each test meter."""

    def __init__(self, rng: Random) -> None:
        self._rng, self._errors = rng, drawn_errors(rng)
        self._due = {"leakage": 0.0, "dead": 0.0, "slow": 0.0}
        self.values: dict[str, float] = {}
        self.dead_tests: dict[str, float] = {}  # as the printing meter shows them, over range too
        self.dead_samples = 0
        self.last_dead: dict[str, float] = {}
        self.lying: list[Callable[[dict[str, float]], None]] = []

    def read(self, values: Mapping[str, float]) -> dict[str, float]:
        """A copy of ``values`` as the instruments show them."""
        shown = dict(values)
        for change in self.lying:
            change(shown)
        return shown

    def sample(self, plant: Plant) -> None:
        """Take the samples that are due at the plant's time."""
        self._fast(plant)
        if self._is_due("leakage", plant.t_s, LEAKAGE_PERIOD_S):
            self._leakage(plant)
        if self._is_due("slow", plant.t_s, SLOW_PERIOD_S):
            self._slow(plant)
        self._dead(plant)

    def true_to_shown(self, current_ma: complex) -> complex:
        """The leakage vector as its meter has it, without noise."""
        error = self._errors["leakage_ma"]
        return current_ma * error.gain + error.offset * complex(1.0, 0.5)

    def lie(self, name: str) -> float:
        """What a meter shows over what it would show if it were sound."""
        sound = self.values.get(name, 0.0)
        return self.read(self.values)[name] / sound if sound else 1.0

    def _is_due(self, name: str, t_s: float, period_s: float) -> bool:
        if t_s < self._due[name] - 1e-6:
            return False
        self._due[name] = (math.floor(t_s / period_s + 1e-6) + 1) * period_s
        return True

    def _put(self, name: str, true: float) -> None:
        self.values[name] = self._errors[name].read(true, self._rng)

    def _fast(self, plant: Plant) -> None:
        world, put = plant.world, self._put
        put("supply_v", plant.supply.leg_1_v)
        put("supply_2_v", plant.supply.leg_2_v)
        put("bay_v", bay_volts(plant))
        put("bay_dc_v", world.stored_v)
        put("load_a", abs(world.load_a))
        put("power_w", (world.across_v * world.load_a.conjugate()).real)
        put("injection_ma", plant.injection_ma())

    def _leakage(self, plant: Plant) -> None:
        world, rng, values, errors = plant.world, self._rng, self.values, self._errors
        names = ("leakage_ma", "leakage_resistive_ma", "leakage_capacitive_ma")
        true = 1000.0 * world.earth_a
        first = vector_sample(errors["leakage_ma"], true, world.rest_ma, rng)
        values.update(zip(names, first, strict=True))
        self._put("leakage_dc_ma", world.dc_ma)
        true += 1000.0 * plant.fixture.imbalance * world.load_a
        second = vector_sample(errors["second_leakage_ma"], true, world.rest_ma, rng)
        values.update(zip((f"second_{name}" for name in names), second, strict=True))

    def _slow(self, plant: Plant) -> None:
        self._put("frequency_hz", plant.supply.frequency_hz)
        self._put("temperature_c", plant.water.temperature_c)
        self._put("conductivity_ms_cm", plant.water.conductivity_ms_cm)

    # ---- dead tests --------------------------------------------------------------------------------

    def _dead(self, plant: Plant) -> None:
        """One meter, one function at a time; it reads only with the contactors open."""
        chosen = next((s for s in DEAD_TESTS if plant.contacts[s]), None)
        if chosen is None or not plant.contactors_open:
            self._forget()
            self._due["dead"] = plant.t_s + DEAD_TEST_PERIOD_S
            return
        if not self._is_due("dead", plant.t_s, DEAD_TEST_PERIOD_S):
            return
        name, most, true_of = DEAD_TESTS[chosen]
        true = KNOWN[name] if plant.contacts["known_resistors"] else true_of(plant)
        shown = self._errors[name].read(true, self._rng) if true <= most else math.inf
        self._forget()
        self.dead_tests[name] = self.last_dead[name] = shown
        self.dead_samples += 1
        if math.isfinite(shown):
            self.values[name] = min(shown, most)

    def _forget(self) -> None:
        for name in self.dead_tests:
            self.values.pop(name, None)
        self.dead_tests.clear()


def bay_volts(plant: Plant) -> float:
    """At the bus behind the contactors: the pair of leg 1 and 2 on that feed, else leg 1 to earth."""
    if plant.world.live:
        both = plant.supply.leg_1_v + plant.supply.leg_2_v
        return both if plant.feed == "line_line" else plant.supply.leg_1_v
    return CHECK_V if plant.contacts["voltage_check"] else PICK_UP_V


def _one(plant: Plant) -> MountedPart | None:
    return plant.routed[0] if plant.routed else None


def _bond(plant: Plant) -> float:
    part = _one(plant)
    return part.bond_total_ohm() if part else math.inf


def _ohms(plant: Plant) -> float:
    part = _one(plant)
    return part.winding_ohm(plant.speed) if part else math.inf


def _insulation(plant: Plant) -> float:
    part = _one(plant)
    return part.insulation_mohm() if part else 1000.0


def _secondary(plant: Plant) -> float:
    part = _one(plant)
    return part.truth.secondary_mohm if part else 1000.0


DEAD_TESTS: Mapping[str, tuple[str, float, Callable[[Plant], float]]] = {
    "source_bond": ("bond_ohm", MAX_BOND_OHM, _bond),
    "source_ohms": ("resistance_ohm", MAX_OHM, _ohms),
    "source_insulation": ("insulation_mohm", 1000.0, _insulation),
    "source_insulation_low": ("insulation_mohm", 1000.0, _insulation),
    "source_insulation_secondary": ("insulation_mohm", 1000.0, _secondary),
}
