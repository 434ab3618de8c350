"""Settling, drying and rising on made series, with scipy as an independent fit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from procedures.budget import coverage
from procedures.decay import fit_decay
from procedures.errors import BadSeries
from procedures.noise import inflation
from procedures.series import drying, rising_rejects, settle, settle_many
from tests.procedures.courses import remembering

T = np.arange(0.0, 720.0, 0.2)


def _noise(sd: float, seed: int = 1, n: int = T.size) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, n)


def test_settle_by_hand() -> None:
    got = settle([0, 1, 2, 3, 4, 5, 6, 7], [9.0, 9.0, 5.0, 5.0, 1.0, 1.0, 2.0, 4.0])
    assert (got.mean, got.n) == (3.0, 2)
    assert got.scatter == pytest.approx(math.sqrt(2.0))
    assert got.rise == pytest.approx(-6.0)
    assert got.slope_per_s == pytest.approx(2.0)
    assert not got.steady


def test_the_window_can_be_given_in_seconds() -> None:
    got = settle([0, 1, 2, 3, 4], [0.0, 0.0, 3.0, 4.0, 5.0], window_s=2.0)
    assert (got.n, got.mean) == (3, 4.0)


def test_nothing_measured_is_not_zero() -> None:
    got = settle([], [])
    assert got.n == 0
    assert math.isnan(got.mean)
    assert not got.steady
    assert math.isnan(settle([0.0], [0.3]).scatter)
    assert math.isnan(settle([0, 1, 2, 3], [0.1, 0.1, 0.1, math.nan]).mean)


def test_steady_is_a_slope_within_its_limit() -> None:
    assert settle(T, 0.3 + _noise(0.01)).steady
    assert not settle(T, 0.3 + 0.002 * T).steady  # 0.12 mA a minute
    assert settle(T, 0.3 + 0.002 * T, limit_per_s=0.003).steady


def test_many_parts_settle_as_each_alone() -> None:
    rows = np.stack([0.1 + _noise(0.01, 1), 0.5 + _noise(0.05, 2) + T / 1000.0])
    many = settle_many(T, rows)
    for k, row in enumerate(rows):
        alone = settle(T, row)
        assert many.mean[k] == pytest.approx(alone.mean)
        assert many.scatter[k] == pytest.approx(alone.scatter)
        assert many.slope_per_s[k] == pytest.approx(alone.slope_per_s)
        assert bool(many.steady[k]) is alone.steady


@pytest.mark.parametrize(("t", "y"), [([0, 1], [1.0]), ([1, 0], [1.0, 1.0]), ([[0]], [1.0])])
def test_times_that_do_not_belong_are_refused(t: list[float], y: list[float]) -> None:
    with pytest.raises(BadSeries):
        settle(t, y)


@pytest.mark.parametrize("tau_s", [40.0, 150.0, 400.0])
def test_drying_is_fitted_as_scipy_fits_it(tau_s: float) -> None:
    y = 0.15 + 2.75 * np.exp(-T / tau_s) + _noise(0.01)
    (a, b, tau), _ = curve_fit(
        lambda t, a, b, tau: a + b * np.exp(-t / tau), T, y, p0=(y[-1], y[0] - y[-1], 100.0)
    )
    got = drying(T, y, within_ma=0.02)
    assert got.falling
    assert got.asymptote == pytest.approx(a, abs=0.005)
    assert got.tau_s == pytest.approx(tau, rel=0.01)
    assert got.end_s == pytest.approx(tau * math.log(b / 0.02), rel=0.02)


def test_the_end_of_drying_counts_from_the_series_own_start() -> None:
    y = 0.15 + 2.75 * np.exp(-T / 100.0)
    assert drying(T + 5000.0, y).end_s == pytest.approx(drying(T, y).end_s + 5000.0)


def test_a_straight_fall_has_no_end_in_sight() -> None:
    got = drying(T[:500], 2.9 - T[:500] / 1000.0 + _noise(0.01, 3, 500))
    assert got.falling
    assert math.isnan(got.asymptote)
    assert math.isinf(got.end_s)


@pytest.mark.parametrize("seed", [2, 31, 32])  # noise that happens to bend the line a little
def test_a_bend_within_the_noise_is_no_plateau(seed: int) -> None:
    got = drying(T, 0.8 - 0.2 * T / 720.0 + _noise(0.1, seed))
    assert got.falling
    assert math.isnan(got.asymptote)


def test_a_start_up_spike_the_other_way_is_no_plateau() -> None:
    """The first reading is low, then a step down: the best exponential rises, so it isn't believed."""
    y = np.full(80, 5.0)
    y[1:20] = 6.0
    y[0] = 2.0
    got = drying(np.arange(80.0), y)
    assert got.falling
    assert math.isnan(got.asymptote)


