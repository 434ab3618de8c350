"""The limited step: phasors by hand, and what happens as the fault falls towards a short."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.limited import (
    CLIPPED,
    NO_BOUND,
    HalfWidths,
    Prospective,
    prospective,
    prospective_u_ma,
)

RS = 47_000.0
NOTHING = HalfWidths(0.0, 0.0, 0.0)
METERS = HalfWidths(v=0.7, i_ma=0.03, series_ohm=470.0)


def _read(fault_ohm: complex, v: float = 120.0) -> tuple[float, float]:
    """What a bench reads, by Kirchhoff: one loop of source, resistor and fault."""
    current = v / (RS + fault_ohm) * 1000.0
    return current.real, current.imag


def test_six_kilohm_reads_2_26_and_is_20_prospective() -> None:
    found = prospective(120.0, 120.0 / 53.0, 0.0, RS, 120.0)
    assert found.magnitude_ma == pytest.approx(20.0)
    assert found.fault_ohm == pytest.approx(6000.0)
    assert found.words == ""


def test_phase_is_kept() -> None:
    """16.6 nF and 160 kohm side by side: 0.75 mA each at 120 V 60 Hz, 1.06 mA together."""
    fault = 1.0 / (1.0 / 160e3 + 2j * math.pi * 60.0 * 16.6e-9)
    found = prospective(120.0, *_read(fault), RS, 120.0)
    assert found.res_ma == pytest.approx(0.75, abs=1e-9)
    assert found.cap_ma == pytest.approx(0.751, abs=1e-3)
    assert found.magnitude_ma == pytest.approx(1.061, abs=1e-3)


@given(st.floats(50.0, 1e7), st.floats(-1.5, 0.0), st.floats(100.0, 140.0))
def test_any_passive_fault_comes_back(ohm: float, angle: float, v: float) -> None:
    fault = cmath.rect(ohm, angle)
    found = prospective(v, *_read(fault, v), RS, 120.0)
    assert found.fault_ohm == pytest.approx(fault, rel=1e-5, abs=1e-4)
    assert found.magnitude_ma == pytest.approx(120_000.0 / ohm, rel=1e-5)


def test_no_current_is_no_prospective_current() -> None:
    nothing = Prospective(0.0, 0.0, 0.0, complex(math.inf, 0.0), "")
    assert prospective(120.0, 0.0, 0.0, RS, 120.0) == nothing


def test_a_missing_reading_stays_missing() -> None:
    assert math.isnan(prospective(120.0, math.nan, 0.0, RS, 120.0).magnitude_ma)
    assert math.isnan(prospective(math.nan, 1.0, 0.0, RS, 120.0).magnitude_ma)


def test_a_bolted_fault_has_no_bound_and_says_so() -> None:
    found = prospective(120.0, 2.60, 0.0, RS, 120.0)  # more than 120 V through 47 kohm
    assert found == Prospective(math.inf, 0.0, math.inf, 0j, NO_BOUND)
    assert math.isinf(prospective_u_ma(120.0, 2.60, 0.0, RS, 120.0, METERS))


def test_negative_resistance_counts_as_none_and_overstates() -> None:
    res, cap = _read(complex(-2000.0, -100_000.0))
    found = prospective(120.0, res, cap, RS, 120.0)
    assert found.fault_ohm.real == 0.0
    assert found.words == CLIPPED
    assert found.magnitude_ma > 120_000.0 / abs(complex(-2000.0, -100_000.0))


def test_a_fault_without_resistance_is_not_taken_for_a_negative_one() -> None:
    """1 V drives 1 mA that leads by 90 degrees through no resistor at all: 1 kohm of capacitor."""
    found = prospective(1.0, 0.0, 1.0, 0.0, 120.0)
    assert found.fault_ohm == -1000j
    assert found.words == ""
    slightly = prospective(120.0, 120.0 / 47_000.05 * 1000.0, 0.0, RS, 120.0)
    assert slightly.fault_ohm == pytest.approx(0.05, rel=1e-3)  # a bolted fault's last 50 mohm
    assert slightly.words == ""


@pytest.mark.parametrize("res_ma", [-0.006, -0.0002, 0.0, 0.0002, 0.006])
def test_noise_around_zero_stays_noise_whatever_its_sign(res_ma: float) -> None:
    """0.01 mA through 47 kohm is 0.01 mA prospective: 12 Mohm against 47 kohm."""
    found = prospective(120.0, res_ma, 0.0003, RS, 120.0)
    assert found.magnitude_ma == pytest.approx(abs(complex(res_ma, 0.0003)), rel=0.01)
    assert prospective_u_ma(120.0, res_ma, 0.0003, RS, 120.0, METERS) < 0.1


def test_a_current_in_anti_phase_is_not_understated() -> None:
    """2 mA the wrong way round is at least 2 mA at full voltage: 60 kohm less 47 kohm is 13 kohm."""
    found = prospective(120.0, -2.0, 0.0, RS, 120.0)
    assert found.magnitude_ma == pytest.approx(120.0 / 13_000.0 * 1000.0)
    assert found.res_ma < 0.0


def test_uncertainty_grows_as_the_fault_falls() -> None:
    faults = (500e3, 160e3, 60e3, 20e3, 6e3, 2e3, 1e3)
    grown = [prospective_u_ma(120.0, *_read(f), RS, 120.0, METERS) for f in faults]
    assert grown == sorted(grown)
    assert grown[0] < 0.1 < grown[3]
    assert math.isinf(prospective_u_ma(120.0, *_read(200.0), RS, 120.0, METERS))


def test_uncertainty_by_hand_where_only_the_resistor_errs() -> None:
    """40 kohm: I = 3 mA; dI/dRs = I/Zf = 0.075 mA per kohm, times 0.47/sqrt(3), k = 2: 0.0407."""
    half = HalfWidths(0.0, 0.0, 470.0)
    got = prospective_u_ma(120.0, *_read(40e3), RS, 120.0, half)
    assert got == pytest.approx(2 * 0.075 * 0.47 / math.sqrt(3.0), rel=0.01)


def test_uncertainty_by_hand_where_only_the_voltage_errs() -> None:
    """40 kohm: Zf = U/I - Rs, dI/dU = I/(Zf·i) = 3/(40·1.379) = 0.0544 mA/V."""
    i_ma = 120.0 / 87.0
    got = prospective_u_ma(120.0, i_ma, 0.0, RS, 120.0, HalfWidths(0.1, 0.0, 0.0))
    assert got == pytest.approx(2 * 0.0544 * 0.1 / math.sqrt(3.0), rel=0.01)


def test_uncertainty_by_hand_where_only_the_current_errs() -> None:
    """40 kohm: I = U/(U/i - Rs), dI/di = (87 kohm / 40 kohm)² = 4.7306; the part at 90 degrees adds
    nothing to first order."""
    got = prospective_u_ma(120.0, *_read(40e3), RS, 120.0, HalfWidths(0.0, 0.001, 0.0))
    assert got == pytest.approx(2 * 4.7306 * 0.001 / math.sqrt(3.0), rel=0.01)


def test_uncertainty_is_taken_to_the_worse_side() -> None:
    """5 V to either side of 120 V (a/sqrt(3) = 2.887 V): 3.1657 mA below, 2.8508 mA above, 3 between."""
    got = prospective_u_ma(120.0, *_read(40e3), RS, 120.0, HalfWidths(5.0, 0.0, 0.0))
    assert got == pytest.approx(2 * 0.1657, rel=0.001)


def test_scatter_shrinks_with_the_root_of_the_samples() -> None:
    at = (120.0, *_read(160e3), RS, 120.0, NOTHING, 0.001)
    assert prospective_u_ma(*at, 1) == pytest.approx(2.0 * prospective_u_ma(*at, 4), rel=1e-2)
    assert prospective_u_ma(*at) == prospective_u_ma(*at, 1)
    assert math.isnan(prospective_u_ma(*at, 0))
    assert prospective_u_ma(120.0, *_read(160e3), RS, 120.0, NOTHING) == 0.0
