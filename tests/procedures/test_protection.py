"""Trip bounds: what is demanded at the edges and outside the curve."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.protection import conforming_bounds_ma, curve_ma, longest_rcd_s, longest_trip_s


def test_below_six_no_trip_is_demanded() -> None:
    assert math.isinf(longest_trip_s(5.99))
    assert math.isfinite(longest_trip_s(6.0))


def test_beyond_its_end_the_curve_stays() -> None:
    assert longest_trip_s(5000.0) == longest_trip_s(264.0)
    assert math.isnan(longest_trip_s(math.nan))


@given(st.floats(6.0, 264.0))
def test_the_inverse_comes_back(i_ma: float) -> None:
    assert curve_ma(longest_trip_s(i_ma)) == pytest.approx(i_ma)


@pytest.mark.parametrize("t_s", [0.001, 5.7, math.nan, -1.0])
def test_off_the_curve_there_is_no_current(t_s: float) -> None:
    assert math.isnan(curve_ma(t_s))


@given(st.floats(0.03, 5.59))
def test_a_trip_time_bounds_and_tells_no_current(t_s: float) -> None:
    low, high = conforming_bounds_ma(t_s)
    assert low == 4.0
    assert high == pytest.approx(20.0 * t_s ** (-1 / 1.43))


def test_bounds_at_the_edges() -> None:
    assert conforming_bounds_ma(0.01) == (4.0, math.inf)
    assert conforming_bounds_ma(9.0) == (4.0, 6.0)
    assert all(math.isnan(bound) for bound in conforming_bounds_ma(math.nan))


def test_below_its_rated_current_no_rcd_must_trip() -> None:
    assert math.isinf(longest_rcd_s(29.9, 30.0))