@pytest.mark.parametrize("seed", range(5))
def test_noise_and_rise_are_no_drying(seed: int) -> None:
    assert not drying(T[:300], 0.3 + _noise(0.01, seed, 300)).falling
    assert not drying(T, 0.3 + 0.2 * (1.0 - np.exp(-T / 100.0))).falling
    assert not drying(T, np.full(T.size, 0.3)).falling


def test_too_few_samples_fit_nothing() -> None:
    assert fit_decay(np.arange(4.0), np.arange(4.0)) is None
    assert fit_decay(np.zeros(9), np.arange(9.0)) is None
    assert fit_decay(np.arange(9.0), np.full(9, math.nan)) is None


@settings(deadline=None)  # machines stall
@given(st.lists(st.floats(0.0, 30.0), min_size=1, max_size=40))
def test_any_series_is_answered(values: list[float]) -> None:
    t = np.arange(float(len(values)))
    got = drying(t, values)
    assert got.falling or math.isinf(got.end_s)
    rejects, _, words = rising_rejects(t, values, 0.05, 0.75)
    assert words
    assert not rejects or settle(t, values).rise > 0.10


@pytest.mark.parametrize(
    ("y", "rejects"),
    [
        (0.30 + 0.05 * T / 720.0, False),  # a rise of 0.04 is none
        (0.20 + 0.30 * (1.0 - np.exp(-T / 100.0)), False),  # towards 0.50
        (0.30 + 0.60 * (1.0 - np.exp(-T / 150.0)), True),  # towards 0.90
        (0.10 + 0.30 * T / 720.0, True),  # no plateau at all, though only 0.40 at the end
        (0.90 - 0.60 * (1.0 - np.exp(-T / 150.0)), False),  # falls
    ],
)
def test_rising(y: np.ndarray, rejects: bool) -> None:
    got, _, words = rising_rejects(T, y + _noise(0.005), 0.05, 0.75)
    assert got is rejects, words


def test_the_significance_of_a_rise_is_twice_u() -> None:
    """0.10 to 0.40 straight: quarter means 0.225 apart."""
    y = 0.10 + 0.30 * T / 720.0
    assert rising_rejects(T, y, 0.112, 0.75)[0]
    assert not rising_rejects(T, y, 0.113, 0.75)[0]


def test_the_projected_plateau_decides_before_it_is_reached() -> None:
    y = 0.30 + 0.60 * (1.0 - np.exp(-T / 300.0)) + _noise(0.005)
    early = T < 400.0  # has reached 0.74
    rejects, plateau, _ = rising_rejects(T[early], y[early], 0.05, 0.75, longest_s=960.0)
    assert rejects
    assert plateau == pytest.approx(0.90, abs=0.03)


def test_a_plateau_beyond_the_longest_soak_is_none() -> None:
    y = 0.10 + 0.50 * (1.0 - np.exp(-T / 400.0)) + _noise(0.002)
    assert rising_rejects(T, y, 0.02, 0.75, longest_s=480.0)[:2] == (True, math.inf)
    assert not rising_rejects(T, y, 0.02, 0.75, longest_s=1200.0)[0]
    later = T + 90_000.0  # the end is on the clock of the series, and never before its start
    assert not rising_rejects(later, y, 0.02, 0.75, longest_s=91_200.0)[0]
    assert rising_rejects(later, y, 0.02, 0.75, longest_s=90_480.0)[0]
    assert rising_rejects(later, y, 0.02, 0.75, longest_s=1200.0)[0]


@pytest.mark.parametrize("r", [0.5, 0.8])
def test_noise_that_remembers_is_seldom_taken_for_drying(r: float) -> None:
    """Its slow wander looks like a fall of several standard errors of independent samples."""
    rows = 0.3 + 0.05 * remembering(np.random.default_rng(1), 100, 300, r)
    assert sum(drying(T[:300], row).falling for row in rows) <= 3


def test_a_settled_mean_has_its_uncertainty_and_degrees_of_freedom() -> None:
    rows = 0.4 + 0.02 * remembering(np.random.default_rng(2), 500, 1200, 0.6)
    many = settle_many(T[:1200], rows)
    assert many.n == 300
    assert np.median(many.mean_u) == pytest.approx(
        0.02 * np.sqrt(inflation(0.6, 300) / 300), rel=0.1
    )
    covered = np.abs(many.mean - 0.4) <= coverage(many.dof) * many.mean_u
    assert float(covered.mean()) >= 0.92
    alone = settle(T[:1200], rows[0])
    assert (alone.mean_u, alone.dof) == pytest.approx((many.mean_u[0], many.dof[0]))
