"""The budget against the GUM's own examples, and against two libraries that nobody here wrote."""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import GTC
import numpy as np
import pytest
import uncertainties
from scipy.stats import t as student
from uncertainties import umath

from procedures.budget import (
    DIVISORS,
    T_95_45,
    Input,
    budget,
    combine,
    covariance,
    coverage,
    half_width,
)
from procedures.place import Foretold

# GUM (JCGM 100:2008) table H.2: two published data files that are identical. Start from these, not
# from the printed means: the rounded ones give u(R) = 0.070 and r(R,X) = -0.591 instead.
VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
MILLIAMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
RADIAN = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
ROWS = {"V": VOLT, "I": MILLIAMPERE / 1000.0, "phi": RADIAN}


def _h2_inputs() -> tuple[list[Input], dict[tuple[str, str], float]]:
    inputs = [
        Input(name, float(row.mean()), float(row.std(ddof=1)) / math.sqrt(5.0), dof=4.0)
        for name, row in ROWS.items()
    ]
    names = list(ROWS)
    r = np.corrcoef(list(ROWS.values()))
    pairs = ((0, 1), (0, 2), (1, 2))
    return inputs, {(names[i], names[j]): float(r[i, j]) for i, j in pairs}


H2: dict[str, Callable[..., Any]] = {
    "R": lambda v, i, phi: v / i * np.cos(phi),
    "X": lambda v, i, phi: v / i * np.sin(phi),
    "Z": lambda v, i, phi: v / i,
}


@pytest.mark.parametrize(
    ("what", "value", "u", "printed", "printed_u"),
    [  # full figures recomputed; printed ones: R found, the others from memory
        ("R", 127.732170, 0.0710714, 127.732, 0.071),
        ("X", 219.846512, 0.295582, 219.847, 0.295),
        ("Z", 254.259702, 0.236336, 254.260, 0.236),
    ],
)
def test_gum_h2_resistance_reactance_impedance(
    what: str, value: float, u: float, printed: float, printed_u: float
) -> None:
    inputs, r = _h2_inputs()
    got = combine(H2[what], inputs, "ohm", r)
    assert got.y == pytest.approx(value, abs=1e-6)
    assert got.u == pytest.approx(u, rel=1e-5)
    assert got.y == pytest.approx(printed, abs=6e-4)
    assert got.u == pytest.approx(printed_u, abs=1e-3)
    assert got.dof == pytest.approx(4.0)  # all five rows' own: correlated inputs count as one


@pytest.mark.parametrize(
    ("one", "other", "full", "printed"),
    [  # printed: from memory
        ("R", "X", -0.588430, -0.588),
        ("R", "Z", -0.485259, -0.485),
        ("X", "Z", 0.992512, 0.993),
    ],
)
def test_gum_h2_correlation_of_results(one: str, other: str, full: float, printed: float) -> None:
    inputs, r = _h2_inputs()
    a, b = (combine(H2[what], inputs, "ohm", r) for what in (one, other))
    got = float(covariance(a.lines, b.lines, r)) / (float(a.u) * float(b.u))
    assert got == pytest.approx(full, abs=2e-6)
    assert got == pytest.approx(printed, abs=1e-3)


def _end_gauge(
    l_s: float,
    repeat: float,
    d1: float,
    d2: float,
    a_s: float,
    th: float,
    arc: float,
    da: float,
    dt: float,
) -> float:
    """GUM H.1, equation H.3 to first order: the comparator's difference is the sum of its three."""
    d = repeat + d1 + d2
    return l_s + d - l_s * (da * (th + arc) + a_s * dt)


H1 = (  # inputs as in two public programs that work the example; nm, 1/°C, °C
    Input("standard", 50_000_623.0, 25.0, "nm", dof=18.0),
    Input("difference, repeated", 215.0, 5.8, "nm", dof=24.0),
    Input("comparator, random", 0.0, 3.9, "nm", dof=5.0),
    Input("comparator, systematic", 0.0, 6.7, "nm", dof=8.0),
    Input("expansion of the standard", 11.5e-6, 2e-6 / math.sqrt(3.0), "1/K"),
    Input("bed's mean temperature", -0.1, 0.2, "°C"),
    Input("bed's cycle", 0.0, 0.5 / DIVISORS["arcsine"], "°C", "arcsine"),
    Input("difference of expansion", 0.0, 1e-6 / math.sqrt(3.0), "1/K", "rectangular", 50.0),
    Input("difference of temperature", 0.0, 0.05 / math.sqrt(3.0), "°C", "rectangular", 2.0),
)


def test_gum_h1_end_gauge() -> None:
    got = combine(_end_gauge, H1, "nm")
    shares = {line.name: abs(float(line.contribution)) for line in got.lines}
    comparator = math.hypot(
        *(u for name, u in shares.items() if "compar" in name or "repeated" in name)
    )
    assert got.y == pytest.approx(50_000_838.0, abs=0.5)
    assert shares["standard"] == pytest.approx(25.0, rel=1e-6)
    assert comparator == pytest.approx(9.6819, abs=1e-4)  # printed 9.7
    assert shares["difference of expansion"] == pytest.approx(2.8868, abs=2e-3)  # printed 2.9
    assert shares["difference of temperature"] == pytest.approx(16.5988, abs=2e-3)  # printed 16.6
    assert got.u == pytest.approx(31.6638, abs=2e-3)  # printed 32
    # printed 16.7, from the unrounded u: 32 nm would give 17.5
    assert got.dof == pytest.approx(16.75, abs=0.05)


