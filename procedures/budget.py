"""The law of propagation of uncertainty, and the budget table that it leaves behind.

Source: GUM (JCGM 100:2008) 5.1.2 (independent inputs), 5.2.2 (correlated ones), G.4.1 (effective
degrees of freedom by Welch and Satterthwaite), G.6.4 (coverage factor). Values may be numbers or arrays
with one element per part: the same formulas serve a bench and a study.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np

from procedures.arrays import FloatArray

Value: TypeAlias = float | FloatArray
Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]
# half-width over standard uncertainty: GUM 4.3.7, 4.3.9; H.1.3.4 for the arcsine
DIVISORS: Mapping[Distribution, float] = {
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
    "normal": 2.0,  # an expanded uncertainty, k = 2
}
# Student's t for 95.45 % (GUM table G.2, recomputed): k by degrees of freedom. Between them k goes
# linearly in 1/dof, which overstates it a little and never understates it: it is convex there.
T_95_45: Mapping[float, float] = {
    1: 13.96773,
    2: 4.52654,
    3: 3.30682,
    4: 2.86931,
    5: 2.64865,
    6: 2.51652,
    7: 2.42881,
    8: 2.36642,
    9: 2.31981,
    10: 2.28368,
    12: 2.23135,
    15: 2.18116,
    20: 2.13303,
    30: 2.08684,
    60: 2.04253,
    120: 2.02105,
    math.inf: 2.0,
}
_INVERSE, _FACTORS = np.array(sorted((1.0 / dof, k) for dof, k in T_95_45.items())).T
Correlation = Mapping[tuple[str, str], float]
INDEPENDENT: Correlation = {}


@dataclass(frozen=True, slots=True)
class Input:
    """One input quantity: its value, *standard* uncertainty in ``unit``, and degrees of freedom."""

    name: str
    value: Value
    u: Value
    unit: str = ""
    distribution: Distribution = "normal"
    dof: Value = math.inf


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a budget: an input and what it does to the result."""

    name: str
    value: Value
    u: Value
    unit: str
    distribution: Distribution
    dof: Value
    sensitivity: Value  # of the result, in its unit per ``unit``

    @property
    def contribution(self) -> Value:
        """Signed share of the combined standard uncertainty, c·u, in the result's unit."""
        return self.sensitivity * self.u


@dataclass(frozen=True, slots=True)
class Budget:
    """A result with its combined standard uncertainty ``u``, ``dof``, coverage factor ``k``."""

    y: Value
    u: Value
    dof: Value
    k: Value
    unit: str
    lines: tuple[Line, ...]

    @property
    def expanded(self) -> Value:
        """U = k·u: about 95 %."""
        return self.k * self.u

    def greatest(self) -> Line:
        """The line that contributes most (of one part)."""
        return max(self.lines, key=lambda line: abs(float(line.contribution)))


def half_width(name: str, value: Value, half: Value, unit: str = "") -> Input:
    """An input known only to lie within ``half`` of its value: a rectangle, GUM 4.3.7."""
    return Input(name, value, half / DIVISORS["rectangular"], unit, "rectangular")


def combine(
    model: Callable[..., Value],
    inputs: Sequence[Input],
    unit: str = "",
    correlation: Correlation = INDEPENDENT,
) -> Budget:
    """The budget of ``model(*values)``. Partials are numerical, over one standard uncertainty to both
    sides (GUM 5.1.3 note 2), so that ``model`` may be anything that takes numbers or arrays."""
    values = [one.value for one in inputs]
    lines = [
        Line(
            name=one.name,
            value=one.value,
            u=one.u,
            unit=one.unit,
            distribution=one.distribution,
            dof=one.dof,
            sensitivity=_partial(model, values, place, one.u),
        )
        for place, one in enumerate(inputs)
    ]
    return budget(model(*values), lines, unit, correlation)


def budget(
    y: Value, lines: Sequence[Line], unit: str = "", correlation: Correlation = INDEPENDENT
) -> Budget:
    """Lines to a budget: u by GUM 5.2.2, degrees of freedom by G.4.1, k for 95.45 % by G.6.4.

    The formula of Welch and Satterthwaite is for independent inputs: correlated ones count there as
    one, with the fewest degrees of freedom among them.
    """
    variance = covariance(lines, lines, correlation)
    u = plain(np.sqrt(np.maximum(variance, 0.0)))
    dof = _effective_dof(u, lines, correlation)
    return Budget(y, u, dof, coverage(dof), unit, tuple(lines))


def covariance(
    one: Sequence[Line], other: Sequence[Line], correlation: Correlation = INDEPENDENT
) -> Value:
    """Covariance of two results of the same inputs: sum of c·c'·u·u·r (GUM H.2.3, equation H.9)."""
    total: Any = 0.0
    for a in one:
        for b in other:
            r = 1.0 if a.name == b.name else _between(a.name, b.name, correlation)
            if r != 0.0:
                total = total + r * a.contribution * b.contribution
    return plain(total)


def coverage(dof: Value) -> Value:
    """Coverage factor for 95.45 %: 2 for very many degrees of freedom, more for few. NaN below 1."""
    inverse = 1.0 / np.asarray(dof, np.float64)
    known = np.where(inverse <= 1.0, inverse, np.nan)
    return plain(np.interp(known, _INVERSE, _FACTORS))


def _between(one: str, other: str, correlation: Correlation) -> float:
    return correlation.get((one, other), correlation.get((other, one), 0.0))


def _partial(model: Callable[..., Value], values: Sequence[Value], place: int, u: Value) -> Value:
    """dy/dx of one input, over one standard uncertainty; over a millionth where there is none."""
    x, deviation = np.asarray(values[place], np.float64), np.asarray(u, np.float64)
    step = np.where(deviation > 0.0, deviation, 1e-6 * np.maximum(np.abs(x), 1.0))
    sides = (
        np.asarray(model(*values[:place], plain(x + side * step), *values[place + 1 :]))
        for side in (1.0, -1.0)
    )
    above, below = sides
    return plain((above - below) / (2.0 * step))


def _effective_dof(u: Value, lines: Sequence[Line], correlation: Correlation) -> Value:
    """u⁴ over the sum of u_i⁴/dof_i of independent groups; infinite where nothing has few, NaN where
    something that contributes has less than one."""
    shares: Any = 0.0
    for group in _groups(lines, correlation):
        variance = np.maximum(covariance(group, group, correlation), 0.0)
        fewest = np.min(np.broadcast_arrays(*(np.asarray(one.dof, float) for one in group)), axis=0)
        known = np.where((fewest >= 1.0) | (variance == 0.0), np.maximum(fewest, 1.0), np.nan)
        with np.errstate(invalid="ignore"):  # infinite over infinite: no figure, and none is used
            shares = shares + np.square(variance) / known
    fourth = np.square(np.square(np.asarray(u, np.float64)))
    some = np.isfinite(fourth) & (np.asarray(shares) != 0.0)
    return plain(np.divide(fourth, shares, out=np.full(np.shape(some), np.inf), where=some))


def _groups(lines: Sequence[Line], correlation: Correlation) -> list[list[Line]]:
    """Lines in groups that don't correlate with one another."""
    groups: list[list[Line]] = []
    for line in lines:
        apart: list[list[Line]] = []
        joined = [line]
        for group in groups:
            if any(_between(line.name, one.name, correlation) != 0.0 for one in group):
                joined += group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return groups


def plain(value: Any) -> Value:
    """An array of no dimension as a plain number."""
    array = np.asarray(value, np.float64)
    return float(array) if array.ndim == 0 else array
