"""Conformity and risks against JCGM 106:2012's own examples and against scipy.

The standard's printed results are from memory; the full figures beside them were recomputed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.stats import lognorm, multivariate_normal, norm

from procedures.conformity import (
    GUARD_RULES,
    Tolerance,
    acceptance,
    conformity,
    global_risks,
    lognormal_prior,
    normal_prior,
    share_for,
)

INF = math.inf


@pytest.mark.parametrize(
    ("what", "y", "u", "within", "printed", "full"),
    [
        ("7.3 burst strength, kPa", 509.7, 8.6, Tolerance(490.0, INF), 0.99, 0.98901),
        ("7.3 Zener diode, V", -5.47, 0.05, Tolerance(-INF, -5.40), 0.92, 0.91924),
        ("7.4 motor oil, mm²/s", 13.6, 1.8, Tolerance(12.5, 16.3), 0.66, 0.66263),
    ],
)
def test_probability_of_conformity(
    what: str, y: float, u: float, within: Tolerance, printed: float, full: float
) -> None:
    got = conformity(y, u, within)
    assert got == pytest.approx(full, abs=6e-6)
    assert got == pytest.approx(printed, abs=5e-3)
    assert got == pytest.approx(norm.cdf(within.upper, y, u) - norm.cdf(within.lower, y, u))


@pytest.mark.parametrize(
    ("chance", "printed"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_table_1(chance: float, printed: float) -> None:
    """JCGM 106:2012 table 1: z for a probability of conformity, here as the share of U = 2u."""
    assert 2.0 * share_for(1.0 - chance) == pytest.approx(printed, abs=6e-3)
    assert 2.0 * share_for(1.0 - chance) == pytest.approx(norm.ppf(chance), rel=1e-9)


def test_8_3_speed_enforcement() -> None:
    """100 km/h, 2 %, 99.9 %: v(1 - 0.02·z) = 100 gives 106.588, printed 107."""
    z = 2.0 * share_for(0.001)
    v = 100.0 / (1.0 - 0.02 * z)
    assert v == pytest.approx(106.588, abs=1e-3)
    assert conformity(v, 0.02 * v, Tolerance(-INF, 100.0)) == pytest.approx(0.001, rel=1e-9)


RESISTORS = normal_prior(1500.0, 0.12)  # 9.5: ohm, made with u0, measured with 0.04
WITHIN = Tolerance(1499.8, 1500.2)


def test_9_5_resistors() -> None:
    """Accepted within ±0.18 of ±0.20 ohm: R_C 0.01, R_P 0.07 printed."""
    got = global_risks(RESISTORS, 0.04, WITHIN, WITHIN.guarded(0.02))
    assert got.consumer == pytest.approx(0.00988, abs=5e-6)
    assert got.producer == pytest.approx(0.06903, abs=5e-6)
    inside = acceptance(1500.0, 0.12, WITHIN)  # of the prior: printed 0.90
    assert inside == pytest.approx(0.90442, abs=5e-6)
    assert got.accepted == pytest.approx(inside - got.producer + got.consumer, abs=1e-9)


def test_9_5_shared_risk() -> None:
    got = global_risks(RESISTORS, 0.04, WITHIN, WITHIN)
    assert got == pytest.approx((0.01894, 0.03721, 0.88615), abs=5e-6)


@pytest.mark.parametrize("w", [0.0, 0.02, 0.05])
def test_global_risks_as_the_bivariate_normal_has_them(w: float) -> None:
    """True value and reading are jointly normal: covariance u0², variances u0² and u0² + u²."""
    got = global_risks(RESISTORS, 0.04, WITHIN, WITHIN.guarded(w))
    square = [[0.12**2, 0.12**2], [0.12**2, 0.12**2 + 0.04**2]]
    both = multivariate_normal([0.0, 0.0], square)
    a = 0.2 - w
    good = both.cdf([0.2, a], lower_limit=[-0.2, -a])
    accepted = norm.cdf(a, 0.0, math.hypot(0.12, 0.04)) * 2.0 - 1.0
    assert got.accepted == pytest.approx(accepted, abs=1e-9)
    assert got.consumer == pytest.approx(accepted - good, abs=2e-6)
    assert got.producer == pytest.approx(norm.cdf(0.2, 0.0, 0.12) * 2.0 - 1.0 - good, abs=2e-6)


def test_leaky_parts_scattered_by_factors_as_scipy_integrates_them() -> None:
    """Parts about 0.2 mA, factor 3; limit 0.75 mA with U = 0.05 mA kept off it."""
    prior, limit, u = lognormal_prior(0.2, 3.0), 0.75, 0.025
    got = global_risks(prior, u, Tolerance(-INF, limit), Tolerance(-INF, limit - 2.0 * u))
    law = lognorm(math.log(3.0), scale=0.2)
    consumer, _ = quad(
        lambda x: law.pdf(x) * norm.cdf(limit - 2.0 * u - x, 0.0, u), limit, limit + 1.0
    )
    producer, _ = quad(
        lambda x: law.pdf(x) * norm.sf(limit - 2.0 * u - x, 0.0, u), 0.3, limit, points=[0.7]
    )
    assert got.consumer == pytest.approx(consumer, rel=1e-6)
    assert got.producer == pytest.approx(producer, rel=1e-6)
    assert got.accepted == pytest.approx(float(law.cdf(0.7)), abs=2e-3)


def test_global_risk_as_a_double_integral() -> None:
    """JCGM 106:2012 equation 19, straight: the joint density over what is accepted and outside."""
    got = global_risks(normal_prior(0.5, 0.2), 0.05, Tolerance(-INF, 0.75), Tolerance(-INF, 0.7))
    direct, _ = dblquad(
        lambda y, x: norm.pdf(x, 0.5, 0.2) * norm.pdf(y, x, 0.05), 0.75, 1.2, 0.3, 0.7
    )
    assert got.consumer == pytest.approx(direct, rel=1e-6)


@pytest.mark.parametrize(
    ("name", "most", "full"),
    [  # ILAC-G8:09/2019 as quoted, one-sided normal risk at the guarded limit recomputed
        ("simple acceptance", 0.5, 0.5),
        ("0.83 U", 0.05, 0.04846),
        ("U", 0.025, 0.02275),
        ("1.5 U", 0.0016, 0.00135),
        ("3 U", 1e-6, 9.866e-10),
    ],
)
def test_guard_rules_hold_the_risk_they_promise(name: str, most: float, full: float) -> None:
    rule = next(rule for rule in GUARD_RULES if rule.name == name)
    assert rule.risk <= most
    assert rule.risk == pytest.approx(full, rel=1e-3, abs=1e-12)
    at_the_edge = acceptance(1.0, 0.05, Tolerance(-INF, 1.0 - rule.share * 0.1))
    assert at_the_edge == pytest.approx(full, rel=1e-3, abs=1e-12)


def test_five_per_cent_needs_0_8224_of_u() -> None:
    assert share_for(0.05) == pytest.approx(0.8224, abs=5e-5)


def test_a_part_at_080_with_u_008_passes_less_than_once_in_a_thousand() -> None:
    """The shop's own figure: 0.75 less 0.08 is 3.25 standard uncertainties below 0.80."""
    chance = acceptance(0.80, 0.04, Tolerance(-INF, 0.75 - 0.08))
    assert chance == pytest.approx(float(norm.sf(3.25)), rel=1e-6)
    assert chance <= 0.001
    assert acceptance(0.75, 0.04, Tolerance(-INF, 0.67)) <= 0.023


def test_many_parts_at_once() -> None:
    y = np.array([0.6, 0.75, 0.9, math.nan])
    got = np.asarray(conformity(y, np.full(4, 0.05), Tolerance(-INF, 0.75)))
    assert got[:3] == pytest.approx(norm.cdf(0.75, y[:3], 0.05))
    assert math.isnan(got[3])
