"""Drawing parts and benches for a capability study: arrays, one element per part.

A faulty part's *truth* is its worst leakage in service. What a bench can bring out at most is
``seen_ma``: the truth over the factor by which service is worse than anything that a procedure
exercises. Everything is drawn from one seeded generator per block of parts, so that the same seed gives
the same parts however the work is spread over processes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np

from procedures.arrays import BoolArray, FloatArray, IntArray
from rig.study_population import Bounds, FaultClass, Instruments, Population

SOUND = -1
SOUND_ANGLE = 0.2  # resistive share of a sound part's leakage
MOST_CAPACITIVE = 0.9  # of a faulty part's leakage: the fault itself is resistive
DAMPEST_MA = 2.9  # more than this does not get to the bake-out
SERIES_PERCENT = 1.0
Generator = np.random.Generator


class Class(NamedTuple):
    """A fault class with the family that it belongs to."""

    family: str
    kind: FaultClass

    @property
    def name(self) -> str:
        """What the tables call it."""
        return f"{self.family.replace('_', ' ')}: {self.kind.name}"


@dataclass(frozen=True, slots=True)
class Parts:
    """Parts with their truths, and the bench that each meets. mA at nominal volts; gains and volts
    relative; ``cls`` indexes ``classes``, SOUND where nothing is wrong; ``family`` indexes the
    population's families."""

    family: IntArray
    cls: IntArray
    truth_ma: FloatArray
    resistive_ma: FloatArray  # at its worst on the bench
    capacitive_ma: FloatArray
    at: FloatArray  # place along the winding
    cold: FloatArray  # share that shows before it is worst
    after_s: FloatArray
    rate_per_h: FloatArray
    jump: FloatArray
    damp_ma: FloatArray  # as received, damp filler only
    dc: FloatArray  # share of the resistive part that is DC
    first: FloatArray  # errors of the instruments
    second: FloatArray
    first_zero_ma: FloatArray
    second_zero_ma: FloatArray
    plain: FloatArray
    plain_zero_ma: FloatArray
    volts: FloatArray
    volts_error: FloatArray
    resistor: FloatArray
    bench_ms_cm: FloatArray
    tap_ms_cm: FloatArray
    threshold_ma: FloatArray
    failed: IntArray  # which leakage sensor has failed: 0 none, 1, 2
    left: FloatArray  # what is left of its reading

    @property
    def size(self) -> int:
        """How many."""
        return int(self.truth_ma.size)

    def where(self, chosen: Any) -> Parts:
        """Some of them."""
        return Parts(*(getattr(self, field.name)[chosen] for field in fields(self)))


def classes(population: Population) -> tuple[Class, ...]:
    """All fault classes, in the file's order."""
    return tuple(Class(one.name, kind) for one in population.family for kind in one.fault)


def draw(population: Population, n: int, rng: Generator) -> Parts:
    """``n`` parts."""
    family = rng.choice(len(population.family), n, p=_shares(population.family))
    faulty = rng.random(n) < population.truth.faulty
    cls = np.where(faulty, _classes(population, family, rng), SOUND)
    truth_ma = np.where(
        faulty,
        _log(population.truth.faulty_ma, n, rng),
        _log(population.truth.sound_ma, n, rng),
    )
    seen_ma = truth_ma / np.where(faulty, _excess(population, n, rng), 1.0)
    return Parts(
        family=family,
        cls=cls,
        truth_ma=truth_ma,
        **_vectors(population, family, faulty, seen_ma, rng),
        **_laws(population, cls, seen_ma, rng),
        **_bench(population, n, rng),
    )


# ---- parts -----------------------------------------------------------------------------------------


def _shares(of: Sequence[Any]) -> FloatArray:
    shares = np.array([one.share for one in of], np.float64)
    whole: FloatArray = shares / shares.sum()
    return whole


def _classes(population: Population, family: IntArray, rng: Generator) -> IntArray:
    found, start = np.zeros(family.size, np.int64), 0
    for place, one in enumerate(population.family):
        here = family == place
        found[here] = start + rng.choice(len(one.fault), int(here.sum()), p=_shares(one.fault))
        start += len(one.fault)
    return found


def _excess(population: Population, n: int, rng: Generator) -> FloatArray:
    """By how much service is worse than the bench."""
    service = population.service
    harsher = np.where(rng.random(n) < service.harsher, _even(service.harsher_by, n, rng), 1.0)
    return _even(service.supply, n, rng) * harsher


