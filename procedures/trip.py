"""Will it trip: a residual current against a device whose own threshold nobody has measured.

A Class A device trips somewhere between 4 and 6 mA (NEC informational note to the definition of GFCI,
as quoted), an RCD between half and all of its rated residual current (IEC 61008-1, as tabulated in
secondary texts). Where in between is unknown, so it is taken as equally likely anywhere: a convention,
not a finding. Currents in mA, times in s. Formulas take one number or an array.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from procedures.arrays import FloatArray
from procedures.errors import ProcedureError
from procedures.protection import (
    MUST_HOLD_MA,
    MUST_TRIP_MA,
    RCD_MUST_HOLD,
    longest_rcd_s,
    longest_trip_s,
)

Kind = Literal["class A", "AC", "A", "F", "B"]
CLASS_A: Kind = "class A"
SMOOTH_DC_MA: Mapping[Kind, float] = {  # smooth DC that the type still works with
    "AC": 0.0,  # BS 7671 531.3.3 as quoted: sinusoidal alternating current only
    "A": 6.0,  # same
    "F": 10.0,  # same
    "B": 10.0,  # same: or 0.4 of the rated residual current, whichever is higher
    CLASS_A: 0.0,  # common practice, no source: a DC part may keep it from tripping
}
B_SHARE = 0.4
LITTLE_DC_MA = 0.05  # below a meter's own zero error nothing is said about DC
DISTORTED = 0.2  # share of harmonics in the total from which a device's response is not known (P)


@dataclass(frozen=True, slots=True)
class Device:
    """A protective device: a Class A GFCI, or an RCD of a type with its rated residual current."""

    kind: Kind = CLASS_A
    rated_ma: float = MUST_TRIP_MA

    def __post_init__(self) -> None:
        if self.kind not in SMOOTH_DC_MA:
            raise ProcedureError("device", f"no type {self.kind!r}", ", ".join(SMOOTH_DC_MA))
        if not (math.isfinite(self.rated_ma) and self.rated_ma > 0.0):
            raise ProcedureError("device", f"rated residual current {self.rated_ma}", "give mA")

    @property
    def holds_ma(self) -> float:
        """Below this it must not trip."""
        return MUST_HOLD_MA if self.kind == CLASS_A else RCD_MUST_HOLD * self.rated_ma

    @property
    def trips_ma(self) -> float:
        """From here on it must trip."""
        return MUST_TRIP_MA if self.kind == CLASS_A else self.rated_ma

    def longest_s(self, i_ma: float) -> float:
        """Longest trip time at ``i_ma``; infinite where no trip is demanded."""
        if self.kind == CLASS_A:
            return longest_trip_s(i_ma)
        return longest_rcd_s(i_ma, self.rated_ma)


@dataclass(frozen=True, slots=True)
class Answer:
    """Probability that the device trips, and the interval of its trip time if it does.

    ``soonest_s`` is always 0: faster than the curve is allowed. ``latest_s`` is infinite where no trip
    is demanded at the current's lower bound. ``doubts`` says what may blind the device.
    """

    chance: float
    soonest_s: float
    latest_s: float
    doubts: tuple[str, ...]


def trip_chance(i_ma: npt.ArrayLike, u_ma: npt.ArrayLike, device: Device) -> FloatArray:
    """Probability of a trip at ``i_ma`` with expanded uncertainty ``u_ma`` (k = 2), any shape.

    The mean of the threshold's uniform distribution function over a normal current: with a and b its
    ends, (E(I-a)+ - E(I-b)+)/(b-a), where E(X-a)+ = s·phi(z) + (m-a)·Phi(z) and z = (m-a)/s (the
    partial expectation of a normal variable; any text on it, from memory). NaN stays NaN.
    """
    mean = np.asarray(i_ma, np.float64)
    sigma = np.asarray(u_ma, np.float64) / 2.0
    low, high = device.holds_ma, device.trips_ma
    over = _excess(mean - low, sigma) - _excess(mean - high, sigma)
    chance: FloatArray = np.clip(over / (high - low), 0.0, 1.0)
    return chance


def _excess(margin: FloatArray, sigma: FloatArray) -> FloatArray:
    """E(X)+ for a normal X with mean ``margin``; without scatter its positive part."""
    some = np.where(sigma > 0.0, sigma, 1.0)
    z = margin / some
    density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    spread = some * density + margin * normal_cdf(z)
    excess: FloatArray = np.where(sigma > 0.0, spread, np.maximum(margin, 0.0))
    return excess


def normal_cdf(z: npt.ArrayLike) -> FloatArray:
    """Standard normal distribution function, by the error function of the C library."""
    erf: Any = np.vectorize(math.erf, otypes=[np.float64])
    cdf: FloatArray = 0.5 * (1.0 + erf(np.asarray(z, np.float64) / math.sqrt(2.0)))
    return cdf


def will_it_trip(
    i_ma: float,
    u_ma: float,
    device: Device | None = None,
    *,
    dc_ma: float | None = None,
    harmonics_ma: float | None = None,
) -> Answer:
    """One current against one device. ``u_ma`` expanded (k = 2); ``dc_ma`` and ``harmonics_ma`` where
    they are known. Raises ProcedureError for currents that can't be."""
    device = device or Device()
    if not (math.isfinite(i_ma) and math.isfinite(u_ma) and i_ma >= 0.0 and u_ma >= 0.0):
        raise ProcedureError("trip", f"{i_ma} mA ± {u_ma}", "give finite currents, not negative")
    chance = float(trip_chance(i_ma, u_ma, device))
    latest_s = device.longest_s(max(0.0, i_ma - u_ma))
    doubts = blinding(i_ma, device, dc_ma=dc_ma, harmonics_ma=harmonics_ma)
    return Answer(chance, 0.0, latest_s, doubts)


def blinding(
    i_ma: float, device: Device, *, dc_ma: float | None, harmonics_ma: float | None
) -> tuple[str, ...]:
    """Words for what in the current may keep the device from tripping; what isn't known is said."""
    said: list[str] = []
    if dc_ma is None:
        said.append("the DC part is not known: it may blind the device")
    elif abs(dc_ma) > max(LITTLE_DC_MA, _smooth_dc_ma(device)):
        name = "a Class A GFCI" if device.kind == CLASS_A else f"an RCD of type {device.kind}"
        said.append(f"{abs(dc_ma):.2f} mA DC may blind {name}")
    if harmonics_ma is not None and i_ma > 0.0 and harmonics_ma > DISTORTED * i_ma:
        share = 100.0 * harmonics_ma / i_ma
        said.append(f"{share:.0f} % harmonics: how the device answers to them is not known")
    return tuple(said)


def _smooth_dc_ma(device: Device) -> float:
    most = SMOOTH_DC_MA[device.kind]
    return max(most, B_SHARE * device.rated_ma) if device.kind == "B" else most
