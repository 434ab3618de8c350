"""The circuit's closed forms by hand, and the identities between them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.circuit import (
    both_ends_ma,
    capacitor_ma,
    element_ohm,
    element_watt,
    leg_to_leg_ma,
    line_neutral_ma,
    neutral_line_ma,
    place,
)
from procedures.errors import BadPlate, ProcedureError

PLACES = st.floats(0.0, 1.0)
OHMS = st.floats(100.0, 1e7)
VOLTS = st.floats(1.0, 300.0)


@given(VOLTS, PLACES, OHMS)
def test_two_ways_round_add_up_to_both_ends(v: float, x: float, rf_ohm: float) -> None:
    total = line_neutral_ma(v, x, rf_ohm) + neutral_line_ma(v, x, rf_ohm)
    assert total == pytest.approx(both_ends_ma(v, rf_ohm))


@given(VOLTS, PLACES, OHMS)
def test_leg_to_leg_is_their_difference(v: float, x: float, rf_ohm: float) -> None:
    difference = line_neutral_ma(v, x, rf_ohm) - neutral_line_ma(v, x, rf_ohm)
    assert leg_to_leg_ma(v, x, rf_ohm) == pytest.approx(difference, abs=1e-9 * v)


@given(VOLTS, PLACES, OHMS)
def test_swapped_legs_keep_the_magnitude(v: float, x: float, rf_ohm: float) -> None:
    there, back = leg_to_leg_ma(v, x, rf_ohm), leg_to_leg_ma(v, 1.0 - x, rf_ohm)
    assert there == pytest.approx(-back, abs=1e-9 * v)


@given(VOLTS, PLACES, OHMS)
def test_the_two_ways_find_the_place(v: float, x: float, rf_ohm: float) -> None:
    found = place(line_neutral_ma(v, x, rf_ohm), neutral_line_ma(v, x, rf_ohm))
    assert found == pytest.approx(x, abs=1e-9)


def test_three_different_leaks_share_one_place() -> None:
    """6 kohm at 0.5; two of 12 kohm at 0.1 and 0.9: the same readings, so no proof of one hole."""
    one = (line_neutral_ma(120.0, 0.5, 6000.0), neutral_line_ma(120.0, 0.5, 6000.0))
    two = (
        line_neutral_ma(120.0, 0.1, 12000.0) + line_neutral_ma(120.0, 0.9, 12000.0),
        neutral_line_ma(120.0, 0.1, 12000.0) + neutral_line_ma(120.0, 0.9, 12000.0),
    )
    assert one == pytest.approx((10.0, 10.0))
    assert two == pytest.approx((10.0, 10.0))
    assert place(*one) == place(*two) == pytest.approx(0.5)


def test_nothing_leaking_has_no_place() -> None:
    assert math.isnan(place(0.0, 0.0))
    found = place(np.array([0.0, 3.0]), np.array([0.0, 1.0]))
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(0.25)


def test_arrays_of_parts_give_arrays() -> None:
    x = np.array([0.0, 0.5, 1.0])
    got = leg_to_leg_ma(np.full(3, 120.0), x, np.full(3, 60_000.0))
    assert got == pytest.approx([2.0, 0.0, -2.0])


def test_capacitor_leads_at_line_frequency() -> None:
    assert capacitor_ma(230.0, 10e-9, 50.0) == pytest.approx(0.7226, abs=1e-4)  # by hand


@pytest.mark.parametrize("plate", [(0.0, 240.0), (-1.0, 240.0), (math.nan, 240.0), (5500.0, 0.0)])
def test_a_plate_value_that_is_none_is_refused(plate: tuple[float, float]) -> None:
    with pytest.raises(BadPlate, match="plate"):
        element_ohm(*plate)
    with pytest.raises(ProcedureError):
        element_watt(*plate, 120.0)
