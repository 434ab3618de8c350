"""Means, scatter and guard band against the GUM, NIST's reference data and JCGM 106."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from procedures.decide import CODES, decide_arrays
from procedures.scan import Accuracy
from procedures.series import ONE_SIDED_95, settle
from procedures.uncertainty import reading_budget

NO_ERROR = Accuracy(0.0, 0.0)  # nothing to be assumed either: all of it is a share of these

# GUM (JCGM 100:2008) table H.2, from two published data files that are identical; means and
# s(mean) as printed in a public text that works the example
GUM_H2 = {
    "V": ([5.007, 4.994, 5.005, 4.990, 4.999], 4.9990, 0.00320936, 0.0032),
    "I": ([19.663, 19.639, 19.640, 19.685, 19.678], 19.6610, 0.00947101, 0.0095),
    "phi": ([1.0456, 1.0438, 1.0468, 1.0428, 1.0433], 1.04446, 0.000752064, 0.00075),
}


@pytest.mark.parametrize("name", GUM_H2)
def test_gum_h2_means_and_their_uncertainty(name: str) -> None:
    data, mean, full, printed = GUM_H2[name]
    got = settle(range(len(data)), data, window_s=math.inf)
    noise = got.scatter / math.sqrt(got.n)
    standard = reading_budget(got.mean, NO_ERROR, "", noise, got.n - 1.0).u
    assert got.mean == pytest.approx(mean, abs=5e-7)
    assert standard == pytest.approx(full, rel=1e-5)
    assert standard == pytest.approx(printed, rel=0.01)


# NIST StRD univariate sets NumAcc1 to 4, certified mean and standard deviation; a one-pass variance
# goes negative on NumAcc4
NUM_ACC = {
    1: ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),
    2: ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1),
    3: ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1),
    4: ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1),
}


@pytest.mark.parametrize("which", NUM_ACC)
def test_nist_numerical_accuracy(which: int) -> None:
    data, mean, deviation = NUM_ACC[which]
    got = settle(range(len(data)), data, window_s=math.inf)
    assert got.mean == pytest.approx(mean, rel=1e-13)
    assert got.scatter == pytest.approx(deviation, rel=1e-7)


def test_an_accuracy_statement_is_a_rectangle() -> None:
    """GUM 4.3.7: a half-width a is the standard uncertainty a/sqrt(3) (from memory)."""
    bare = Accuracy(3.0, 0.0, temperature_percent_per_k=0.0, calibration_percent=0.0)
    got = reading_budget(1.0, bare, "").expanded
    assert got == pytest.approx(2.0 * 0.03 * 0.577350, rel=1e-6)


# ILAC-G8:2009 as quoted: a guard band of U leaves less than 2.5 % false acceptance; for a normal
# error of U/2 exactly at the limit it is 2.275 %
def test_the_guard_band_keeps_false_passes_below_two_and_a_half_per_cent() -> None:
    rng = np.random.default_rng(7)
    y = 0.75 + rng.normal(0.0, 0.03, 400_000)  # a part that is exactly at the limit, U = 0.06
    codes = decide_arrays(y, 0.06, False, False, True, False, 1)
    passed = float(np.mean(codes == CODES["pass"]))
    assert passed == pytest.approx(0.02275, abs=0.0008)
    assert passed == pytest.approx(float(norm.sf(2.0)), abs=0.0008)


def test_one_sided_95_per_cent() -> None:
    """JCGM 106:2012 table 1: z = 1.64 for 0.95 (from memory); the normal quantile agrees."""
    assert pytest.approx(1.64, abs=0.01) == ONE_SIDED_95
    assert float(norm.cdf(ONE_SIDED_95)) == pytest.approx(0.95, abs=1e-4)
