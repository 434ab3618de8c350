"""Whether a device trips: chance, time, and what may blind it."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

from procedures.errors import ProcedureError
from procedures.trip import Device, blinding, normal_cdf, trip_chance, will_it_trip

CLASS_A = Device()


@pytest.mark.parametrize(("i_ma", "chance"), [(3.99, 0.0), (4.0, 0.0), (5.0, 0.5), (6.0, 1.0)])
def test_without_uncertainty_the_threshold_is_anywhere_in_the_band(
    i_ma: float, chance: float
) -> None:
    assert trip_chance(i_ma, 0.0, CLASS_A) == pytest.approx(chance)


@pytest.mark.parametrize("i_ma", [3.0, 3.8, 4.33, 5.0, 6.2, 9.0])
@pytest.mark.parametrize("u_ma", [0.02, 0.3, 1.5])
def test_chance_is_the_integral_over_threshold_and_current(i_ma: float, u_ma: float) -> None:
    """Against scipy's quadrature of the survival function over the thresholds."""
    over = stats.norm(i_ma, u_ma / 2).sf
    points = [4.0, min(6.0, max(4.0, i_ma)), 6.0]
    whole = sum(integrate.quad(over, a, b, epsabs=1e-12)[0] for a, b in pairwise(points))
    assert float(trip_chance(i_ma, u_ma, CLASS_A)) == pytest.approx(whole / 2.0, abs=1e-8)


def test_chance_takes_arrays_and_keeps_what_is_missing_missing() -> None:
    many = trip_chance([[3.0, 5.0], [np.nan, 7.0]], 0.0, CLASS_A)
    assert many.shape == (2, 2)
    assert math.isnan(many[1, 0])
    assert many[1, 1] == 1.0


def test_an_rcd_trips_between_half_and_all_of_its_rated_current() -> None:
    rcd = Device("A", 30.0)
    assert (rcd.holds_ma, rcd.trips_ma) == (15.0, 30.0)
    assert float(trip_chance(22.5, 0.0, rcd)) == pytest.approx(0.5)


def test_time_is_bounded_at_the_least_current_that_it_may_be() -> None:
    assert will_it_trip(20.0, 0.0, dc_ma=0.0).latest_s == pytest.approx(1.0)  # UL 943 curve
    assert will_it_trip(20.0, 2.0, dc_ma=0.0).latest_s == pytest.approx((20 / 18) ** 1.43)
    assert will_it_trip(6.0, 0.2, dc_ma=0.0).latest_s == math.inf  # may be below 6 mA
    assert will_it_trip(30.0, 0.0, Device("A", 30.0), dc_ma=0.0).latest_s == 0.3  # IEC 61008-1


def test_dc_and_harmonics_are_flagged_and_what_is_unknown_is_said() -> None:
    assert blinding(5.0, CLASS_A, dc_ma=0.0, harmonics_ma=0.1) == ()
    assert "may blind a Class A" in blinding(5.0, CLASS_A, dc_ma=-0.4, harmonics_ma=None)[0]
    assert "not known" in blinding(5.0, CLASS_A, dc_ma=None, harmonics_ma=None)[0]
    assert "harmonics" in blinding(5.0, CLASS_A, dc_ma=0.0, harmonics_ma=2.0)[0]


@pytest.mark.parametrize(("kind", "most_ma"), [("A", 6.0), ("F", 10.0), ("B", 12.0)])
def test_types_stand_the_smooth_dc_of_the_wiring_rules(kind: str, most_ma: float) -> None:
    """BS 7671 531.3.3 as quoted; type B 0.4 of rated or 10 mA, whichever is higher (30 mA: 12)."""
    device = Device(kind, 30.0)  # type: ignore[arg-type]
    assert blinding(20.0, device, dc_ma=most_ma, harmonics_ma=0.0) == ()
    assert blinding(20.0, device, dc_ma=most_ma + 0.1, harmonics_ma=0.0) != ()


def test_what_cannot_be_is_refused() -> None:
    for i_ma, u_ma in ((math.nan, 0.1), (-1.0, 0.1), (1.0, -0.1), (math.inf, 0.1)):
        with pytest.raises(ProcedureError, match="finite"):
            will_it_trip(i_ma, u_ma)
    with pytest.raises(ProcedureError, match="no type"):
        Device("C")  # type: ignore[arg-type]
    with pytest.raises(ProcedureError, match="rated"):
        Device("A", 0.0)


def test_normal_distribution_function_agrees_with_scipy() -> None:
    z = np.linspace(-8.0, 8.0, 33)
    assert normal_cdf(z) == pytest.approx(stats.norm.cdf(z), abs=1e-14)
