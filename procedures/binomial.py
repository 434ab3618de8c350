"""How likely something may be that was seen ``hits`` times in ``tries``: an exact upper bound.

Source: C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case
of the binomial", Biometrika 26 (1934) 404-413. With no hits it is 1 - (1 - confidence)**(1 / tries),
about 3 / tries at 95 %.
"""

from __future__ import annotations

import math

from procedures.errors import ProcedureError

HALVINGS = 60  # of the interval from 0 to 1: below a float's own resolution


def at_most(hits: int, tries: int, chance: float) -> float:
    """Probability of at most ``hits`` in ``tries`` when each has ``chance`` (0 < chance < 1)."""
    yes, no = math.log(chance), math.log1p(-chance)
    ways = math.lgamma(tries + 1)
    terms = (
        math.exp(
            ways - math.lgamma(k + 1) - math.lgamma(tries - k + 1) + k * yes + (tries - k) * no
        )
        for k in range(hits + 1)
    )
    return min(1.0, math.fsum(terms))


def upper_bound(hits: int, tries: int, confidence: float = 0.95) -> float:
    """The one-sided Clopper-Pearson upper bound of the probability. 1.0 when there is nothing to
    judge by. Raises ProcedureError for counts that can't be."""
    if not 0 <= hits <= tries or not 0.0 < confidence < 1.0:
        raise ProcedureError("binomial bound", f"{hits} of {tries} at {confidence} can't be")
    if hits == tries:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if at_most(hits, tries, middle) > 1.0 - confidence:
            low = middle
        else:
            high = middle
    return high
