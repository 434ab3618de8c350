"""What a residual-current device must do, and what its trip tells: times in s, currents in mA."""

from __future__ import annotations

import math

# UL 943 Class A, as quoted by three secondary texts that agree; faster is allowed
CURVE_MA = 20.0
CURVE_POWER = 1.43
MUST_TRIP_MA = 6.0  # NEC informational note to the GFCI definition, as quoted
MUST_HOLD_MA = 4.0  # same: below it a Class A device does not trip
CURVE_ENDS_MA = 264.0  # 110 % of 120 V into 500 ohm; the curve is not extended beyond

# IEC 61008-1, general type, as tabulated in secondary texts: (multiple of rated, longest break time)
RCD_GENERAL_S: tuple[tuple[float, float], ...] = ((1.0, 0.3), (2.0, 0.15), (5.0, 0.04))
RCD_MUST_HOLD = 0.5  # of rated; secondary text


def longest_trip_s(i_ma: float) -> float:
    """Longest trip time that UL 943 allows: (20/I)^1.43 for 6 to 264 mA.

    Infinite below 6 mA, where no trip is demanded. Above 264 mA the end of the curve, 25 ms (from
    memory). NaN stays NaN.
    """
    if i_ma < MUST_TRIP_MA:
        return math.inf
    return float((CURVE_MA / min(i_ma, CURVE_ENDS_MA)) ** CURVE_POWER)


def curve_ma(t_s: float) -> float:
    """The inverse: the current at which UL 943's longest trip time is ``t_s``; NaN off the curve."""
    if not longest_trip_s(CURVE_ENDS_MA) <= t_s <= longest_trip_s(MUST_TRIP_MA):
        return math.nan
    return float(CURVE_MA * t_s ** (-1.0 / CURVE_POWER))


def conforming_bounds_ma(t_s: float) -> tuple[float, float]:
    """What a conforming Class A device that tripped after ``t_s`` shows: low and high bound in mA.

    No more than that: the curve is a maximum, and a trip time can't be turned into a current. A trip
    faster than the end of the curve sets no upper bound (infinite).
    """
    if math.isnan(t_s) or t_s < 0.0:
        return math.nan, math.nan
    if t_s < longest_trip_s(CURVE_ENDS_MA):
        return MUST_HOLD_MA, math.inf
    slow = t_s > longest_trip_s(MUST_TRIP_MA)
    return MUST_HOLD_MA, MUST_TRIP_MA if slow else curve_ma(t_s)


def longest_rcd_s(i_ma: float, rated_ma: float) -> float:
    """Longest break time of a general-type RCD at ``i_ma``; infinite below its rated current."""
    allowed = [limit_s for multiple, limit_s in RCD_GENERAL_S if i_ma >= multiple * rated_ma]
    return min(allowed, default=math.inf)
