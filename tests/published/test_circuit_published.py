"""Elements, 120-0-120 and the two ways round, against figures worked outside the code."""

from __future__ import annotations

import math

import pytest

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

# Published: 5500 W · 208²/240² = 75.111 % = 4131 W, read in a primary text; 4500 W gives 3380 W and
# 12.8 ohm, in several secondary texts. The other columns are U²/R worked outside the code.
ELEMENTS = [
    (5500.0, 240.0, 10.4727, {240.0: 5500.0, 230.0: 5051.2, 208.0: 4131.1, 120.0: 1375.0}),
    (4500.0, 240.0, 12.800, {240.0: 4500.0, 230.0: 4132.8, 208.0: 3380.0, 120.0: 1125.0}),
    (4000.0, 240.0, 14.400, {240.0: 4000.0, 230.0: 3673.6, 208.0: 3004.4, 120.0: 1000.0}),
    (1500.0, 120.0, 9.600, {120.0: 1500.0}),
]


@pytest.mark.parametrize(("rated_w", "rated_v", "ohm", "watts"), ELEMENTS)
def test_elements(rated_w: float, rated_v: float, ohm: float, watts: dict[float, float]) -> None:
    assert element_ohm(rated_w, rated_v) == pytest.approx(ohm, abs=5e-5)
    for volt, watt in watts.items():
        assert element_watt(rated_w, rated_v, volt) == pytest.approx(watt, abs=0.06)


# By Ohm's law on paper, 60 kohm to earth at each place, 120-0-120 V: at x = 0.2 the fault sees
# 120 - 0.2·240 = 72 V leg to leg; 96 V and 24 V the two ways round; 120 V with both ends hot.
BY_HAND = {
    0.0: (2.0, 2.0, 0.0),
    0.2: (1.2, 1.6, 0.4),
    0.5: (0.0, 1.0, 1.0),
    0.8: (-1.2, 0.4, 1.6),
    1.0: (-2.0, 0.0, 2.0),
}


@pytest.mark.parametrize("x", BY_HAND)
def test_one_leak_by_hand(x: float) -> None:
    leg_leg, one_way, other_way = BY_HAND[x]
    assert leg_to_leg_ma(120.0, x, 60e3) == pytest.approx(leg_leg, abs=1e-12)
    assert line_neutral_ma(120.0, x, 60e3) == pytest.approx(one_way)
    assert neutral_line_ma(120.0, x, 60e3) == pytest.approx(other_way)
    assert both_ends_ma(120.0, 60e3) == pytest.approx(2.0)
    assert place(one_way, other_way) == pytest.approx(x)


# U·2·pi·f·C, textbook; 4.64 nF is two capacitors' share in the demonstration's converter
CAPACITORS = {2.2e-9: 0.0995, 4.7e-9: 0.2126, 4.64e-9: 0.2099, 16.6e-9: 0.7510}


@pytest.mark.parametrize("farad", CAPACITORS)
def test_capacitors_at_120_v_60_hz(farad: float) -> None:
    assert capacitor_ma(120.0, farad, 60.0) == pytest.approx(CAPACITORS[farad], abs=1e-4)


def test_a_resistor_and_a_capacitor_add_at_right_angles() -> None:
    """1.6 + 1.9 mA resistive on one leg with 1.4 mA capacitive: 3.77 mA; at 132 V 4.15 mA."""
    assert math.hypot(1.6 + 1.9, 1.4) == pytest.approx(3.77, abs=0.005)
    res = sum(both_ends_ma(132.0, 120_000.0 / ma) for ma in (1.6, 1.9))
    cap = capacitor_ma(132.0, 1.4e-3 / (120.0 * 2 * math.pi * 60.0), 60.0)
    assert math.hypot(res, cap) == pytest.approx(4.15, abs=0.005)
