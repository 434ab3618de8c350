"""The budget by hand: many parts at once, correlated inputs, nothing, too little."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.budget import Input, combine, covariance, coverage, half_width

A, B = Input("a", 3.0, 0.3), Input("b", 4.0, 0.4, dof=8.0)


def test_a_sum_by_hand() -> None:
    got = combine(lambda a, b: a + 2.0 * b, [A, B], "mA")
    assert (got.y, got.unit) == (11.0, "mA")
    assert got.u == pytest.approx(math.hypot(0.3, 0.8))
    assert [line.sensitivity for line in got.lines] == pytest.approx([1.0, 2.0])
    assert [line.contribution for line in got.lines] == pytest.approx([0.3, 0.8])
    assert got.dof == pytest.approx(0.73**2 / (0.8**4 / 8.0))
    assert got.k == pytest.approx(coverage(0.73**2 / (0.8**4 / 8.0)))
    assert got.expanded == pytest.approx(float(got.k) * math.hypot(0.3, 0.8))
    assert got.greatest().name == "b"


def test_the_greatest_line_is_so_in_magnitude() -> None:
    assert combine(lambda a, b: a - 2.0 * b, [A, B]).greatest().name == "b"


@pytest.mark.parametrize(("r", "u"), [(1.0, 0.7), (-1.0, 0.1), (0.0, 0.5), (0.5, math.sqrt(0.37))])
def test_correlated_inputs_of_a_sum(r: float, u: float) -> None:
    got = combine(lambda a, b: a + b, [A, B], correlation={("b", "a"): r})
    assert got.u == pytest.approx(u)
    if r:
        assert got.dof == pytest.approx(8.0)  # the fewer of both, together


def test_three_inputs_linked_in_a_row_are_one_group() -> None:
    inputs = [A, Input("c", 1.0, 0.1, dof=5.0), B]
    linked = {("a", "c"): 0.5, ("c", "b"): 0.5}
    assert combine(lambda a, c, b: a + c + b, inputs, correlation=linked).dof == pytest.approx(5.0)
    late = {("a", "b"): 0.5, ("c", "b"): 0.5}
    assert combine(lambda a, c, b: a + c + b, inputs, correlation=late).dof == pytest.approx(5.0)


def test_unlinked_inputs_stay_apart() -> None:
    inputs = [Input("a", 1.0, 0.1, dof=4.0), Input("b", 1.0, 0.1, dof=4.0), Input("c", 1.0, 0.1)]
    got = combine(lambda a, b, c: a + b + c, inputs, correlation={("b", "c"): 1.0})
    # (0.01 + 0.04)² / (0.01²/4 + 0.04²/4)
    assert got.dof == pytest.approx(0.05**2 / (0.01**2 / 4.0 + 0.04**2 / 4.0))


def test_a_rectangle() -> None:
    made = half_width("meter", 1.0, 0.03, "mA")
    assert made.u == pytest.approx(0.0173205, abs=1e-7)
    assert (made.distribution, made.unit, made.dof) == ("rectangular", "mA", math.inf)


def test_nothing_uncertain_is_certain_and_keeps_its_sensitivity() -> None:
    got = combine(lambda a: 5.0 * a, [Input("a", 2.0, 0.0, dof=1.0)])
    assert (got.u, got.dof, got.k, got.expanded) == (0.0, math.inf, 2.0, 0.0)
    assert got.lines[0].sensitivity == pytest.approx(5.0, rel=1e-6)


def test_fewer_than_one_degree_of_freedom_covers_nothing() -> None:
    assert math.isnan(float(coverage(0.5)))
    assert math.isnan(float(coverage(math.nan)))
    assert coverage(1.0) == pytest.approx(13.96773)


def test_a_missing_input_is_a_missing_result() -> None:
    got = combine(lambda a, b: a + b, [Input("a", math.nan, 0.3), B])
    assert math.isnan(float(got.y))
    lost = combine(lambda a, b: a + b, [Input("a", 1.0, math.nan), B])
    assert math.isnan(float(lost.expanded))


def test_correlation_that_would_take_the_variance_below_zero_ends_at_zero() -> None:
    same = [Input("a", 1.0, 0.1), Input("b", 1.0, 0.1)]
    assert combine(lambda a, b: a - b, same, correlation={("a", "b"): 1.0}).u == 0.0


def test_covariance_of_results_that_share_an_input() -> None:
    one = combine(lambda a, b: a + b, [A, B])
    other = combine(lambda a, b: a - b, [A, B])
    assert covariance(one.lines, other.lines) == pytest.approx(0.09 - 0.16)


def test_many_parts_at_once_are_as_each_alone() -> None:
    v, i = np.array([120.0, 119.0, 121.0]), np.array([1.0, 1.5, 2.0])
    u = np.array([0.01, 0.02, 0.005])
    many = combine(lambda v, i: v / i, [Input("v", v, 0.5), Input("i", i, u, dof=6.0)])
    for n in range(3):
        alone = combine(
            lambda v, i: v / i,
            [Input("v", float(v[n]), 0.5), Input("i", float(i[n]), float(u[n]), dof=6.0)],
        )
        assert (many.y[n], many.u[n], many.dof[n], many.k[n]) == pytest.approx(  # type: ignore[index]
            (alone.y, alone.u, alone.dof, alone.k)
        )


@given(st.floats(1.0, 500.0), st.floats(1.0, 500.0))
def test_fewer_degrees_of_freedom_never_narrow_the_interval(one: float, more: float) -> None:
    few, many = sorted((one, more))
    assert float(coverage(few)) >= float(coverage(many)) >= 2.0
