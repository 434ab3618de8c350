"""Number types of the measurement mathematics: one value, or parts (x time, last axis)."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

# one number, or an array of them: the same formula serves a bench and a study
Num = TypeVar("Num", float, npt.NDArray[np.float64])
