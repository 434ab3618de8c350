"""The plain uncertainty by hand: accuracy, scatter, and what is missing."""

from __future__ import annotations

import math

import numpy as np
import pytest

from procedures.scan import Accuracy
from procedures.uncertainty import expanded_ma


def test_one_per_cent_and_a_floor_at_the_pass_limit() -> None:
    """a = 0.0175; s = 0.03 of 9: 2·sqrt(0.0175²/3 + 0.01²) = 0.02843."""
    got = expanded_ma(0.75, Accuracy(1.0, 0.01), 0.03, 9)
    assert got == pytest.approx(0.02843, abs=5e-6)


def test_further_standard_uncertainties_add_by_squares() -> None:
    assert expanded_ma(0.0, Accuracy(0.0, 0.0), 0.0, 5, (0.03, 0.04)) == pytest.approx(0.10)


def test_without_a_sample_there_is_no_uncertainty() -> None:
    assert math.isnan(expanded_ma(0.75, Accuracy(1.0, 0.01), 0.0, 0))
    assert math.isnan(expanded_ma(0.75, Accuracy(1.0, 0.01), math.nan, 1))


def test_many_parts_at_once() -> None:
    y = np.array([0.1, -1.4])
    got = expanded_ma(y, Accuracy(1.0, 0.01), np.array([0.0, 0.0]), 3)
    assert got == pytest.approx([2 * 0.011 / math.sqrt(3), 2 * 0.024 / math.sqrt(3)])
