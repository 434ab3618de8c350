"""The place of a leak: closed forms by Ohm's law, intervals by hand, and what stays open.

``_read`` is Kirchhoff's: leaks of conductance g at x between a line at v and a neutral at n volts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.place import (
    Foretold,
    Ways,
    bounds,
    cannot_tell,
    drift_beyond,
    foretell_both,
    foretell_leg_to_leg,
    locate,
    neutral_from_sum,
    words_of,
)
from procedures.scan import Accuracy

METER, SUPPLY, NONE = Accuracy(1.0, 0.01), Accuracy(0.5, 0.1), Accuracy(0.0, 0.0)
Leaks = Sequence[tuple[float, float]]  # (kohm, x)


def _current(leaks: Leaks, at_a: float, at_b: float) -> float:
    return sum((at_a * (1.0 - x) + at_b * x) / kohm for kohm, x in leaks)


def _read(leaks: Leaks, n: float = 0.0, u: float = 0.0, dof: float = math.inf) -> Ways:
    v = 120.0
    return Ways(
        _current(leaks, v, n), _current(leaks, n, v), _current(leaks, v, v), (u, u, u), dof, v
    )


@given(st.floats(0.0, 1.0), st.floats(5.0, 1000.0), st.floats(-3.0, 3.0))
def test_any_place_comes_back_whatever_neutral_does(x: float, kohm: float, n: float) -> None:
    got = locate(_read([(kohm, x)], n), NONE)
    assert got.x == pytest.approx(x, abs=1e-9)
    assert got.neutral_v == pytest.approx(n, abs=1e-9)
    assert got.from_both


@given(st.floats(0.0, 1.0), st.floats(-3.0, 3.0))
def test_without_both_ends_hot_a_measured_neutral_corrects_as_well(x: float, n: float) -> None:
    ways = replace(_read([(60.0, x)], n), both=None, neutral_v=n)
    got = locate(ways, NONE)
    assert got.x == pytest.approx(x, abs=1e-9)
    assert (got.neutral_v, got.from_both) == (n, False)


def test_uncorrected_neutral_volts_would_shift_it() -> None:
    """2 V on neutral pull a leak at terminal A in by 2/122."""
    ways = replace(_read([(60.0, 0.0)], 2.0), both=None)
    got = locate(ways, NONE)
    assert got.x == pytest.approx(2.0 / 122.0)
    assert got.low == 0.0  # and the interval allows for it


def test_what_four_readings_cannot_tell_apart() -> None:
    """One 6 kohm in the middle, two 12 kohm at 0.1 and 0.9, and uniform damp of 6 kohm."""
    uniform = [(6.0 * 200, (n + 0.5) / 200) for n in range(200)]
    for leaks in ([(6.0, 0.5)], [(12.0, 0.1), (12.0, 0.9)], uniform):
        ways = _read(leaks)
        assert (ways.line_neutral, ways.neutral_line, ways.both) == pytest.approx((10, 10, 20))
        assert _current(leaks, 120.0, -120.0) == pytest.approx(0.0, abs=1e-9)
        assert locate(ways, METER).x == pytest.approx(0.5)


# ---- interval ----------------------------------------------------------------------------------------


def test_noise_alone_by_hand() -> None:
    """x = I2/(I1 + I2): u² = ((1-x)² + x²)·u²/(I1+I2)², here 0.3 of 2 mA with u = 0.01."""
    ways = replace(_read([(60.0, 0.3)], u=0.01), both=None, neutral_v=0.0)
    got = locate(ways, NONE)
    assert got.budget.u == pytest.approx(math.hypot(0.7, 0.3) * 0.01 / 2.0, rel=1e-4)
    assert got.high - got.low == pytest.approx(4.0 * got.budget.u)  # type: ignore[operator]


def test_few_degrees_of_freedom_widen_it() -> None:
    few, many = (locate(_read([(60.0, 0.3)], u=0.01, dof=dof), NONE) for dof in (4.0, math.inf))
    assert few.high - few.low > 1.1 * (many.high - many.low)  # type: ignore[operator]


def test_the_meters_gain_cancels_and_its_zero_does_not() -> None:
    """The same zero in both ways moves x by (1-2x)/(I1+I2): nothing in the middle."""
    zero = {}
    for x in (0.5, 0.1):
        got = locate(replace(_read([(60.0, x)]), both=None, neutral_v=0.0), Accuracy(5.0, 0.01))
        lines = {line.name: float(line.contribution) for line in got.budget.lines}
        zero[x] = lines["meter zero"]
    assert zero[0.5] == pytest.approx(0.0, abs=1e-9)
    assert zero[0.1] == pytest.approx(0.8 / 2.0 * 0.01 / math.sqrt(3.0), rel=1e-3)


def test_a_drift_between_the_two_line_neutral_readings_counts() -> None:
    ways = replace(_read([(60.0, 0.5)]), drift=-0.2)
    drift = next(line for line in locate(ways, NONE).budget.lines if line.name == "drift")
    assert drift.u == pytest.approx(0.1 / math.sqrt(3.0))
    assert float(drift.contribution) != 0.0


@pytest.mark.parametrize(("again", "drift"), [(1.0, 0.0), (1.019, 0.0), (1.05, 0.03), (0.9, 0.08)])
def test_a_drift_is_what_noise_does_not_explain(again: float, drift: float) -> None:
    assert drift_beyond(1.0, again, 0.01) == pytest.approx(drift)


def test_the_interval_ends_where_the_element_does() -> None:
    got = locate(_read([(600.0, 0.0)], u=0.01), METER)
    assert got.low == 0.0
    assert 0.0 < float(got.high) < 0.2


def test_nothing_leaking_has_no_place() -> None:
    nothing = Ways(0.0, 0.0, 0.0, (0.001,) * 3, 9.0, 120.0)
    assert math.isnan(float(locate(nothing, METER).x))
    assert math.isnan(float(neutral_from_sum(nothing)))
    assert cannot_tell(math.nan, math.nan) == "no place: too little leaks in phase"


def test_many_parts_at_once_are_as_each_alone() -> None:
    alone = [_read([(60.0, x)], n, 0.002, 9.0) for x, n in ((0.1, 1.0), (0.5, 0.0), (0.9, -1.0))]
    both = np.array([w.both for w in alone], float)
    i1, i2 = (np.array([getattr(w, k) for w in alone]) for k in ("line_neutral", "neutral_line"))
    many = locate(Ways(i1, i2, both, (0.002,) * 3, 9.0, 120.0), METER)
    for n, ways in enumerate(alone):
        one = locate(ways, METER)
        assert (many.x[n], many.low[n], many.high[n]) == pytest.approx(  # type: ignore[index]
            (one.x, one.low, one.high)
        )


# ---- predictions -------------------------------------------------------------------------------------


@given(st.floats(0.0, 1.0), st.floats(110.0, 130.0), st.floats(110.0, 130.0))
def test_leg_to_leg_is_foretold_whatever_the_legs_volts(x: float, v1: float, v2: float) -> None:
    """At nominal volts of the legs' mean, as a condition is normalised."""
    leaks = [(60.0, x)]
    truth = _current(leaks, v1, -v2) * 120.0 / ((v1 + v2) / 2.0)
    got = foretell_leg_to_leg(_read(leaks), METER, (v1, v2), SUPPLY, (truth, 0.02))
    assert got.predicted == pytest.approx(truth, abs=1e-9)
    assert got.agrees


