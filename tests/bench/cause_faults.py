"""Invented faults: those that the table of causes knows, and odd ones out that it does not.

Each draws one part; magnitudes are drawn wide, because nobody's fault is a textbook's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from tests.bench.cause_attempts import PLATES, Leak, Truth

Rng = np.random.Generator
Draw = Callable[[Rng], Truth]
ODD = "something else"
MOTOR_CAP = (0.05, 0.25)


def _u(rng: Rng, low: float, high: float) -> float:
    """Evenly in the logarithm: a fault may be of any size."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _sound(family: str) -> Draw:
    def draw(rng: Rng) -> Truth:
        cap = rng.uniform(0.15, 0.45) if family == "converter" else rng.uniform(0.03, 0.25)
        small = Leak.steady(rng.uniform(0.0, 0.01), rng.uniform(0.0, 1.0))
        cause = "filter capacitors, normal" if family == "converter" else "nothing wrong found"
        return Truth(family, cause, [small], cap)

    return draw


def _hot_filling(rng: Rng) -> Truth:
    """Sound: mineral filling always leaks more when hot, here within the limit."""
    leak = Leak.steady(rng.uniform(0.01, 0.08), 0.5)
    leak.hot = rng.uniform(0.1, 0.7)
    return Truth("heater", "nothing wrong found", [leak], rng.uniform(0.03, 0.1))


def _damp_baked(rng: Rng) -> Truth:
    ma = _u(rng, 0.9, 2.9)
    leak = Leak(at=0.5, dry=ma, wet=ma, hot=0.2, baked=rng.uniform(0.05, 0.25), soaked=0.3)
    return Truth("heater", "damp filler, baked out", [leak], 0.08)


def _damp(rng: Rng) -> Truth:
    ma = _u(rng, 3.2, 20.0)
    return Truth("heater", "damp filler", [Leak.steady(ma, rng.uniform(0.2, 0.8))], 0.08)


def _pinhole(rng: Rng) -> Truth:
    """One or two holes; small ones pass every gate, large ones stop at the limited step."""
    at = rng.uniform(0.05, 0.95)
    cause = "pinhole near the middle" if 0.35 <= at <= 0.65 else "pinhole"
    ma = _u(rng, 1.0, 8.0)
    leak = Leak(at=at, wet=ma, hot=ma * rng.uniform(1.0, 1.4), soaked=ma)
    leak.dry = rng.uniform(0.0, 0.12)
    return Truth("heater", cause, [leak], 0.08)


def _hot_failure(rng: Rng) -> Truth:
    cold = rng.uniform(0.02, 0.6)
    leak = Leak.steady(cold, rng.uniform(0.05, 0.45))
    leak.hot = _u(rng, 1.6, 12.0)
    return Truth("heater", "hot failure", [leak], 0.08)


def _open(rng: Rng) -> Truth:
    return Truth("heater", "element open", ohms=math.inf, draws=0.0)


def _other_element(rng: Rng) -> Truth:
    share = rng.choice([rng.uniform(0.5, 0.87), rng.uniform(1.15, 2.2)])
    return Truth("heater", "another element than the plate says", ohms=float(share))


def _seal(rng: Rng) -> Truth:
    fast = _u(rng, 1.2, 10.0)
    leak = Leak(dry=rng.uniform(0.0, 0.15), slow=fast * rng.uniform(0.05, 0.9), fast=fast)
    leak.jump = rng.uniform(0.0, 0.15)
    return Truth("pump", "seal leak", [leak], rng.uniform(*MOTOR_CAP))


def _humming(stuck: bool) -> Draw:
    cause = "stuck rotor" if stuck else "weak or dead capacitor"

    def draw(rng: Rng) -> Truth:
        leak = Leak.steady(rng.uniform(0.0, 0.05))
        return Truth("pump", cause, [leak], rng.uniform(*MOTOR_CAP), hums=True, shaft=not stuck)

    return draw


def _winding_open(rng: Rng) -> Truth:
    cap = rng.uniform(*MOTOR_CAP)
    return Truth("pump", "winding open", [Leak.steady(0.01)], cap, ohms=math.inf, draws=0.0)


def _blower(comes_back: bool) -> Draw:
    cause = "water in the motor, " + ("comes back when humid" if comes_back else "dried out")

    def draw(rng: Rng) -> Truth:
        wet, dry = rng.uniform(0.9, 2.9), rng.uniform(0.0, 0.6)
        leak = Leak(dry=wet, slow=dry, baked=dry, jump=0.01)
        leak.humid = _u(rng, 1.2, 6.0) if comes_back else rng.uniform(0.0, 0.4)
        return Truth("blower", cause, [leak], rng.uniform(0.05, 0.2))

    return draw


def _cell(rng: Rng) -> Truth:
    leak = Leak.steady(_u(rng, 1.2, 20.0), jump=rng.uniform(0.04, 0.5))
    return Truth("ozone_corona", "water in the cell (check valve)", [leak], rng.uniform(0.05, 0.3))


def _lamp(family: str) -> Draw:
    def draw(rng: Rng) -> Truth:
        cap = rng.uniform(0.03, 0.2)
        cause = "lamp or ballast dead"
        return Truth(
            family, cause, [Leak.steady(0.005)], cap, draws=rng.uniform(0, 0.1), output=False
        )

    return draw


def _wet_board(rng: Rng) -> Truth:
    ma = _u(rng, 0.8, 5.0)
    dc = ma * rng.uniform(0.1, 0.45)
    leak = Leak.steady(ma, rng.uniform(0.2, 0.8), jump=rng.uniform(0.0, 0.1))
    return Truth("converter", "wet board", [leak], rng.uniform(0.15, 0.4), dc=dc)


