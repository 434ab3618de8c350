"""The same question asked of whole attempts: drawn parts on the virtual plant, through real procedures.

A part's truth is the plant's (drivers/virtual), which shares no formula with procedures. Seconds a part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from drivers.virtual.scenario import load
from drivers.virtual.truth import LeakTruth, PartTruth
from procedures.causes import UNKNOWN
from tests.bench.cause_faults import ODD
from tests.procedures.harness import prove
from tests.procedures.test_demo_parts import part_of

Rng = np.random.Generator
Change = Mapping[str, Any]
HEATER, PUMP, BLOWER = "HT55-8001", "PM10-8001", "BL12-8001"
CORONA, LAMP, CONVERTER = "OC05-8001", "OU30-8001", "AC60-8001"
TRANSFORMER, LIGHT = "TR50-8001", "LT12-8001"


def _leak(**law: Any) -> Change:
    return {"leaks": (LeakTruth(**law), LeakTruth(capacitive_ma=0.08))}


def _steady(rng: Rng, low: float, high: float, at: float = 0.0) -> Change:
    return _leak(resistive_ma=float(rng.uniform(low, high)), at=at)


def _damp(rng: Rng) -> Change:
    ma = float(rng.uniform(1.2, 2.7))
    return _leak(law="bake", spread=True, resistive_ma=ma, to_ma=0.15, soak_ma=0.2, tau_s=150.0)


def _pinhole(rng: Rng) -> Change:
    return _leak(
        law="wet", at=float(rng.uniform(0.1, 0.9)), resistive_ma=float(rng.uniform(1.7, 6.0))
    )


def _hot(rng: Rng) -> Change:
    cold, hot = float(rng.uniform(0.05, 0.3)), float(rng.uniform(5.0, 9.0))
    return _leak(law="breakdown", at=0.2, resistive_ma=cold, to_ma=hot, after_s=240.0, rise_s=60.0)


def _seal(rng: Rng) -> Change:
    low, high = float(rng.uniform(0.2, 1.0)), float(rng.uniform(2.0, 6.0))
    return _leak(law="seal", resistive_ma=0.06, low_ma=low, to_ma=high, rise_s=40.0)


def _blower(humid_ma: float) -> Callable[[Rng], Change]:
    def change(rng: Rng) -> Change:
        wet_ma = float(rng.uniform(1.2, 2.7))
        law = {"to_ma": 0.25, "humid_ma": humid_ma, "tau_s": 120.0}
        return _leak(law="blow_dry", resistive_ma=wet_ma, **law)

    return change


def _cell(rng: Rng) -> Change:
    return _leak(law="erratic", resistive_ma=float(rng.uniform(2.0, 14.0)), jump=0.25)


def _board(rng: Rng) -> Change:
    ma = float(rng.uniform(1.0, 2.0))
    return {**_leak(resistive_ma=ma, at=0.5), "dc_ma": 0.4 * ma}


FAULTS: tuple[tuple[str, str, Callable[[Rng], Change]], ...] = (
    (HEATER, "damp filler, baked out", _damp),
    (HEATER, "pinhole", _pinhole),
    (HEATER, "hot failure", _hot),
    (HEATER, "another element than the plate says", lambda rng: {"rated_w": 4000.0}),
    (HEATER, "element open", lambda rng: {"dead_load": True, "leaks": ()}),
    (HEATER, "wiring: a live lead on the case", lambda rng: _steady(rng, 150.0, 200.0)),
    (PUMP, "seal leak", _seal),
    (PUMP, "weak or dead capacitor", lambda rng: {"stuck_a": 48.0}),
    (PUMP, "stuck rotor", lambda rng: {"stuck_a": 55.0, "eyes": {"shaft_turns": "no"}}),
    (BLOWER, "water in the motor, comes back when humid", _blower(3.0)),
    (BLOWER, "water in the motor, dried out", _blower(0.3)),
    (CORONA, "water in the cell (check valve)", _cell),
    (LAMP, "lamp or ballast dead", lambda rng: {"dead_load": True}),
    (CONVERTER, "filter capacitors, normal", lambda rng: {}),
    (CONVERTER, "wet board", _board),
    (TRANSFORMER, "breakdown between primary and secondary", lambda rng: {"secondary_mohm": 0.3}),
    (LIGHT, "wiring: ground lead open", lambda rng: {"grounded": False}),
    (PUMP, ODD, lambda rng: _leak(capacitive_ma=2.0)),
    (PUMP, ODD, lambda rng: {**_leak(resistive_ma=1.8), "dc_ma": 0.8}),
    (HEATER, ODD, lambda rng: _leak(capacitive_ma=1.9, spread=True)),
    (LIGHT, ODD, lambda rng: {"rated_w": 35.0}),
    (CORONA, ODD, lambda rng: _leak(capacitive_ma=1.8)),
)


def proved(rounds: int, seed: int) -> Iterator[tuple[str, str]]:
    """(true cause, named cause) of each fault, ``rounds`` times with other magnitudes."""
    shelf, rng = load(), np.random.default_rng(seed)
    for _ in range(rounds):
        for serial, cause, change in FAULTS:
            truth = PartTruth(**{**shelf[serial].model_dump(), **change(rng)})
            part = part_of(serial)
            outcome, _follower = prove({serial: truth}, serial, part, int(rng.integers(1000)))
            yield cause, UNKNOWN if outcome.likely is None else outcome.likely.cause
