"""The limited step: what full voltage would drive, calculated from a current through a resistor.

All live terminals are tied and fed from one hot through ``series_ohm``. As phasors the fault is
Zf = U/I - Rs (Ohm's law), and nominal voltage would drive U_nominal/Zf through it. That current is
*prospective*: calculated, never measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

NO_BOUND = "no bound: the fault is as low as the limiting resistor's own tolerance"
CLIPPED = "fault resistance reads below zero and is taken as zero, which overstates the current"


@dataclass(frozen=True, slots=True)
class Prospective:
    """Current at nominal voltage in mA (in phase, leading) and the fault it follows from.

    ``magnitude_ma`` is infinite where the readings set no bound; ``words`` then says so.
    """

    res_ma: float
    cap_ma: float
    magnitude_ma: float
    fault_ohm: complex
    words: str = ""


@dataclass(frozen=True, slots=True)
class HalfWidths:
    """Bounds of the errors that enter a limited step, each as the half-width of a rectangle."""

    v: float
    i_ma: float  # of each component of the current
    series_ohm: float


def prospective(
    v: float, i_res_ma: float, i_cap_ma: float, series_ohm: float, nominal_v: float
) -> Prospective:
    """Prospective current in mA at ``nominal_v`` from ``v`` and the current through ``series_ohm``.

    A passive fault has no negative resistance: where noise or tolerance says so it counts as 0. No
    passive fault drives a current in anti-phase either: it counts as if in phase, so that the noise
    of a tiny reading stays tiny and a real one is not understated. A missing reading (NaN) stays NaN.
    """
    current = complex(abs(i_res_ma), i_cap_ma) / 1000.0
    if current == 0.0:
        return Prospective(0.0, 0.0, 0.0, complex(math.inf, 0.0))
    fault = v / current - series_ohm
    words = CLIPPED if fault.real < 0.0 else ""
    fault = complex(0.0, fault.imag) if words else fault
    if fault == 0.0:
        return Prospective(math.inf, 0.0, math.inf, fault, NO_BOUND)
    driven = nominal_v / fault * 1000.0
    res_ma = math.copysign(driven.real, i_res_ma)
    return Prospective(res_ma, driven.imag, abs(driven), fault, words)


def prospective_u_ma(
    v: float,
    i_res_ma: float,
    i_cap_ma: float,
    series_ohm: float,
    nominal_v: float,
    half: HalfWidths,
    scatter_ma: float = 0.0,
    n: int = 1,
) -> float:
    """Expanded uncertainty (k = 2) in mA of the prospective magnitude.

    Accuracy half-widths are rectangular (GUM, JCGM 100:2008, 4.3.7: a/sqrt(3)); scatter is the
    standard deviation of ``n`` samples (4.2.3). The partials are numerical (5.1.3 note 2), taken to
    the side where the result moves more, because near Zf = 0 the current is anything but linear:
    the result grows as Zf falls and is infinite where a standard deviation reaches "no bound".
    """
    point = (v, i_res_ma, i_cap_ma, series_ohm)
    u_i = math.hypot(half.i_ma / math.sqrt(3.0), scatter_ma / math.sqrt(n) if n else math.nan)
    steps = (half.v / math.sqrt(3.0), u_i, u_i, half.series_ohm / math.sqrt(3.0))

    def at(values: tuple[float, float, float, float]) -> float:
        return prospective(*values, nominal_v).magnitude_ma

    return 2.0 * math.sqrt(sum(_moved(at, point, k, step) ** 2 for k, step in enumerate(steps)))


def _moved(
    at: Callable[[tuple[float, float, float, float]], float],
    point: tuple[float, float, float, float],
    k: int,
    step: float,
) -> float:
    """How far the result moves when input ``k`` moves by ``step``, to the worse side."""
    here = at(point)
    if not math.isfinite(here):
        return here
    values = [at(_shifted(point, k, side * step)) for side in (-1.0, 1.0)]
    return max(abs(value - here) for value in values)


def _shifted(
    point: tuple[float, float, float, float], k: int, by: float
) -> tuple[float, float, float, float]:
    v, res, cap, series = (value + (by if i == k else 0.0) for i, value in enumerate(point))
    return (v, res, cap, series)
