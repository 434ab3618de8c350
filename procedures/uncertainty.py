"""Uncertainty of a leakage reading, plain: accuracy statement and scatter, coverage factor 2."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from procedures.arrays import Num
from procedures.scan import Accuracy

COVERAGE = 2.0  # k = 2, about 95 % (GUM 6.3.3)


def expanded_ma(
    y_ma: Num, accuracy: Accuracy, scatter_ma: Num, n: int, extra: Sequence[float] = ()
) -> Num:
    """Expanded uncertainty (k = 2) in mA of a mean ``y_ma`` of ``n`` samples.

    U = 2·sqrt(a²/3 + s²/n + sum of extra²). The accuracy's half-width a is a rectangle: GUM (JCGM
    100:2008) 4.3.7; the scatter of the mean: 4.2.3; independent inputs combine by squares: 5.1.2.
    ``extra`` are further *standard* uncertainties in mA. NaN without a sample.
    """
    y: Any = y_ma
    half = accuracy.half_width(y)
    scatter = np.square(scatter_ma) / n if n > 0 else np.asarray(scatter_ma) * np.nan
    squares = np.square(half) / 3.0 + scatter + sum(e * e for e in extra)
    expanded: Num = COVERAGE * np.sqrt(squares)
    return expanded