def test_legs_that_differ_show_what_is_hidden_in_the_middle() -> None:
    got = foretell_leg_to_leg(_read([(6.0, 0.5)]), NONE, (122.0, 118.0), NONE, (0.33, 0.02))
    assert got.predicted == pytest.approx(20.0 * 4.0 / 240.0)


def test_both_ends_hot_is_the_sum_of_both_ways() -> None:
    got = foretell_both(_read([(60.0, 0.3)], 1.0), METER)
    assert got.predicted == pytest.approx(2.0 * 121.0 / 120.0)
    assert got.measured == pytest.approx(2.0)
    assert got.agrees
    assert float(got.predicted_u) > 2.0 * 2.0 * 2.0 / 120.0 / math.sqrt(3.0)  # neutral, 2 V


def test_a_leak_that_changed_disagrees() -> None:
    ways = replace(_read([(60.0, 0.3)]), both=2.3)
    got = foretell_both(ways, METER)
    assert not got.agrees
    (told,) = words_of([got])
    assert told[0] == "both ends hot"
    assert told[1].startswith("predicted 2.000 ± ")
    assert told[1].endswith("measured 2.300: disagrees: it changed with heat, time or voltage")


def test_what_was_not_measured_agrees_with_nothing_and_is_not_told() -> None:
    got = foretell_both(replace(_read([(60.0, 0.3)]), both=None), METER)
    assert not got.agrees
    assert words_of([got]) == []


def test_the_score_of_two_results() -> None:
    """E_n with expanded uncertainties: 10.5 ± 0.6 and 10.0 ± 0.3 give 0.745356 (recomputed)."""
    assert Foretold("", 10.0, 0.3, 10.5, 0.6).score == pytest.approx(0.745356, abs=1e-6)


# ---- words -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "damp", "bound"),
    [
        (0.48, 0.52, True, ""),
        (0.10, 0.20, False, "; at least 60 % of it in the half at terminal A"),
        (0.90, 0.95, False, "; at least 80 % of it in the half at terminal B"),
        (0.20, 0.30, False, ""),
        (0.0, 1.0, True, ""),
    ],
)
def test_what_stays_open(low: float, high: float, damp: bool, bound: str) -> None:
    words = cannot_tell(low, high)
    assert words.startswith(f"one hole between {low:.3f} and {high:.3f}, or several")
    assert ("damp all along" in words) is damp
    assert bounds(low, high) == bound
    assert bound in words
    assert words.endswith("; drying, immersion and looking tell them apart")


@given(st.lists(st.tuples(st.floats(0.1, 10.0), st.floats(0.0, 1.0)), min_size=1, max_size=6))
def test_the_bound_near_an_end_holds_for_any_leaks(leaks: list[tuple[float, float]]) -> None:
    """Markov: of a mean m from terminal A at most 2m lies in the other half."""
    whole = sum(g for g, _ in leaks)
    mean = sum(g * x for g, x in leaks) / whole
    words = bounds(mean, mean)
    if words.endswith("terminal A"):
        share = sum(g for g, x in leaks if x <= 0.5) / whole
        assert share >= float(words.split()[3]) / 100.0 - 0.006  # told in whole per cent
