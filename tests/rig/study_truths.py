"""Parts of a capability study as the virtual bench's plant takes them, decided by the real procedures."""

from __future__ import annotations

import math
from typing import Any

from drivers.virtual.scenario import plate
from drivers.virtual.truth import LeakTruth, PartTruth
from procedures.scan import Outcome, Part
from rig.study_draw import SOUND, Parts, classes
from rig.study_population import Population
from rig.study_stages import AFTER_BAKE, BREAKDOWN_COLD
from tests.procedures.harness import prove

MOST_MA = 199.0
PLATES: dict[str, dict[str, Any]] = {
    "heater": {"rated_v": 240.0, "rated_w": 5500.0},
    "pump": {
        "rated_v": 240.0,
        "rated_a": 10.0,
        "low_a": 3.5,
        "speeds": 2,
        "power_factor": 0.85,
        "winding_ohm": 2.4,
    },
    "circulation_pump": {
        "rated_v": 240.0,
        "rated_a": 1.0,
        "power_factor": 0.8,
        "winding_ohm": 28.0,
    },
    "blower": {"rated_a": 6.0, "power_factor": 0.9, "winding_ohm": 1.9},
    "ozone_corona": {"rated_w": 20.0, "power_factor": 0.9, "winding_ohm": 160.0},
    "ozone_uv": {"rated_w": 30.0, "power_factor": 0.9, "winding_ohm": 160.0},
    "converter": {"rated_w": 60.0, "power_factor": 0.95, "winding_ohm": 400_000.0},
    "transformer": {"rated_w": 50.0, "power_factor": 0.95, "winding_ohm": 12.0},
    "light": {"rated_w": 12.0, "power_factor": 0.95, "winding_ohm": 40.0},
}


def truth_of(parts: Parts, n: int, population: Population) -> PartTruth:
    """One drawn part. ``Parts`` of one fault class each are translated by their law."""
    family = population.family[int(parts.family[n])].name
    spread = LeakTruth(spread=True, capacitive_ma=_ma(parts.capacitive_ma[n]))
    if family == "converter":
        half = _ma(parts.capacitive_ma[n] / 2.0)
        ends = [LeakTruth(at=at, capacitive_ma=half) for at in (0.0, 1.0)]
        leaks = [*ends, _fault(parts, n, population)]
    else:
        leaks = [spread, _fault(parts, n, population)]
    dc_ma = float(parts.resistive_ma[n] * parts.dc[n])
    return PartTruth(family=family, leaks=tuple(leaks), dc_ma=dc_ma, **PLATES[family])  # type: ignore[arg-type]


def _ma(value: float) -> float:
    return min(MOST_MA, float(value))


def _fault(parts: Parts, n: int, population: Population) -> LeakTruth:
    whole, at = _ma(parts.resistive_ma[n]), float(parts.at[n])
    if parts.cls[n] == SOUND:
        return LeakTruth(spread=True, resistive_ma=whole)
    law = classes(population)[int(parts.cls[n])].kind.law
    cold, wet = whole * float(parts.cold[n]), float(parts.bench_ms_cm[n]) / 3.0
    table: dict[str, dict[str, Any]] = {
        "steady": {"resistive_ma": whole},
        "half_wave": {"resistive_ma": whole * math.sqrt(1.0 - float(parts.dc[n]) ** 2)},
        "wet": {"law": "wet", "resistive_ma": whole * wet},
        "hot": {"law": "hot", "resistive_ma": cold, "to_ma": whole, "tau_s": 60.0},
        "breakdown": {
            "law": "breakdown",
            "resistive_ma": max(1e-4, BREAKDOWN_COLD * whole),
            "to_ma": whole,
            "after_s": float(parts.after_s[n]),
            "rise_s": 60.0,
        },
        "seal": {"law": "seal", "resistive_ma": 0.05 * whole, "low_ma": cold, "to_ma": whole},
        "blow_dry": {"law": "blow_dry", "resistive_ma": whole, "to_ma": cold, "humid_ma": whole},
        "erratic": {"law": "erratic", "resistive_ma": whole, "jump": float(parts.jump[n])},
        "bake": {
            "law": "bake",
            "spread": True,
            "resistive_ma": max(_ma(parts.damp_ma[n]), 1.0001 * whole),
            "to_ma": AFTER_BAKE * whole,
            "soak_ma": whole,
            "tau_s": 90.0,
        },
    }
    how = table[law]
    return LeakTruth(**({"at": at} | how if "spread" not in how else how))


def really(parts: Parts, n: int, population: Population, seed: int) -> Outcome:
    """What the real procedure says of one drawn part, on the plant in this process."""
    truth = truth_of(parts, n, population)
    known: dict[str, Any] = plate(truth)
    part = Part(number="P-0001", serial="S", change="dried", **known)
    outcome, _ = prove({"S": truth}, "S", part, seed=seed)
    return outcome
