"""The limited step: phasors by hand, and what happens as the fault falls towards a short."""

from __future__ import annotations

import cmath
import math
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.limited import (
    CLIPPED,
    NO_BOUND,
    RESISTOR,
    Prospective,
    Step,
    across_ma,
    fault_phasor,
    impedance_words,
    limited_budget,
    prospective,
    prospective_many,
    prospective_of,
)
from procedures.scan import Accuracy

RS = 47_000.0


class HalfWidths(NamedTuple):
    """Bounds of the errors, each as the half-width of a rectangle."""

    v: float
    i_ma: float  # of each component of the current
    series_ohm: float


def _bare(percent: float = 0.0, floor: float = 0.0) -> Accuracy:
    """A statement that leaves nothing to be assumed."""
    return Accuracy(
        percent, floor, resolution=0.0, temperature_percent_per_k=0.0, calibration_percent=0.0
    )


def prospective_u_ma(
    v: float,
    res_ma: float,
    cap_ma: float,
    series_ohm: float,
    nominal_v: float,
    half: HalfWidths,
    scatter_ma: float = 0.0,
    n: int = 1,
) -> float:
    """U of the budget where the bounds and the scatter of ``n`` samples are all that errs."""
    noise_ma = scatter_ma / math.sqrt(n) if n else math.nan
    percent = 100.0 * half.series_ohm / series_ohm
    step = Step(v, res_ma, cap_ma, noise_ma, math.inf, series_ohm, percent, nominal_v)
    meter = _bare(percent=100.0 * half.i_ma / math.hypot(res_ma, cap_ma))
    return float(limited_budget(step, meter, _bare(floor=half.v)).expanded)


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


# ---- budget, phasor, many parts ----------------------------------------------------------------------


METER, SUPPLY = Accuracy(1.0, 0.01), Accuracy(0.5, 0.1)


def _step(fault: complex, v: float = 120.0, u_ma: float = 0.0005, dof: float = 9.0) -> Step:
    return Step(v, *_read(fault, v), u_ma, dof, RS, 1.0, 120.0)


RECTANGLE, NORMAL = "rectangular", "normal"


def test_each_line_says_what_it_is_of_in_which_unit() -> None:
    got = limited_budget(_step(40e3), METER, SUPPLY)
    told = [(x.name, x.unit, x.distribution) for x in got.lines]
    assert told == [
        ("meter accuracy", "mA", RECTANGLE),
        ("meter calibration", "mA", NORMAL),
        ("meter temperature", "mA", RECTANGLE),
        ("meter resolution", "mA", RECTANGLE),
        ("noise", "mA", NORMAL),
        ("fixture", "mA", RECTANGLE),
        ("supply voltage", "V", NORMAL),
        ("limiting resistor", "kohm", RECTANGLE),
    ]
    values = [x.value for x in got.lines]
    i_ma = 120.0 / 87.0
    assert values == pytest.approx([i_ma, i_ma, i_ma, i_ma, i_ma, 0.0, 120.0, 47.0])
    assert [x.dof for x in got.lines] == [math.inf] * 4 + [9.0] + [math.inf] * 3
    assert got.unit == "mA"


def test_the_phasors_budgets_say_the_same() -> None:
    got = fault_phasor(_step(40e3), METER, SUPPLY)
    for one in (got.in_phase, got.at_90):
        assert one.unit == "ohm"
        told = [(x.name, x.unit) for x in one.lines]
        assert told == [
            ("supply voltage", "V"),
            ("current in phase", "mA"),
            ("current at 90°", "mA"),
            ("limiting resistor", "ohm"),
        ]
    assert got.signal == pytest.approx(120.0 / 87.0 / float(got.in_phase.lines[1].u))


def test_the_currents_lines_move_the_result_as_far_as_both_parts_together() -> None:
    """A fault at 53 degrees: what the magnitude moves by for each part, by small steps by hand."""
    fault, h = 30e3 - 40e3j, 1e-7
    res, cap = _read(fault)

    def at(r: float, c: float) -> float:
        return prospective(120.0, r, c, RS, 120.0).magnitude_ma

    slope = math.hypot(at(res + h, cap) - at(res - h, cap), at(res, cap + h) - at(res, cap - h))
    noise = limited_budget(_step(fault), _bare(floor=1e-7), _bare()).lines[4]
    assert noise.sensitivity == pytest.approx(slope / (2.0 * h), rel=0.01)


