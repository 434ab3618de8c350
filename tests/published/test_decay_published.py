"""The exponential fit against NIST's reference data and scipy on the same data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from procedures.decay import fit_decay

# NIST StRD non-linear regression, model b1(1 - exp(-b2 x)): certified b1, b2 and sum of squares, from the
# reference files that a public curve-fitting package carries. The model here has one parameter more.
MISRA_1A = (
    [
        77.6,
        114.9,
        141.1,
        190.8,
        239.9,
        289.0,
        332.8,
        378.4,
        434.8,
        477.3,
        536.8,
        593.1,
        689.1,
        760.0,
    ],
    [
        10.07,
        14.73,
        17.94,
        23.93,
        29.61,
        35.18,
        40.02,
        44.82,
        50.76,
        55.05,
        61.01,
        66.40,
        75.47,
        81.78,
    ],
    238.94212918,
    5.5015643181e-4,
    0.12455138894,
)
BOX_BOD = (
    [1.0, 2.0, 3.0, 5.0, 7.0, 10.0],
    [109.0, 149.0, 149.0, 191.0, 213.0, 224.0],
    213.80940889,
    0.54723748542,
    1168.0088766,
)
Data = tuple[list[float], list[float], float, float, float]


def _curve(t: np.ndarray, asymptote: float, amplitude: float, tau: float) -> np.ndarray:
    return np.asarray(asymptote + amplitude * np.exp(-(t - t[0]) / tau))


@pytest.mark.parametrize("data", [MISRA_1A, BOX_BOD], ids=["Misra1a", "BoxBOD"])
def test_the_data_are_the_ones_that_nist_certifies(data: Data) -> None:
    x, y = np.array(data[0]), np.array(data[1])
    left = y - data[2] * (1.0 - np.exp(-data[3] * x))
    assert float(left @ left) == pytest.approx(data[4], rel=1e-8)


@pytest.mark.parametrize("data", [MISRA_1A, BOX_BOD], ids=["Misra1a", "BoxBOD"])
def test_a_free_offset_leaves_no_more_than_the_certified_sum_of_squares(data: Data) -> None:
    x, y = np.array(data[0]), np.array(data[1])
    got = fit_decay(x, y)
    assert got is not None
    left = y - _curve(x, got.asymptote, got.amplitude, got.tau_s)
    assert float(left @ left) <= data[4]
    start = (data[2], -data[2], 1.0 / data[3])
    best, covariance = curve_fit(_curve, x, y, p0=start, maxfev=10_000)
    assert (got.asymptote, got.amplitude, got.tau_s) == pytest.approx(tuple(best), rel=2e-3)
    assert got.asymptote_u >= 0.98 * float(np.sqrt(covariance[0, 0]))


@pytest.mark.parametrize("data", [MISRA_1A, BOX_BOD], ids=["Misra1a", "BoxBOD"])
def test_certified_parameters_come_back_from_their_own_curve(data: Data) -> None:
    x = np.array(data[0])
    got = fit_decay(x, data[2] * (1.0 - np.exp(-data[3] * x)))
    assert got is not None
    assert got.asymptote == pytest.approx(data[2], rel=1e-5)
    assert 1.0 / got.tau_s == pytest.approx(data[3], rel=1e-5)