def _vectors(
    population: Population, family: IntArray, faulty: BoolArray, seen_ma: FloatArray, rng: Generator
) -> dict[str, Any]:
    """In-phase and capacitive part whose magnitude is what the bench can see."""
    bounds = np.array([one.capacitive_ma for one in population.family])[family]
    own = np.exp(rng.uniform(np.log(bounds[:, 0]), np.log(bounds[:, 1])))
    capacitive = np.where(faulty, np.minimum(own, MOST_CAPACITIVE * seen_ma), seen_ma)
    capacitive = np.where(faulty, capacitive, seen_ma / np.hypot(1.0, SOUND_ANGLE))
    resistive = np.sqrt(np.maximum(np.square(seen_ma) - np.square(capacitive), 0.0))
    at, ends = rng.random(seen_ma.size), rng.integers(0, 2, seen_ma.size).astype(np.float64)
    converter = np.array([one.name == "converter" for one in population.family])[family]
    return {  # a converter has a filter capacitor at each terminal, and no winding to leak between them
        "resistive_ma": resistive,
        "capacitive_ma": np.where(converter, 2.0 * capacitive, capacitive),
        "at": np.where(converter, ends, at),
    }


def _laws(
    population: Population, cls: IntArray, seen_ma: FloatArray, rng: Generator
) -> dict[str, Any]:
    """What the laws of the fault classes take; what a class has no use for stays harmless."""
    n, listed = cls.size, classes(population)
    found = {name: np.ones(n) for name in ("cold", "after_s", "rate_per_h")}
    jump, dc = np.zeros(n), np.zeros(n)
    for place, (_, kind) in enumerate(listed):
        here = cls == place
        for name, column in found.items():
            bounds = getattr(kind, name)
            if bounds is not None:
                column[here] = _log(bounds, int(here.sum()), rng)
        jump[here] = kind.jump
        dc[here] = HALF_WAVE_DC if kind.law == "half_wave" else 0.0
    most = np.maximum(DAMPEST_MA, seen_ma)
    damp = np.exp(rng.uniform(np.log(seen_ma), np.log(most)))
    return {**found, "jump": jump, "dc": dc, "damp_ma": damp}


HALF_WAVE_DC = 2.0 / np.pi  # mean over r.m.s. of a half sine: (1/pi)/(1/2); any handbook


# ---- benches ---------------------------------------------------------------------------------------


def _bench(population: Population, n: int, rng: Generator) -> dict[str, Any]:
    tools = population.instruments
    first, second = _gains(tools, n, rng)
    failed = np.where(rng.random(n) < population.sensors.fault, rng.integers(1, 3, n), 0)
    left = np.where(rng.random(n) < 0.5, 0.0, _even(population.sensors.gain, n, rng))
    percent = tools.supply_percent / 100.0
    return {
        "first": first,
        "second": second,
        "first_zero_ma": _either(tools.leakage[1], n, rng),
        "second_zero_ma": _either(tools.second[1], n, rng),
        "plain": 1.0 + _either(tools.plain[0] / 100.0, n, rng),
        "plain_zero_ma": _either(tools.plain[1], n, rng),
        "volts": _even(population.supply.volts, n, rng),
        "volts_error": 1.0 + _either(percent, n, rng),
        "resistor": 1.0 + _either(SERIES_PERCENT / 100.0, n, rng),
        "bench_ms_cm": _even(population.water.bench_ms_cm, n, rng),
        "tap_ms_cm": _log(population.water.tap_ms_cm, n, rng),
        "threshold_ma": _even(population.supply.threshold_ma, n, rng),
        "failed": failed,
        "left": left,
    }


def _gains(tools: Instruments, n: int, rng: Generator) -> tuple[FloatArray, FloatArray]:
    """Both meters' gains: within their statements, correlated, drifted since calibration."""
    shared, r = rng.uniform(-1.0, 1.0, n), tools.correlation
    found = []
    for percent, _ in (tools.leakage, tools.second):
        own = rng.uniform(-1.0, 1.0, n)
        drift = rng.normal(0.0, tools.drift_percent / 100.0, n)
        found.append(1.0 + percent / 100.0 * (r * shared + (1.0 - r) * own) + drift)
    return found[0], found[1]


def _even(bounds: Bounds, n: int, rng: Generator) -> FloatArray:
    return rng.uniform(bounds[0], bounds[1], n)


def _either(half_width: float, n: int, rng: Generator) -> FloatArray:
    return rng.uniform(-half_width, half_width, n)


def _log(bounds: Bounds, n: int, rng: Generator) -> FloatArray:
    return np.exp(rng.uniform(np.log(bounds[0]), np.log(bounds[1]), n))