def test_what_the_current_errs_by_is_taken_together_before_the_result_moves() -> None:
    """Accuracy 0.0338 and zero 0.02, both over sqrt(3), and noise of 0.03 mA; 40 kohm, in phase."""
    step = _step(40e3, u_ma=0.03)
    got = limited_budget(step, _bare(percent=1.0, floor=0.02), _bare())
    i_ma = 120.0 / 87.0
    u_ma = math.hypot((0.01 * i_ma + 0.02) / math.sqrt(3.0), 0.02 / math.sqrt(3.0), 0.03)
    moved = [prospective(120.0, i_ma + s * u_ma, 0.0, RS, 120.0).magnitude_ma for s in (-1, 1)]
    worse = max(abs(one - 3.0) for one in moved)
    aside = max(
        abs(prospective(120.0, i_ma, s * u_ma, RS, 120.0).magnitude_ma - 3.0) for s in (-1, 1)
    )
    of_current = [float(line.contribution) for line in got.lines[:6]]
    assert math.hypot(*of_current) == pytest.approx(math.hypot(worse, aside), rel=1e-9)
    assert got.lines[5].u == pytest.approx(0.02 / math.sqrt(3.0))
    signal = fault_phasor(step, _bare(percent=1.0, floor=0.02), _bare()).signal
    assert signal == pytest.approx(i_ma / u_ma)


def test_a_line_without_uncertainty_keeps_its_sensitivity() -> None:
    got = limited_budget(_step(40e3, u_ma=0.0), METER, SUPPLY)
    assert got.lines[4].sensitivity == got.lines[0].sensitivity > 4.0


def test_no_bound_makes_what_is_uncertain_infinite_and_the_rest_nothing() -> None:
    short = Step(120.0, 2.60, 0.0, 0.0, 9.0, RS, 1.0, 120.0)
    got = limited_budget(short, METER, SUPPLY)
    assert [line.sensitivity for line in got.lines[:2]] == [math.inf, math.inf]
    assert (got.lines[4].u, got.lines[4].sensitivity) == (0.0, 0.0)
    assert got.expanded == math.inf


def test_a_steps_prospective_current_is_that_of_its_readings() -> None:
    step = _step(40e3 - 9e3j, v=118.0)
    assert prospective_of(step) == prospective(118.0, *_read(40e3 - 9e3j, 118.0), RS, 120.0)


def test_an_impedance_is_told_only_above_four_standard_uncertainties() -> None:
    clear = fault_phasor(_step(60e3), METER, SUPPLY)
    assert impedance_words(clear._replace(signal=4.0), 50.0) == "at least 50 kohm"
    assert impedance_words(clear._replace(signal=4.0001), 50.0) != "at least 50 kohm"
    assert impedance_words(clear._replace(signal=math.nan), 50.0) == "at least 50 kohm"


def test_the_budgets_lines_add_up_to_its_uncertainty() -> None:
    got = limited_budget(_step(40e3), METER, SUPPLY)
    names = [line.name for line in got.lines]
    assert names == [
        "meter accuracy",
        "meter calibration",
        "meter temperature",
        "meter resolution",
        "noise",
        "fixture",
        "supply voltage",
        "limiting resistor",
    ]
    assert got.u == pytest.approx(math.sqrt(sum(float(x.contribution) ** 2 for x in got.lines)))
    assert got.y == pytest.approx(3.0)
    assert all(float(line.u) > 0.0 for line in got.lines)


def test_sensitivities_of_a_forty_kilohm_fault_by_hand() -> None:
    """dI/di = (87/40)² = 4.73, dI/dU = 0.0544 mA/V, dI/dRs = 0.075 mA/kohm, all at 3 mA."""
    exact = limited_budget(_step(40e3), _bare(floor=1e-6), _bare(floor=1e-6))
    by_name = {line.name: float(line.sensitivity) for line in exact.lines}
    assert by_name["noise"] == pytest.approx(4.7306, rel=2e-3)
    assert by_name["fixture"] == by_name["noise"]
    assert by_name["supply voltage"] == pytest.approx(0.0544, rel=2e-3)
    assert by_name[RESISTOR] == pytest.approx(0.075, rel=0.01)
    resistor = exact.lines[-1]
    assert (resistor.value, resistor.unit) == (47.0, "kohm")
    assert resistor.u == pytest.approx(0.47 / math.sqrt(3.0))
    assert resistor.distribution == "rectangular"


def test_few_samples_of_a_noisy_current_widen_the_factor() -> None:
    calm, noisy = (limited_budget(_step(160e3, u_ma=u, dof=2.0), METER, SUPPLY) for u in (0, 0.05))
    assert calm.k == 2.0
    assert float(noisy.k) > 3.5
    assert calm.dof == math.inf


