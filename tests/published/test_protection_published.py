"""Trip times against UL 943 and IEC 61008-1, both as quoted in secondary texts."""

from __future__ import annotations

import pytest

from procedures.protection import curve_ma, longest_rcd_s, longest_trip_s

# UL 943 Class A, T = (20/I)^1.43 for 6 to 264 mA, as quoted by three secondary texts that agree;
# the points were worked out from the quoted formula outside this project
CURVE = {
    6.0: 5.5939,
    7.0: 4.4873,
    8.0: 3.7073,
    9.0: 3.1326,
    10.0: 2.6945,
    12.0: 2.0761,
    15.0: 1.5089,
    20.0: 1.0000,
    25.0: 0.72681,
    30.0: 0.56000,
    40.0: 0.37113,
    50.0: 0.26974,
    75.0: 0.15106,
    100.0: 0.10011,
    120.0: 0.07713,
    150.0: 0.05606,
    200.0: 0.03715,
    240.0: 0.02863,
    264.0: 0.02498,
}
INVERSE = {0.100: 100.08, 1.0: 20.0, 5.0: 6.490}


@pytest.mark.parametrize("i_ma", CURVE)
def test_ul_943_curve(i_ma: float) -> None:
    assert longest_trip_s(i_ma) == pytest.approx(CURVE[i_ma], rel=2e-4)


@pytest.mark.parametrize("t_s", INVERSE)
def test_ul_943_inverse(t_s: float) -> None:
    assert curve_ma(t_s) == pytest.approx(INVERSE[t_s], rel=1e-4)


def test_the_bench_proofs_trip_current_and_time() -> None:
    """6.3 mA must trip within 5.2 s: the quoted curve at the lowest current of the bench proof."""
    assert longest_trip_s(6.3) == pytest.approx(5.2, abs=0.05)


# IEC 61008-1, general type, as tabulated in secondary texts: at rated, twice and five times rated
RCD = {30.0: 0.3, 59.9: 0.3, 60.0: 0.15, 150.0: 0.04, 500.0: 0.04}


@pytest.mark.parametrize("i_ma", RCD)
def test_iec_61008_general_type(i_ma: float) -> None:
    assert longest_rcd_s(i_ma, 30.0) == RCD[i_ma]
