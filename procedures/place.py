"""Where along an element the leak sits, with its interval, and what the readings can't tell apart.

Both ways round and both ends hot, in-phase parts at nominal volts, at equal temperature. Terminal A is
at x = 0, B at 1. With v on the line and n volts from neutral to earth (Ohm's law, voltage divider)::

    line-neutral   I1 = G·(v·(1-x) + n·x)        both ends hot  Ib = G·v
    neutral-line   I2 = G·(n·(1-x) + v·x)        leg to leg     I  = G·(v1·(1-x) - v2·x)

so that I2 - I1 = G·(v-n)·(2x-1) and I1 + I2 = G·(v+n). G is the sum of all leaks' conductances and x
their conductance-weighted mean. Numbers, or arrays with one element per part; currents in mA.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from procedures.budget import Budget, Input, Value, combine, half_width, plain
from procedures.scan import Accuracy

NEUTRAL_V = 2.0  # half-width where nothing is known of neutral to earth under load (P)
NEUTRAL_MOST_V = 5.0  # more is no neutral's drop: the leak itself has changed between the feeds (P)
LEG_V = "leg 1 over leg 2"


@dataclass(frozen=True, slots=True)
class Ways:
    """In-phase leakage each way round and with both ends hot, at ``nominal_v``, fixture off; mA.

    ``u`` are standard uncertainties of the means (type A), ``dof`` the fewest degrees of freedom.
    ``drift``: how far line-neutral, taken before and after, has moved (``drift_beyond``).
    ``both`` None: not measured.
    ``neutral_v``: neutral to earth under load where it was measured, positive in phase.
    """

    line_neutral: Value
    neutral_line: Value
    both: Value | None
    u: tuple[Value, Value, Value]
    dof: Value
    nominal_v: float
    drift: Value = 0.0
    neutral_v: Value | None = None
    neutral_u_v: Value = 0.0


@dataclass(frozen=True, slots=True)
class Place:
    """``x`` with its 95 % interval, cut to the element, and the budget it comes from.

    ``neutral_v`` is what was taken for neutral to earth, ``from_both`` that it follows from the sum.
    """

    x: Value
    low: Value
    high: Value
    budget: Budget
    neutral_v: Value
    from_both: bool


@dataclass(frozen=True, slots=True)
class Foretold:
    """A figure predicted from the two ways round, beside the measured one; mA, ``u`` expanded."""

    name: str
    predicted: Value
    predicted_u: Value
    measured: Value
    measured_u: Value

    @property
    def score(self) -> Value:
        """E_n = (measured - predicted)/sqrt(U² + U²), ISO 13528: more than 1 is disagreement."""
        off: Any = np.asarray(self.measured) - self.predicted
        return plain(off / np.hypot(self.predicted_u, self.measured_u))

    @property
    def agrees(self) -> Any:
        """Whether both figures may be the same; a missing one agrees with nothing."""
        return np.abs(self.score) <= 1.0


def locate(ways: Ways, meter: Accuracy) -> Place:
    """The place of a leak. NaN where nothing leaks.

    The meter's gain errs on all ways alike and cancels; its error at zero is one and the same too (the
    ways correlate through both); the fixture's vector was taken by feed and errs for each by itself.
    """
    from_both = ways.neutral_v is None and ways.both is not None
    made = combine(_by_sum if from_both else _by_ratio, _inputs(ways, meter, from_both))
    reach = made.expanded
    low, high = (np.clip(np.asarray(made.y) + side * reach, 0.0, 1.0) for side in (-1.0, 1.0))
    neutral_v = neutral_from_sum(ways) if from_both else _neutral(ways).value
    return Place(made.y, plain(low), plain(high), made, neutral_v, from_both)


def drift_beyond(first: Value, again: Value, u: Value) -> Value:
    """How far line-neutral has moved beyond what noise explains, ``u`` of the difference; mA.

    Within 2u it counts as noise, which the ways' own ``u`` holds already.
    """
    moved: Any = np.abs(np.asarray(again) - first) - 2.0 * np.asarray(u)
    return plain(np.maximum(moved, 0.0))


def neutral_from_sum(ways: Ways) -> Value:
    """Neutral to earth in V: I1 + I2 exceeds Ib by n/v."""
    both = np.asarray(math.nan if ways.both is None else ways.both, np.float64)
    total = np.asarray(ways.line_neutral) + ways.neutral_line
    share = np.divide(total, both, out=np.full(np.shape(total + both), np.nan), where=both != 0.0)
    return plain(ways.nominal_v * (share - 1.0))


def foretell_both(ways: Ways, meter: Accuracy) -> Foretold:
    """Both ends hot, from the two ways round alone: (I1 + I2)/(1 + n/v)."""
    made = combine(_sum_alone, _inputs(ways, meter, False), "mA")
    measured = math.nan if ways.both is None else ways.both
    measured_u = 2.0 * _reading_u(measured, ways.u[2], meter)
    return Foretold("both ends hot", made.y, made.expanded, measured, measured_u)


def foretell_leg_to_leg(
    ways: Ways,
    meter: Accuracy,
    legs_v: tuple[Value, Value],
    supply: Accuracy,
    measured: tuple[Value, Value],
) -> Foretold:
    """Leg to leg, signed by the leg that prevails, at nominal volts of the legs' mean.

    (I1 - I2)/(1 - n/v) + d·(I1 + I2)/(1 + n/v), with d = (v1 - v2)/(v1 + v2): legs that differ move
    the point that sees no volts. ``measured``: the in-phase part and its expanded uncertainty.
    """
    one, other = (np.asarray(leg, np.float64) for leg in legs_v)
    share = plain((one - other) / (one + other))
    legs_u = np.hypot(supply.half_width(one) / one, supply.half_width(other) / other) / 2.0
    legs = Input(LEG_V, share, plain(legs_u / math.sqrt(3.0)))
    made = combine(_leg_to_leg, [*_inputs(ways, meter, False), legs], "mA")
    return Foretold("leg to leg", made.y, made.expanded, *measured)


def cannot_tell(low: float, high: float) -> str:
    """What the interval leaves open, in words: the same readings come from very different leaks."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no place: too little leaks in phase"
    words = f"one hole between {low:.3f} and {high:.3f}, or several with their weighted mean there"
    if low <= 0.5 <= high:
        words += ", or damp all along"
    return words + bounds(low, high) + "; drying, immersion and looking tell them apart"


