"""How a leak's resistive part changes with water, heat, speed and time: one law per kind of fault.

A law takes the leak and its surroundings, moves the leak's own memory by ``dt_s`` and returns the
resistive current in mA that 120 V would drive. All time constants are invented for the bench.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from random import Random

from drivers.virtual.truth import LawName, LeakTruth

DRY_MA = 0.0005  # 240 Mohm: what a fine crack leaks while dry
SOAK_TAU_S = 100.0
COOL_TAU_S = 200.0
FILLING_TAU_S = 60.0  # the filling follows the wire; it stays hot a while after switching off
SETTLE_TAU_S = 20.0
FRESH = 5e-4  # relative change below which the network is not solved again


@dataclass(slots=True)
class Around:
    """What surrounds a part during one step. ``power`` is relative to rated, ``speed`` of a motor."""

    dt_s: float = 0.0
    t_s: float = 0.0
    wet: bool = False
    humid: float = 0.0
    power: float = 0.0
    speed: str = ""  # "", "low", "high"


@dataclass(slots=True)
class Leak:
    """A leak in time: ``level`` and ``second`` are its law's memory."""

    truth: LeakTruth
    rng: Random
    level: float = 0.0
    second: float = 0.0
    next_s: float = 0.0
    resistive_ma: float = 0.0
    shown: complex = 0j  # admittance last given to the network, S

    def __post_init__(self) -> None:
        resting = self.truth.resistive_ma
        first = {"bake": 1.0, "blow_dry": 1.0, "seal": resting, "step": resting}
        self.level = first.get(self.truth.law, 0.0)
        self.resistive_ma = LAWS[self.truth.law](self, Around())
        self.shown = self.admittance()

    def advance(self, around: Around) -> bool:
        """Move by one step; true when the network has to be solved again."""
        if self.truth.law == "steady":
            return False
        self.resistive_ma = LAWS[self.truth.law](self, around)
        now = self.admittance()
        if abs(now - self.shown) <= FRESH * abs(self.shown):
            return False
        self.shown = now
        return True

    def admittance(self) -> complex:
        """In siemens, from the mA that 120 V drives."""
        return complex(self.resistive_ma, self.truth.capacitive_ma) / 120_000.0


def _toward(now: float, target: float, dt_s: float, tau_s: float) -> float:
    return target + (now - target) * math.exp(-dt_s / tau_s)


def _steady(leak: Leak, around: Around) -> float:
    return leak.truth.resistive_ma


def _wet(leak: Leak, around: Around) -> float:
    return leak.truth.resistive_ma if around.wet else DRY_MA


def _bake(leak: Leak, around: Around) -> float:
    """Damp filling: dries by heat (``tau_s`` at quarter power), takes up water again while soaking."""
    truth = leak.truth
    span = truth.resistive_ma - truth.to_ma
    soaked = (truth.soak_ma - truth.to_ma) / span
    if around.power > 0.05:
        pace = min(2.0, around.power / 0.25)
        leak.level = _toward(leak.level, 0.0, around.dt_s * pace, truth.tau_s)
    elif around.wet and leak.level < soaked:
        leak.level = _toward(leak.level, soaked, around.dt_s, SOAK_TAU_S)
    return truth.to_ma + span * leak.level


def _hot(leak: Leak, around: Around) -> float:
    """Filling that conducts more when hot, as mineral filling does."""
    truth = leak.truth
    tau_s = truth.tau_s if around.power > leak.second else COOL_TAU_S
    leak.second = _toward(leak.second, around.power, around.dt_s, tau_s)
    leak.level = _toward(leak.level, leak.second, around.dt_s, FILLING_TAU_S)
    return truth.resistive_ma + (truth.to_ma - truth.resistive_ma) * leak.level


def _breakdown(leak: Leak, around: Around) -> float:
    """Cold as good as sound; after ``after_s`` at rated power it runs away within ``rise_s``."""
    truth = leak.truth
    if around.power > 0.7:
        leak.level += around.dt_s
    else:
        leak.level = _toward(leak.level, 0.0, around.dt_s, COOL_TAU_S)
    share = min(1.0, max(0.0, (leak.level - truth.after_s) / truth.rise_s))
    return truth.resistive_ma * math.pow(truth.to_ma / truth.resistive_ma, share)


def _seal(leak: Leak, around: Around) -> float:
    """Water thrown into the winding by speed: climbs in ``rise_s``, drains slowly."""
    truth = leak.truth
    targets = {"": truth.resistive_ma, "low": truth.low_ma, "high": truth.to_ma}
    target = targets[around.speed]
    if target > leak.level:
        step = (truth.to_ma - truth.resistive_ma) * around.dt_s / truth.rise_s
        leak.level = min(target, leak.level + step)
    else:
        leak.level = _toward(leak.level, target, around.dt_s, SETTLE_TAU_S)
    return leak.level


def _blow_dry(leak: Leak, around: Around) -> float:
    """Backflow water: dries while running, comes back in humid air; a little noisy."""
    truth = leak.truth
    if around.speed:
        leak.level = _toward(leak.level, 0.0, around.dt_s, truth.tau_s)
    dry_ma = truth.to_ma + (truth.resistive_ma - truth.to_ma) * leak.level
    humid_ma = truth.to_ma + (truth.humid_ma - truth.to_ma) * around.humid
    noise = 1.0 + leak.rng.gauss(0.0, 0.01) * max(leak.level, around.humid)
    return max(dry_ma, humid_ma) * noise


def _erratic(leak: Leak, around: Around) -> float:
    if around.t_s >= leak.next_s:
        leak.level = leak.rng.uniform(-leak.truth.jump, leak.truth.jump)
        leak.next_s = around.t_s + leak.rng.uniform(1.0, 3.0)
    return leak.truth.resistive_ma / (1.0 + leak.level)


def _step(leak: Leak, around: Around) -> float:
    """What a hand sets it to, at once: for measuring how long switching off takes."""
    return leak.level


LAWS: Mapping[LawName, Callable[[Leak, Around], float]] = {
    "steady": _steady,
    "wet": _wet,
    "bake": _bake,
    "hot": _hot,
    "breakdown": _breakdown,
    "seal": _seal,
    "blow_dry": _blow_dry,
    "erratic": _erratic,
    "step": _step,
}
