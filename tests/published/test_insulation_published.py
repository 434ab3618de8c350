"""Insulation corrected to 40 °C, and copper leads, against figures worked out elsewhere.

Marks: FOUND-S read in a text that quotes the standard, MEMORY from memory, COMPUTED from the formula.
"""

from __future__ import annotations

import numpy as np
import pytest

from procedures.bond import in_service_ohm, lead_ohm
from procedures.insulation import ratio, to_40_c


@pytest.mark.parametrize(
    ("celsius", "factor"),
    [
        *((10, 0.125), (20, 0.25), (25, 0.35355), (30, 0.5), (35, 0.70711)),
        *((40, 1.0), (50, 2.0), (60, 4.0), (70, 8.0), (80, 16.0)),
    ],
)
def test_ieee_43_factors(celsius: float, factor: float) -> None:
    """IEEE 43: halves per 10 °C (FOUND-S), Kt = 0.5^((40 - T)/10) (MEMORY); figures COMPUTED."""
    assert float(to_40_c(1.0, celsius)) == pytest.approx(factor, rel=2e-5)


def test_the_worked_example_is_read_off_a_graph() -> None:
    """A text quotes 3 Mohm at 70 °C as 21 Mohm at 40 °C, x7 off a graph (FOUND-S); the formula gives x8,
    24 Mohm. The formula is what is computed here; the thermosetting form (x3.26) is not used."""
    assert float(to_40_c(3.0, 70.0)) == pytest.approx(24.0)


def test_a_rise_doubles_for_ten_degrees_wherever_it_starts() -> None:
    celsius = np.linspace(0.0, 90.0, 19)
    assert to_40_c(5.0, celsius + 10.0) == pytest.approx(2.0 * to_40_c(5.0, celsius))


def test_ratios() -> None:
    """DAR = R(60 s)/R(30 s), PI = R(10 min)/R(1 min): definitions of handbook tradition (MEMORY)."""
    assert ratio(150.0, 100.0) == 1.5
    assert ratio(None, 100.0) is None
    assert ratio(100.0, None) is None
    assert ratio(100.0, 0.0) is None


@pytest.mark.parametrize(
    ("section_mm2", "ohm_per_km"),
    [(2.0809, 8.286), (3.3088, 5.211), (0.8230, 20.95), (0.5176, 33.31)],
)
def test_copper_wire_tables(section_mm2: float, ohm_per_km: float) -> None:
    """Wire tables for annealed copper at 20 °C: AWG 14, 12, 18 and 20 (NBS, MEMORY)."""
    assert lead_ohm(1000.0, section_mm2) == pytest.approx(ohm_per_km, rel=2e-3)


@pytest.mark.parametrize(
    ("celsius", "share"),
    [(0, 0.92141), (25, 1.01965), (40, 1.07859), (60, 1.15717), (75, 1.21611), (100, 1.31434)],
)
def test_copper_warms(celsius: float, share: float) -> None:
    """R/R20 = (234.5 + T)/254.5 (COMPUTED). One alpha for all: web tables differ from 0.0039 to 0.0043,
    and the annealed copper standard's 0.00393 is 1/254.5."""
    assert lead_ohm(10.0, 1.5, celsius) / lead_ohm(10.0, 1.5) == pytest.approx(share, rel=1e-5)
    per_kelvin = lead_ohm(10.0, 1.5, 21.0) / lead_ohm(10.0, 1.5) - 1.0
    assert per_kelvin == pytest.approx(0.00393, rel=2e-4)


@pytest.mark.parametrize(
    ("metre", "ohm"),
    [(1, 0.3), (5, 0.3), (5.1, 0.4), (12.5, 0.4), (12.6, 0.5), (20, 0.5), (57.5, 1.0), (90, 1.0)],
)
def test_in_service_bond_by_length(metre: float, ohm: float) -> None:
    """DGUV Information 203-071 annex 5 (FOUND-P): 0.3 ohm to 5 m, 0.1 per further 7.5 m, at most 1."""
    assert in_service_ohm(metre) == pytest.approx(ohm)
