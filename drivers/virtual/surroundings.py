"""Water, flow, heat and humid air around the bays, and the supply's slow wandering.

The tank holds 10 L; fresh water of 20 °C passes at 4 L/min while the flow aid runs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from random import Random

TANK_L = 10.0
FLOW_L_MIN = 4.0
FRESH_C = 20.0
AIR_C = 22.0
JOULE_PER_L_K = 4186.0
FILL_S, DRAIN_S, BURST_S = 15.0, 10.0, 1.0
FLOW_DELAY_S = 2.0
HUMID_TAU_S = 40.0
CUT_OUT_C, CUT_IN_C = 60.0, 50.0
LOSS_TAU_S = 14_400.0


@dataclass(slots=True)
class Water:
    """Level 0 to 1, temperature in °C, seconds of flow, conductivity in mS/cm at 25 °C.

    ``burst``: the water runs out within ``BURST_S`` whatever the aids do. ``blocked``: no flow."""

    level: float = 0.0
    temperature_c: float = FRESH_C
    flowing_s: float = 0.0
    humid: float = 0.0
    thermal_ok: bool = True
    conductivity_ms_cm: float = 2.7
    burst: bool = False
    blocked: bool = False

    def advance(self, dt_s: float, outputs: dict[str, bool], heat_w: float) -> None:
        """One step with ``heat_w`` going into the water."""
        change = dt_s / FILL_S if outputs["aid_water"] else -dt_s / DRAIN_S
        if self.burst:
            change = -dt_s / BURST_S
        self.level = min(1.0, max(0.0, self.level + change))
        flowing = outputs["aid_flow"] and self.level >= 1.0 and not self.blocked
        self.flowing_s = self.flowing_s + dt_s if flowing else 0.0
        target = 1.0 if outputs["aid_humid"] else 0.0
        self.humid = target + (self.humid - target) * math.exp(-dt_s / HUMID_TAU_S)
        self._warm(dt_s, heat_w)

    def _warm(self, dt_s: float, heat_w: float) -> None:
        if self.level <= 0.0:
            self.temperature_c = FRESH_C
        else:
            renewal = FLOW_L_MIN / 60.0 / TANK_L if self.flow_ok else 0.0
            rate = heat_w / (TANK_L * JOULE_PER_L_K) + renewal * (FRESH_C - self.temperature_c)
            rate += (AIR_C - self.temperature_c) / LOSS_TAU_S
            self.temperature_c += rate * dt_s
        self.thermal_ok = self.temperature_c < (CUT_OUT_C if self.thermal_ok else CUT_IN_C)

    @property
    def level_ok(self) -> bool:
        return self.level >= 1.0 - 1e-9

    @property
    def flow_ok(self) -> bool:
        return self.flowing_s >= FLOW_DELAY_S


@dataclass(slots=True)
class Supply:
    """Two legs near ``leg_v``, wandering within ±1.5 %, and a frequency near 60 Hz. ``share`` of the
    volts is there: 1 on a sound supply."""

    rng: Random
    leg_1_v: float = 120.0
    leg_2_v: float = 120.0
    frequency_hz: float = 60.0
    leg_v: float = 120.0
    share: float = 1.0
    _waves: list[tuple[float, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for period_s in (900.0, 210.0, 37.0):
            phase = self.rng.uniform(0.0, math.tau)
            self._waves.append((math.tau / period_s, phase, self.rng.uniform(0.6, 1.0) * 0.004))

    def advance(self, t_s: float) -> None:
        """Voltages at ``t_s``: three slow waves and a little noise."""
        wander = sum(size * math.sin(rate * t_s + phase) for rate, phase, size in self._waves)
        noise = self.rng.gauss(0.0, 0.0001)
        there_v = self.leg_v * self.share
        self.leg_1_v = there_v * (1.0 + wander + noise)
        self.leg_2_v = there_v * (1.0 + 0.8 * wander - noise + 0.001)
        self.frequency_hz = 60.0 + 2.0 * wander
