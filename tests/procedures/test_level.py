"""One level, or the worst window: what a stage's samples show."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.budget import coverage
from procedures.level import SWING_MA, WINDOW, Levels, levels, whole
from tests.procedures.courses import Floats, course, remembering

PARTS = 1500


def _vectors(rng: np.random.Generator, y: Floats, sd: float, r: float, deg: float = 30.0) -> Floats:
    """``y`` parts x time as a vector at one angle, with noise of every component of its own."""
    angle = np.radians(deg)
    parts, n = y.shape
    noise = [remembering(rng, parts, n, r) for _ in range(3)]
    clean = [y * np.cos(angle), y * np.sin(angle), np.zeros_like(y)]
    scale = (sd, sd, sd / 5.0)
    return np.stack([c + s * e for c, s, e in zip(clean, scale, noise, strict=True)], axis=2)


def _covered(found: Levels, truth: Floats | float) -> float:
    return float(np.mean(np.abs(found.y - truth) <= coverage(found.dof) * found.u))


def _worst_mean(y: Floats) -> Floats:
    starts = [*range(0, y.shape[1] - WINDOW + 1, WINDOW), y.shape[1] - WINDOW]
    return np.max([y[:, a : a + WINDOW].mean(axis=1) for a in starts], axis=0)


@pytest.mark.parametrize(("n", "r"), [(40, 0.0), (70, 0.0), (70, 0.5), (150, 0.5), (600, 0.6)])
def test_a_part_that_does_not_change_is_one_level(n: int, r: float) -> None:
    rng = np.random.default_rng(n)
    found = levels(_vectors(rng, np.full((PARTS, n), 0.4), 0.01, r))
    assert float(found.one.mean()) >= 0.985
    assert 0.94 <= _covered(found, 0.4) <= 0.97
    assert abs(float(found.y.mean()) - 0.4) < 0.0005
    assert (found.start[found.one] == 0).all()
    assert (found.stop[found.one] == n).all()


def test_the_worst_of_many_windows_alone_would_overstate_it() -> None:
    """Why there is one level: 60 windows of noise 0.02 reach 2.3 standard deviations above."""
    rng = np.random.default_rng(1)
    vectors = _vectors(rng, np.full((200, 600), 0.4), 0.02, 0.0)
    windows = vectors.reshape(200, 60, WINDOW, 3).mean(axis=2)
    worst = np.sqrt(np.square(windows).sum(axis=2)).max(axis=1)
    assert float(worst.mean()) > 0.412
    assert float(levels(vectors).y.mean()) == pytest.approx(0.4, abs=0.0005)


@pytest.mark.parametrize("kind", ["drying", "rising", "stepping", "bursts", "periodic"])
@pytest.mark.parametrize("n", [600, 3600])
def test_a_part_that_changes_counts_with_its_worst(kind: str, n: int) -> None:
    rng = np.random.default_rng(2)
    y = course(kind, rng, 150, n // 2, (0.15, 1.0)).repeat(2, axis=1)
    found = levels(_vectors(rng, y, 0.01, 0.0))
    worst = _worst_mean(y)
    under = found.y + coverage(found.dof) * found.u < worst - 0.001
    assert float(under.mean()) <= 0.03
    assert _covered(found, worst) >= 0.94


def test_a_burst_of_two_seconds_in_twelve_minutes_is_not_averaged_away() -> None:
    rng = np.random.default_rng(3)
    y = np.full((100, 3600), 0.2)
    y[:, 1710:1720] = 1.0
    found = levels(_vectors(rng, y, 0.01, 0.0))
    assert not found.one.any()
    assert found.y == pytest.approx(np.full(100, 1.0), abs=0.02)
    assert (found.start == 1710).all()


def test_a_leak_that_swings_is_never_its_mean_noise_or_not() -> None:
    """Noise that large explains every window, and the worst still counts: it is the part's own."""
    rng = np.random.default_rng(4)
    found = levels(_vectors(rng, np.full((200, 300), 0.5), 0.5, 0.8))
    assert float(found.one.mean()) < 0.05
    assert float(np.median(found.y)) > 0.5 + SWING_MA


def test_near_zero_the_magnitude_has_no_direction() -> None:
    found = levels(_vectors(np.random.default_rng(5), np.zeros((PARTS, 70)), 0.01, 0.0))
    assert _covered(found, 0.0) >= 0.94


def test_noise_at_right_angles_turns_a_leakage_and_does_not_lengthen_it() -> None:
    rng = np.random.default_rng(6)
    vectors = np.zeros((200, 100, 3))
    vectors[:, :, 0] = 0.5 + rng.normal(0.0, 0.002, (200, 100))
    vectors[:, :, 1] = rng.normal(0.0, 0.02, (200, 100))
    assert float(np.median(levels(vectors).u)) == pytest.approx(0.0002, rel=0.25)


def test_few_samples_are_one_level_of_what_there_is() -> None:
    vectors = np.array([[[0.3, 0.0, 0.0], [0.5, 0.0, 0.0], [0.4, 0.0, 0.0]]])
    found = levels(vectors)
    assert (found.y[0], int(found.stop[0])) == (pytest.approx(0.4), 3)
    assert coverage(found.dof)[0] * found.u[0] > 0.1  # type: ignore[index]


def test_whole_is_the_mean_whatever_happens() -> None:
    rng = np.random.default_rng(7)
    y = course("stepping", rng, 20, 100, (0.5, 1.0))
    assert whole(_vectors(rng, y, 0.001, 0.0)).y == pytest.approx(y.mean(axis=1), abs=0.002)
