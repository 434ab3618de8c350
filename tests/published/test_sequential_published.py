"""Group-sequential constants against published tables and an independent integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm, t

from procedures.errors import BadSeries
from procedures.sequential import (
    crossings,
    obrien_fleming,
    pocock,
    spending_bounds,
    spent,
    type_a_factor,
)

# Jennison and Turnbull, Group Sequential Methods (2000), tables 2.1 and 2.3, two-sided 0.05: from memory
POCOCK = {2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413, 10: 2.555}
OBRIEN_FLEMING = {2: 1.977, 3: 2.004, 4: 2.024, 5: 2.040, 10: 2.087}
# spending of O'Brien-Fleming type, five equal looks, two-sided 0.05: from memory
LAN_DEMETS = (4.8769, 3.3569, 2.6803, 2.2898, 2.0310)
FIVE = tuple(k / 5.0 for k in range(1, 6))


@pytest.mark.parametrize("looks", POCOCK)
def test_pocock(looks: int) -> None:
    assert pocock(looks) == pytest.approx([POCOCK[looks]] * looks, abs=6e-4)


@pytest.mark.parametrize("looks", OBRIEN_FLEMING)
def test_obrien_fleming(looks: int) -> None:
    bounds = obrien_fleming(looks)
    assert bounds[-1] == pytest.approx(OBRIEN_FLEMING[looks], abs=6e-4)
    assert bounds[0] == pytest.approx(OBRIEN_FLEMING[looks] * looks**0.5, abs=3e-3)


def test_one_look_is_the_normal_quantile() -> None:
    assert obrien_fleming(1)[0] == pytest.approx(float(norm.ppf(0.975)), abs=1e-9)


def test_spending_of_the_obrien_fleming_type() -> None:
    assert spending_bounds(FIVE, 0.05) == pytest.approx(LAN_DEMETS, abs=3e-4)
    assert spent(1.0, 0.05) == pytest.approx(0.05)
    assert spent(0.0) == 0.0


def test_crossings_as_a_multivariate_normal_has_them() -> None:
    """Three looks at unequal information, by scipy's integration of the joint normal."""
    information, bounds = np.array([1.0, 1.7, 3.0]), [2.6, 2.3, 2.1]
    cov = np.minimum.outer(information, information)
    edges = np.array(bounds) * np.sqrt(information)
    inside = [
        multivariate_normal(np.zeros(k), cov[:k, :k]).cdf(edges[:k], lower_limit=-edges[:k])
        for k in (1, 2, 3)
    ]
    expected = -np.diff([1.0, *inside])
    assert crossings(bounds, list(information)) == pytest.approx(expected, abs=2e-5)


def test_the_error_is_spent_and_no_more_however_many_looks() -> None:
    for looks in (1, 7, 40):
        shares = tuple((k + 1) / looks for k in range(looks))
        bounds = spending_bounds(shares, 0.0455)
        assert sum(crossings(bounds, shares)) == pytest.approx(0.0455, abs=2e-6)


def test_simulated_walks_leave_as_often_as_computed() -> None:
    """200,000 walks: nothing but numpy; 0.0005 is the standard error."""
    steps = np.random.default_rng(1).normal(size=(200_000, 5))
    z = np.cumsum(steps, axis=1) / np.sqrt(np.arange(1, 6))
    left = (np.abs(z) > np.array(spending_bounds(FIVE, 0.0455))).any(axis=1)
    assert float(left.mean()) == pytest.approx(0.0455, abs=0.002)


@pytest.mark.parametrize("shares", [(), (0.0, 1.0), (0.5, 0.5, 1.0)])
def test_information_must_rise(shares: tuple[float, ...]) -> None:
    with pytest.raises(BadSeries):
        spending_bounds(shares)


@pytest.mark.parametrize(("dof", "within"), [(2.0, 0.7), (5.0, 0.05), (18.0, 0.01), (100.0, 0.005)])
@pytest.mark.parametrize("bound", [2.0, 2.8, 4.0])
def test_few_degrees_of_freedom_reach_a_tail_further_out(
    bound: float, dof: float, within: float
) -> None:
    """Student's t of the same tail by scipy; less than that would be an error, more is caution."""
    exact = float(t.isf(norm.sf(bound), dof) / t.isf(norm.sf(2.0), dof))
    assert 0.995 * exact <= type_a_factor(bound, dof) <= (1.0 + within) * exact


def test_one_look_counts_as_it_is() -> None:
    assert type_a_factor(2.0, np.array([1.0, 2.0, 7.0, np.inf])) == pytest.approx([1.0] * 4)
    assert type_a_factor(2.5, np.inf) == pytest.approx(1.25, abs=1e-4)