def test_the_sensitivity_to_the_current_grows_as_the_fault_falls() -> None:
    """At 160 kohm 1 µA read is 1.7 µA prospective, at 6 kohm 78 µA: (Rs + Zf)²/Zf² to first order."""
    grown = {}
    for ohm in (500e3, 160e3, 60e3, 20e3, 6e3):
        noise = limited_budget(_step(ohm), _bare(floor=1e-6), _bare()).lines[4]
        grown[ohm] = float(noise.sensitivity)
        assert grown[ohm] == pytest.approx(((RS + ohm) / ohm) ** 2, rel=0.02)
    assert list(grown.values()) == sorted(grown.values())


def test_no_uncertain_input_contributes_nothing_even_to_no_bound() -> None:
    short = Step(120.0, 2.60, 0.0, 0.0, 9.0, RS, 0.0, 120.0)
    got = limited_budget(short, _bare(), _bare())
    assert (got.y, got.u) == (math.inf, 0.0)
    assert [line.contribution for line in got.lines] == [0.0] * len(got.lines)


def test_phasor_of_the_fault_with_its_uncertainties() -> None:
    """30 kohm and 20 kohm capacitive; only the resistor errs: 470/sqrt(3) ohm, in phase alone."""
    step = Step(120.0, *_read(30e3 - 20e3j), 0.0, math.inf, RS, 1.0, 120.0)
    got = fault_phasor(step, _bare(), _bare())
    assert got.in_phase.y == pytest.approx(30e3)
    assert got.at_90.y == pytest.approx(-20e3)
    assert got.in_phase.expanded == pytest.approx(2 * 470.0 / math.sqrt(3.0), rel=1e-6)
    assert (got.at_90.expanded, got.r) == (0.0, 0.0)


def test_phasor_parts_correlate_through_the_same_volts() -> None:
    """Only the volts err: both parts of U/I move together, so |r| = 1."""
    step = Step(120.0, *_read(30e3 - 20e3j), 0.0, math.inf, RS, 0.0, 120.0)
    got = fault_phasor(step, _bare(), _bare(floor=1.0))
    total = complex(77e3, -20e3)  # of the loop: dZ/dU = Z_loop/U
    assert got.in_phase.expanded == pytest.approx(2 * total.real / 120.0 / math.sqrt(3.0), rel=1e-6)
    assert got.at_90.expanded == pytest.approx(-2 * total.imag / 120.0 / math.sqrt(3.0), rel=1e-6)
    assert got.r == pytest.approx(-1.0)


def test_phasor_of_no_current_is_missing() -> None:
    step = Step(120.0, 0.0, 0.0, 0.0, math.inf, RS, 1.0, 120.0)
    assert math.isnan(float(fault_phasor(step, METER, SUPPLY).in_phase.y))


def test_many_parts_at_once_are_as_each_alone() -> None:
    faults = [6e3 + 0j, 40e3 - 30e3j, 2e6 + 0j]
    res, cap = np.array([_read(f) for f in faults]).T
    many = prospective_many(120.0, res, cap, RS, 120.0)
    step = Step(120.0, res, cap, 0.0005, 9.0, RS, 1.0, 120.0)
    budget = limited_budget(step, METER, SUPPLY)
    for n, fault in enumerate(faults):
        alone = prospective(120.0, float(res[n]), float(cap[n]), RS, 120.0)
        assert many.magnitude_ma[n] == pytest.approx(alone.magnitude_ma)
        assert many.fault_ohm[n] == pytest.approx(alone.fault_ohm)
        one = limited_budget(_step(fault), METER, SUPPLY)
        assert budget.u[n] == pytest.approx(one.u)  # type: ignore[index]


def test_what_an_insulation_resistance_lets_through() -> None:
    """120 V across 0.3 Mohm drives 0.4 mA: no leakage limit would see it."""
    assert across_ma(0.3, 120.0) == pytest.approx(0.4)


def test_the_impedance_in_words_with_both_uncertainties() -> None:
    fault = fault_phasor(_step(60e3), METER, SUPPLY)
    in_phase, aside = (float(u) / 1000.0 for u in (fault[0].expanded, fault[1].expanded))
    words = f"60.0 ± {in_phase:.1f} kohm in phase, 0.0 ± {aside:.1f} kohm at 90°"
    assert impedance_words(fault, 50.0).replace("-0.0", "0.0") == words
    assert 2.0 < aside < in_phase < 4.0


def test_where_next_to_nothing_flows_only_a_least_impedance_is_told() -> None:
    fault = fault_phasor(_step(5e6), METER, SUPPLY)
    assert impedance_words(fault, 4300.4) == "at least 4300 kohm"
    nothing = Step(120.0, 0.0, 0.0, 0.0, math.inf, RS, 1.0, 120.0)
    assert impedance_words(fault_phasor(nothing, METER, SUPPLY), 5000.0) == "at least 5000 kohm"
