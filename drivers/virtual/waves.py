"""The waveforms behind the leakage meter's readings, as its memory holds them: the last 0.22 s.

Phasors become sines at the supply's own frequency, a half-wave part its even harmonics, and arcs
short bursts near the crests of the volts, never twice alike. Amplitudes agree with what the r.m.s.
reading holds.
"""

from __future__ import annotations

import math
import struct
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from drivers.virtual.plant import Plant

Samples = npt.NDArray[np.float64]
RATE_HZ, POINTS = 7680.0, 1720  # 128 a cycle of 60 Hz; 12 cycles from 53.6 Hz upwards
ODD = {3: 0.8, 5: 0.6}  # of the harmonic part, relative; squares add to 1
EVEN = (2, 4, 6, 8, 10)
EVEN_SHARE = math.sqrt(math.pi**2 / 8.0 - 1.0)  # r.m.s. of a half-wave's even harmonics over its DC
ARC_S = 0.0003  # how fast a burst dies away
ARC_CHANCE = 0.5  # at each crest
ARC_SQUARE = 7.0 / 12.0  # mean square of a size drawn evenly from 0.5 to 1


def arc_rms(peak_ma: float, frequency_hz: float) -> float:
    """r.m.s. of the bursts: two chances a cycle, each burst with peak²·ARC_S/2."""
    return peak_ma * math.sqrt(frequency_hz * ARC_CHANCE * ARC_SQUARE * ARC_S)


def _sine(rms: float, order: int, angle: Samples, phase: float = 0.0) -> Samples:
    return math.sqrt(2.0) * rms * np.sin(order * angle + phase)


def _bursts(peak_ma: float, angle: Samples, rng: Random) -> Samples:
    """Each begins a little after a crest and has the sign of its half-cycle."""
    wave = np.zeros(len(angle))
    first, last = math.floor(angle[0] / math.pi), math.ceil(angle[-1] / math.pi)
    per_s = RATE_HZ * (angle[1] - angle[0])
    for half in range(first, last):
        begins = (half + 0.5 + rng.uniform(-0.05, 0.15)) * math.pi
        size = peak_ma * rng.uniform(0.5, 1.0)
        if rng.random() < ARC_CHANCE:
            since_s = (angle - begins) / per_s
            burst = np.exp(-np.maximum(since_s, 0.0) / ARC_S) * (since_s >= 0.0)
            wave += (-size if half % 2 else size) * burst
    return wave


def waves(plant: Plant, rng: Random) -> tuple[Samples, Samples]:
    """Leakage in mA and leg 1 to neutral in V, sampled together up to now; rising leg 1 is 0 rad.

    The leakage carries its meter's own gain and offset, and whatever that meter lies.
    """
    world, supply = plant.world, plant.supply
    times = plant.t_s + (np.arange(POINTS) - POINTS) / RATE_HZ
    angle = math.tau * supply.frequency_hz * times
    current = plant.meters.true_to_shown(1000.0 * world.earth_a)
    leakage = _sine(abs(current), 1, angle, float(np.angle(current))) + world.dc_ma
    for order, share in ODD.items():
        leakage += _sine(share * world.harmonic_ma, order, angle, 0.5 * order)
    for order in EVEN:
        leakage -= 2.0 * world.dc_ma / (order**2 - 1) * np.cos(order * angle)
    if world.arc_ma:
        leakage += _bursts(world.arc_ma, angle, rng)
    return leakage * plant.meters.lie("leakage_ma"), _sine(supply.leg_1_v, 1, angle)


def block(samples: Samples) -> bytes:
    """IEEE 488.2 definite-length block of single-precision numbers, most significant byte first."""
    body = struct.pack(f">{len(samples)}f", *samples)
    digits = str(len(body))
    return f"#{len(digits)}{digits}".encode() + body
