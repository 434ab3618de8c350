"""Correlated samples against closed forms, NIST's certified correlations and simulation by scipy."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.noise import _autocorrelation, inflation
from tests.procedures.courses import remembering

# NIST StRD, NumAcc1 to 4, certified lag-1 autocorrelation: seen in published data files
NUM_ACC = {
    1: ([10000001.0, 10000003.0, 10000002.0], -0.5),
    2: ([1.2, *[1.1, 1.3] * 500], -0.999),
    3: ([1000000.2, *[1000000.1, 1000000.3] * 500], -0.999),
    4: ([10000000.2, *[10000000.1, 10000000.3] * 500], -0.999),
}


@pytest.mark.parametrize("which", NUM_ACC)
def test_lag_1_autocorrelation_as_nist_certifies_it(which: int) -> None:
    data, certified = NUM_ACC[which]
    assert float(_autocorrelation(np.array([data]), 1)[0]) == pytest.approx(certified, rel=1e-6)


@pytest.mark.parametrize("n", [2, 10, 400])
@pytest.mark.parametrize("r", [0.0, 0.3, 0.9])
def test_the_closed_form_is_the_sum(n: int, r: float) -> None:
    """Zieba 2010, equation for the effective number of observations (from memory): the plain sum."""
    summed = 1.0 + 2.0 * sum((1.0 - k / n) * r**k for k in range(1, n))
    assert inflation(r, n) == pytest.approx(summed, rel=1e-12)


@pytest.mark.parametrize("r", [0.5, 0.9])
def test_simulated_means_scatter_as_the_closed_form_says(r: float) -> None:
    """20,000 first-order autoregressions of 50 samples, filtered by scipy; 1 % is the standard error."""
    means = remembering(np.random.default_rng(1), 20_000, 50, r).mean(axis=1)
    assert float(means.var()) * 50.0 == pytest.approx(inflation(r, 50), rel=0.04)
