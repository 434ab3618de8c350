"""The beta distribution: shares that were counted, with what remains unknown about them.

The regularised incomplete beta function by its continued fraction (NIST Digital Library of
Mathematical Functions 8.17.22, evaluated by the modified Lentz method), the quantile by halving.
"""

from __future__ import annotations

import math

from procedures.errors import ProcedureError

TINY = 1e-300
TERMS = 500
HALVINGS = 80


def beta_cdf(x: float, a: float, b: float) -> float:
    """Probability that a share with the distribution Beta(a, b) is at most ``x``. Raises ProcedureError
    for parameters that are not positive."""
    if not (a > 0.0 and b > 0.0 and math.isfinite(a + b)):
        raise ProcedureError("beta distribution", f"parameters {a} and {b}", "give positive ones")
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1.0) / (a + b + 2.0):  # the fraction converges fast on this side only (8.17.4)
        return 1.0 - beta_cdf(1.0 - x, b, a)
    log_front = a * math.log(x) + b * math.log1p(-x) + _log_one_over_beta(a, b)
    return math.exp(log_front) / (a * _fraction(x, a, b))


def beta_quantile(p: float, a: float, b: float) -> float:
    """The share that Beta(a, b) stays at or below with probability ``p`` (0 to 1)."""
    if not 0.0 <= p <= 1.0:
        raise ProcedureError("beta distribution", f"probability {p}", "give 0 to 1")
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        below = beta_cdf(middle, a, b) < p
        low, high = (middle, high) if below else (low, middle)
    return 0.5 * (low + high)


def _log_one_over_beta(a: float, b: float) -> float:
    return math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)


def _fraction(x: float, a: float, b: float) -> float:
    """1 + d1/(1 + d2/(1 + ...)) with the coefficients of 8.17.23."""
    whole = c = 1.0
    d = 0.0
    for n in range(1, TERMS):
        term = _term(n, x, a, b)
        d = 1.0 / _off_zero(1.0 + term * d)
        c = _off_zero(1.0 + term / c)
        whole *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return whole


def _term(n: int, x: float, a: float, b: float) -> float:
    m = n // 2
    if n % 2:
        return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
    return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))


def _off_zero(value: float) -> float:
    return value if abs(value) > TINY else TINY