def _dead(family: str) -> Draw:
    def draw(rng: Rng) -> Truth:
        cap = rng.uniform(0.15, 0.4) if family == "converter" else 0.08
        opened = math.inf if rng.random() < 0.4 else 1.0
        return Truth(family, "dead", [Leak.steady(0.005)], cap, ohms=opened, output=False)

    return draw


def _across(family: str) -> Draw:
    def draw(rng: Rng) -> Truth:
        cause = "breakdown between primary and secondary"
        return Truth(family, cause, across_mohm=_u(rng, 0.001, 5.0))

    return draw


def _live_case(family: str) -> Draw:
    def draw(rng: Rng) -> Truth:
        leak = Leak.steady(_u(rng, 150.0, 1000.0), float(rng.integers(0, 2)))
        return Truth(family, "wiring: a live lead on the case", [leak])

    return draw


def _ground(family: str) -> Draw:
    return lambda rng: Truth(family, "wiring: ground lead open", bond_open=True)


def _loose(family: str) -> Draw:
    def draw(rng: Rng) -> Truth:
        drops, at = rng.uniform(0.1, 0.7), rng.uniform(0.0, 0.2)
        leak = Leak.steady(_u(rng, 0.8, 4.0), at, jump=rng.uniform(0.1, 0.5), drops=drops)
        return Truth(family, "intermittent contact or crack", [leak], rng.uniform(0.05, 0.2))

    return draw


KNOWN: tuple[Draw, ...] = (
    *(_sound(family) for family in PLATES),
    _hot_filling,
    _damp_baked,
    _damp,
    _pinhole,
    _pinhole,
    _hot_failure,
    _open,
    _other_element,
    _seal,
    _humming(True),
    _humming(False),
    _winding_open,
    _blower(True),
    _blower(False),
    _cell,
    _lamp("ozone_corona"),
    _lamp("light"),
    _wet_board,
    _dead("converter"),
    _dead("transformer"),
    _across("transformer"),
    _across("light"),
    *(_live_case(family) for family in ("heater", "pump", "light")),
    *(_ground(family) for family in ("heater", "pump", "converter")),
    *(_loose(family) for family in ("heater", "pump", "light")),
)


# ---- odd ones out: no signature is theirs ------------------------------------------------------------


def _capacitor_too_large(family: str) -> Draw:
    """A wrong filter or a winding with far too much capacitance."""
    return lambda rng: Truth(family, ODD, [Leak.steady(0.01)], cap=_u(rng, 1.6, 2.8))


def _rectified(family: str) -> Draw:
    """A half-wave leak where there is no rectifier."""

    def draw(rng: Rng) -> Truth:
        ma = _u(rng, 0.9, 2.5)
        return Truth(family, ODD, [Leak.steady(ma)], 0.1, dc=0.45 * ma)

    return draw


def _tracking(rng: Rng) -> Truth:
    """Dirt over a heater's terminal: leaks dry, does not bake out, sits at the end."""
    return Truth("heater", ODD, [Leak.steady(_u(rng, 0.9, 2.0), float(rng.integers(0, 2)))], 0.08)


def _falls_hot(rng: Rng) -> Truth:
    """Leaks cold, wet or dry, and closes when hot."""
    leak = Leak.steady(_u(rng, 0.9, 1.4), rng.uniform(0.0, 1.0))
    leak.hot = 0.05
    return Truth("heater", ODD, [leak], 0.08)


def _after_soak(rng: Rng) -> Truth:
    """Fine in everything, leaks only after the re-soak."""
    leak = Leak.steady(0.02, 0.5)
    leak.soaked = _u(rng, 1.0, 3.0)
    return Truth("heater", ODD, [leak], 0.08)


def _chafed(rng: Rng) -> Truth:
    """A pump's lead that leaks the same at rest and at both speeds."""
    return Truth("pump", ODD, [Leak.steady(_u(rng, 0.9, 2.5))], 0.1)


def _heavy(family: str) -> Draw:
    """Draws far more than its plate and leaks little."""
    return lambda rng: Truth(family, ODD, [Leak.steady(0.01)], 0.1, draws=rng.uniform(1.4, 2.5))


def _weak(family: str) -> Draw:
    """Draws a third of its plate."""
    return lambda rng: Truth(family, ODD, [Leak.steady(0.01)], 0.1, draws=rng.uniform(0.22, 0.36))


def _never_dries(rng: Rng) -> Truth:
    leak = Leak.steady(_u(rng, 0.9, 2.5))
    return Truth("blower", ODD, [leak], 0.1)


def _warm_light(rng: Rng) -> Truth:
    """A light's potting that leaks when warm."""
    leak = Leak.steady(0.02)
    leak.hot = _u(rng, 0.9, 3.0)
    return Truth("light", ODD, [leak], 0.05)


ODDS: tuple[Draw, ...] = (
    *(_capacitor_too_large(family) for family in ("heater", "pump", "ozone_corona", "converter")),
    *(_rectified(family) for family in ("pump", "light", "ozone_corona")),
    _tracking,
    _falls_hot,
    _after_soak,
    _chafed,
    *(_heavy(family) for family in ("pump", "light", "ozone_corona")),
    *(_weak(family) for family in ("light", "ozone_corona")),
    _never_dries,
    _warm_light,
)
GROUPS: Mapping[str, str] = {"pinhole near the middle": "pinhole"}  # told apart by place alone


def draw(rng: Rng, known: bool) -> Truth:
    """One part, its fault drawn evenly from those of its kind."""
    table = KNOWN if known else ODDS
    return table[int(rng.integers(len(table)))](rng)
