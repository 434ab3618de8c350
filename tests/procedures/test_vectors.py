"""Vectors: fixture off, magnitude, normalising, and the positive control."""

from __future__ import annotations

import math

import numpy as np
import pytest

from procedures.vectors import control_seen, magnitude, normalise, remove


def test_the_fixture_comes_off_as_a_vector_at_its_own_voltage() -> None:
    assert remove(0.50, 0.40, (0.02, 0.10), 0.9) == pytest.approx((0.482, 0.31))


def test_a_fixture_at_right_angles_hides_in_the_magnitude() -> None:
    """0.75 mA resistive with 0.10 mA capacitive fixture: the magnitudes differ by 0.007 only."""
    res, cap = remove(0.75, 0.10, (0.0, 0.10), 1.0)
    assert magnitude(res, cap, 0.0) == pytest.approx(0.75)
    assert magnitude(0.75, 0.10, 0.0) - 0.10 < 0.70


def test_magnitude_adds_squares() -> None:
    assert magnitude(3.0, 4.0, 12.0) == pytest.approx(13.0)
    assert magnitude(np.array([3.0]), np.array([-4.0]), np.array([0.0])) == pytest.approx([5.0])


def test_normalising_is_proportional_and_needs_a_voltage() -> None:
    assert normalise(0.66, 108.0, 120.0) == pytest.approx(0.7333, abs=1e-4)
    assert normalise(0.001, 0.05, 120.0) == pytest.approx(2.4)  # however small
    assert math.isnan(normalise(0.66, 0.0, 120.0))
    assert math.isnan(normalise(0.66, math.nan, 120.0))
    assert np.isnan(normalise(np.array([0.66]), np.array([-120.0]), 120.0)).all()


@pytest.mark.parametrize(
    ("on", "off", "volts", "seen"),
    [
        ((0.45, 0.20), (0.20, 0.20), 120.0, True),
        ((0.20, 0.45), (0.20, 0.20), 120.0, False),  # right size, wrong phase
        ((-0.05, 0.20), (0.20, 0.20), 120.0, False),  # right size, reversed
        ((0.20, 0.20), (0.20, 0.20), 120.0, False),  # blind
        ((0.70, 0.20), (0.20, 0.20), 120.0, False),  # twice too much
        ((0.425, 0.20), (0.20, 0.20), 108.0, True),  # 0.225 mA at 108 V
        ((math.nan, 0.20), (0.20, 0.20), 120.0, False),
        ((0.45, 0.20), (0.20, 0.20), math.nan, False),
        ((0.20, 0.20), (0.20, 0.20), 0.0, False),
        ((0.20, 0.20), (0.20, 0.20), 4.8, False),  # 0.01 mA: no larger than the tolerance
        ((0.20, 0.20), (0.20, 0.20), -120.0, False),
        ((0.35, 0.30), (0.10, 0.30), 120.0, True),
        ((0.35, 0.30), (0.10, 0.10), 120.0, False),
    ],
)
def test_control(
    on: tuple[float, float], off: tuple[float, float], volts: float, seen: bool
) -> None:
    assert control_seen(on, off, 0.25, volts, 120.0, 0.01) is seen


def test_a_control_is_seen_up_to_the_tolerance_and_not_beyond() -> None:
    """0.25 mA within 0.125 mA, in numbers that binary fractions hold exactly."""
    off = (0.5, 0.5)
    assert control_seen((0.875, 0.5), off, 0.25, 120.0, 120.0, 0.125) is True
    assert control_seen((0.876, 0.5), off, 0.25, 120.0, 120.0, 0.125) is False


def test_a_blind_sensor_shows_no_control_however_wide_the_tolerance() -> None:
    off = (0.2, 0.2)
    assert control_seen(off, off, 0.25, 120.0, 120.0, 0.25) is False
    assert control_seen((0.45, 0.2), off, 0.25, 120.0, 120.0, 0.249) is True