def bounds(low: float, high: float) -> str:
    """What must hold whatever it is: near an end, most of the leak must be near that end.

    Markov's inequality: with a weighted mean of at most m from an end, no more than m/d of all
    conductance lies farther than d from it.
    """
    for end, mean in (("A", high), ("B", 1.0 - low)):
        if mean < 0.25:
            share = 100.0 * (1.0 - 2.0 * mean)
            return f"; at least {share:.0f} % of it in the half at terminal {end}"
    return ""


# ---- models: inputs in the order of ``_inputs`` ------------------------------------------------------


def _inputs(ways: Ways, meter: Accuracy, from_both: bool) -> list[Input]:
    """Three ways with noise and fixture, then what they share: zero, drift, neutral's share of v."""
    zero = meter.half_width(0.0)
    both = ways.both if from_both and ways.both is not None else 0.0
    values = (ways.line_neutral, ways.neutral_line, both)
    names = ("line-neutral", "neutral-line", "both ends hot")
    u_zero = zero / math.sqrt(3.0)
    inputs = [
        Input(name, value, plain(np.hypot(u, u_zero)), "mA", "normal", ways.dof)
        for name, value, u in zip(names, values, ways.u, strict=True)
    ]
    drift = plain(np.abs(ways.drift) / 2.0)
    neutral = _neutral(ways)
    share = Input(
        "neutral to earth",
        neutral.value / ways.nominal_v,
        0.0 if from_both else neutral.u / ways.nominal_v,
        "",
        neutral.distribution,
    )
    shared = [half_width("meter zero", 0.0, zero, "mA"), half_width("drift", 0.0, drift, "mA")]
    return [*inputs, *shared, share]


def _neutral(ways: Ways) -> Input:
    if ways.neutral_v is None:
        return half_width("neutral to earth", 0.0, NEUTRAL_V, "V")
    return Input("neutral to earth", ways.neutral_v, ways.neutral_u_v, "V")


def _reading_u(value: Value, noise_u: Value, meter: Accuracy) -> Value:
    half: Any = meter.half_width(np.asarray(value, np.float64))
    return plain(np.hypot(half / math.sqrt(3.0), noise_u))


def _by_sum(i1: Any, i2: Any, both: Any, zero: Any, drift: Any, share: Any) -> Value:
    """x with n taken from Ib: I2 - I1 = (2x-1)·(2·Ib - I1 - I2)."""
    one, two, whole = i1 + zero + drift, i2 + zero, both + zero
    return _half_plus(two - one, 2.0 * whole - one - two)


def _by_ratio(i1: Any, i2: Any, both: Any, zero: Any, drift: Any, share: Any) -> Value:
    """x with n known or bounded: (I2 - I1)/(I1 + I2)·(v + n)/(v - n)."""
    one, two = i1 + zero + drift, i2 + zero
    return _half_plus((two - one) * (1.0 + share), (one + two) * (1.0 - share))


def _sum_alone(i1: Any, i2: Any, both: Any, zero: Any, drift: Any, share: Any) -> Value:
    return plain((i1 + i2 + 2.0 * zero + drift) / (1.0 + share))


def _leg_to_leg(i1: Any, i2: Any, both: Any, zero: Any, drift: Any, share: Any, legs: Any) -> Value:
    one, two = i1 + zero + drift, i2 + zero
    return plain((one - two) / (1.0 - share) + legs * (one + two) / (1.0 + share))


def _half_plus(difference: Any, total: Any) -> Value:
    over, under = np.broadcast_arrays(np.asarray(difference, float), np.asarray(total, float))
    ratio = np.divide(over, under, out=np.full(over.shape, np.nan), where=under > 0.0)
    return plain(0.5 + 0.5 * ratio)


def words_of(found: Sequence[Foretold]) -> list[tuple[str, str]]:
    """(name, words) of each prediction that has a measured figure beside it."""
    told = []
    for one in found:
        if not math.isfinite(float(one.measured)):
            continue
        said = "agrees" if one.agrees else "disagrees: it changed with heat, time or voltage"
        predicted = f"{float(one.predicted):.3f} ± {float(one.predicted_u):.3f} mA"
        told.append(
            (one.name, f"predicted {predicted}, measured {float(one.measured):.3f}: {said}")
        )
    return told
