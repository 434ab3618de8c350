"""How far a leakage jumps about within a stage, apart from drifts: means of a second, their bends.

A steady drift (drying, warming) has no bends; a loose contact or water in motion has. The r.m.s. of
second differences over the square root of 6 is the scatter of independent seconds (variance of
a - 2b + c, GUM 5.1.2).
"""

from __future__ import annotations

import math

import numpy as np

from procedures.arrays import FloatArray
from procedures.leakage import Live
from procedures.limited import prospective_many

BLOCK_S = 1.0
LEAST_BLOCKS = 4
BEND = math.sqrt(6.0)
MOST_MA = 1000.0  # a short behind the limiting resistor: its prospective current has no figure


def swing(live: Live) -> tuple[float, float, float] | None:
    """Scatter of seconds about their drift, greatest and least second, mA; None in too short a stage.

    In the limited step the prospective current, because the resistor hides the fault's own changes.
    """
    return swing_of(_seconds(live))


def swing_of(seconds: FloatArray) -> tuple[float, float, float] | None:
    """The same from means of a second each, mA; None for fewer than ``LEAST_BLOCKS``."""
    if seconds.size < LEAST_BLOCKS:
        return None
    bends = np.diff(seconds, n=2)
    scatter = float(np.sqrt(np.square(bends).mean())) / BEND
    return scatter, float(seconds.max()), float(seconds.min())


def _seconds(live: Live) -> FloatArray:
    """Means of each full second of samples without the control."""
    quiet = live.quiet()
    if not quiet:
        return np.zeros(0)
    t, res, cap, v = np.array([(s.t_s, s.res, s.cap, s.supply_v) for s in quiet]).T
    y = np.hypot(res, cap)
    if live.stage.feed == "limited":
        setup = live.run.setup
        found = prospective_many(v, res, cap, setup.series_ohm, setup.nominal_v)
        y = np.minimum(found.magnitude_ma, MOST_MA)
    block = ((t - t[0]) / BLOCK_S).astype(np.int64)
    return np.array([y[block == n].mean() for n in np.unique(block)])
