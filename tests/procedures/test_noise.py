"""The uncertainty of a mean whose samples remember one another."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.budget import coverage
from procedures.noise import inflation, steady_spectrum, type_a, usual_scatter
from tests.procedures.courses import remembering

PARTS = 4000


def _covered(n: int, r: float, seed: int = 1) -> float:
    rows = remembering(np.random.default_rng(seed), PARTS, n, r)
    found = type_a(rows)
    return float(np.mean(np.abs(rows.mean(axis=1)) <= coverage(found.dof) * found.u))


# the standard error of each figure is 0.0035; 0.9545 is what k = 2 stands for
@pytest.mark.parametrize(
    ("n", "r"), [(10, 0.0), (30, 0.0), (70, 0.0), (70, 0.5), (150, 0.5), (150, 0.8), (600, 0.8)]
)
def test_the_interval_holds_the_truth_as_often_as_it_says(n: int, r: float) -> None:
    assert 0.94 <= _covered(n, r) <= 0.97


@pytest.mark.parametrize(("n", "r"), [(70, 0.8), (150, 0.9), (600, 0.95)])
def test_a_naive_standard_error_would_not(n: int, r: float) -> None:
    """s/sqrt(n) with k = 2 on the same series, where ours holds nearly always."""
    rows = remembering(np.random.default_rng(1), PARTS, n, r)
    naive = 2.0 * rows.std(axis=1, ddof=1) / np.sqrt(n)
    assert float(np.mean(np.abs(rows.mean(axis=1)) <= naive)) < 0.60
    assert _covered(n, r) >= 0.93


def test_white_noise_of_a_meter_does_not_hide_a_slow_one() -> None:
    rng = np.random.default_rng(2)
    rows = remembering(rng, PARTS, 600, 0.9) + rng.normal(size=(PARTS, 600))
    found = type_a(rows)
    assert float(np.mean(np.abs(rows.mean(axis=1)) <= coverage(found.dof) * found.u)) >= 0.93


def test_independent_samples_count_each() -> None:
    rows = np.random.default_rng(3).normal(size=(500, 600))
    found = type_a(rows)
    assert np.median(found.u) == pytest.approx(1.0 / np.sqrt(600.0), rel=0.05)
    assert np.median(found.independent) == pytest.approx(600.0, rel=0.1)
    assert float(found.dof.min()) >= 20.0


@pytest.mark.parametrize("r", [0.5, 0.8])
def test_fewer_samples_are_independent_where_they_remember(r: float) -> None:
    found = type_a(remembering(np.random.default_rng(4), 500, 3000, r))
    expected = 3000.0 / inflation(r, 3000)
    assert np.median(found.independent) == pytest.approx(expected, rel=0.1)
    assert np.median(found.correlation) == pytest.approx(r, abs=0.02)


def test_a_unit_is_kept_and_many_rows_are_as_each_alone() -> None:
    rows = remembering(np.random.default_rng(5), 3, 80, 0.4)
    many = type_a(0.02 * rows)
    for k, row in enumerate(rows):
        alone = type_a(row[None])
        assert many.u[k] == pytest.approx(0.02 * float(alone.u[0]))
        assert many.dof[k] == alone.dof[0]


def test_too_few_or_missing_samples_have_no_uncertainty() -> None:
    assert np.isnan(type_a(np.ones((2, 2))).u).all()
    assert np.isnan(steady_spectrum(np.ones((2, 2)))).all()
    gap = np.ones((1, 20))
    gap[0, 3] = np.nan
    assert np.isnan(type_a(gap).u).all()


def test_nothing_scatters_where_all_samples_are_the_same() -> None:
    same = np.full((1, 20), 0.3)
    assert type_a(same).u[0] == pytest.approx(0.0, abs=1e-12)
    assert steady_spectrum(same)[0] == 0.0


@pytest.mark.parametrize("r", [0.0, 0.5])
def test_steps_bursts_and_drying_are_not_taken_for_noise(r: float) -> None:
    """The spectrum at zero is v(1+r)/(1-r), whatever moves slowly or seldom on top."""
    rng = np.random.default_rng(6)
    noise = remembering(rng, 400, 600, r)
    u = np.linspace(0.0, 1.0, 600)
    seldom = np.zeros(600)
    seldom[[*range(100, 112), *range(300, 312)]] = 40.0
    for moved in (20.0 * np.exp(-u / 0.3), 30.0 * (u > 0.4), seldom):
        got = np.median(steady_spectrum(noise + moved))
        assert got == pytest.approx((1.0 + r) / (1.0 - r), rel=0.25)
    assert np.median(usual_scatter(noise + 30.0 * (u > 0.4))) == pytest.approx(
        np.sqrt(1.0 - r), rel=0.1
    )