def test_gum_g_4_1() -> None:
    """Relative 0.25, 0.57, 0.82 % with n = 10, 5, 15: 1.03 %, 19.0 (from memory, recomputed)."""
    inputs = [
        Input(str(n), 1.0, u, "%", dof=n - 1.0) for n, u in ((10, 0.25), (5, 0.57), (15, 0.82))
    ]
    got = combine(lambda a, b, c: a + b + c, inputs)
    assert got.u == pytest.approx(1.0295, abs=1e-4)
    assert got.dof == pytest.approx(19.0, abs=0.05)


def test_coverage_factors_are_students() -> None:
    """GUM table G.2, column 95.45 % (from memory: 13.97, 4.53, 2.87 (4), 2.28 (10), 2.13 (20))."""
    confidence = 0.5 + (NormalDist().cdf(2.0) - 0.5)
    for dof, k in T_95_45.items():
        wanted = 2.0 if math.isinf(dof) else float(student.ppf(confidence, dof))
        assert k == pytest.approx(wanted, abs=1e-5)
        assert coverage(dof) == pytest.approx(k, abs=1e-12)
    for dof, printed in ((1, 13.97), (2, 4.53), (4, 2.87), (10, 2.28), (20, 2.13)):
        assert coverage(dof) == pytest.approx(printed, abs=5e-3)


@pytest.mark.parametrize("dof", [1.5, 4.5, 11.0, 25.0, 90.0, 1e4])
def test_between_the_lines_of_the_table_k_is_never_understated(dof: float) -> None:
    exact = float(student.ppf(NormalDist().cdf(2.0), dof))
    most = 0.30 if dof < 2.0 else 0.005
    assert 0.0 <= float(coverage(dof)) / exact - 1.0 <= most


@pytest.mark.parametrize("seed", range(4))
def test_as_two_other_libraries_propagate(seed: int) -> None:
    """A phasor through a resistor, with correlated parts of the current: numbers drawn."""
    rng = np.random.default_rng(seed)
    v, i, phi, rs = rng.uniform((110, 1.0, -1.2, 30_000), (130, 2.4, 0.0, 60_000))
    u = rng.uniform((0.1, 0.001, 0.001, 20.0), (0.5, 0.004, 0.004, 200.0))
    r = float(rng.uniform(-0.8, 0.8))

    def model(v: Any, i: Any, phi: Any, rs: Any, cos: Any = np.cos) -> Any:
        return v / i * 1000.0 * cos(phi) - rs

    names, values = ("v", "i", "phi", "rs"), (v, i, phi, rs)
    inputs = [Input(n, x, s, dof=9.0) for n, x, s in zip(names, values, u, strict=True)]
    got = combine(model, inputs, "ohm", {("i", "phi"): r})

    square = np.diag(np.square(u))
    square[1, 2] = square[2, 1] = r * u[1] * u[2]
    theirs = uncertainties.correlated_values(values, square)
    other = model(*theirs, cos=umath.cos)
    assert got.y == pytest.approx(other.nominal_value, rel=1e-12)
    assert got.u == pytest.approx(other.std_dev, rel=1e-4)

    reals = [GTC.ureal(x, s, independent=False) for x, s in zip(values, u, strict=True)]
    GTC.set_correlation(r, reals[1], reals[2])
    third = model(*reals, cos=GTC.cos)
    assert got.u == pytest.approx(third.u, rel=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_effective_degrees_of_freedom_as_another_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    u, dof = rng.uniform(0.01, 0.1, 5), rng.integers(2, 30, 5).astype(float)
    inputs = [
        Input(str(n), 1.0, float(s), dof=float(d))
        for n, (s, d) in enumerate(zip(u, dof, strict=True))
    ]
    got = combine(lambda a, b, c, d, e: a * b + c * d - e, inputs)
    a, b, c, d, e = (GTC.ureal(1.0, s, df) for s, df in zip(u, dof, strict=True))
    theirs = a * b + c * d - e
    assert got.u == pytest.approx(theirs.u, rel=1e-6)
    assert got.dof == pytest.approx(theirs.df, rel=1e-6)
    assert budget(1.0, got.lines).u == got.u


def test_jcgm_101_sum_of_four_standard_normals() -> None:
    """JCGM 101:2008 9.2.2 (from memory): u 2.0; by the GUM the same."""
    inputs = [Input(name, 0.0, 1.0) for name in "abcd"]
    assert combine(lambda a, b, c, d: a + b + c + d, inputs).u == pytest.approx(2.0)


def test_jcgm_101_rectangles_of_the_same_deviation() -> None:
    """JCGM 101:2008 9.2.3 (from memory): u 2.0 again; half-widths sqrt(3)."""
    inputs = [half_width(name, 0.0, math.sqrt(3.0)) for name in "abcd"]
    assert combine(lambda a, b, c, d: a + b + c + d, inputs).u == pytest.approx(2.0)


def test_score_of_two_laboratories() -> None:
    """E_n with expanded uncertainties (Accred Qual Assur 2005, s00769-005-0021-8; recomputed): 10.5 ±
    0.6 against 10.0 ± 0.3 is 0.745356, satisfactory; with 11.0 it is not."""
    assert Foretold("", 10.0, 0.3, 10.5, 0.6).score == pytest.approx(0.745356, abs=1e-6)
    assert Foretold("", 10.0, 0.3, 10.5, 0.6).agrees
    assert not Foretold("", 10.0, 0.3, 11.0, 0.6).agrees
