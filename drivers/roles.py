"""The vocabulary between instruments and the rig: readings, flags, the clock, and a station.

A *station* is one line (a serial port or a socket) with the devices on it. It polls what is due,
keeps the newest reading of each channel, writes outputs and beats the watchdog. Channel names are
opaque here: the bench file gives them, ``rig/wiring.py`` knows what they mean.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from drivers.errors import DriverError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


class Quality(StrEnum):
    """Whether a value may be used as a number. Only GOOD may."""

    GOOD = "good"
    INVALID = "invalid"  # a status bit says so, or not a finite number
    OVER_RANGE = "over range"


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one channel, in the unit that the bench file declares for it."""

    value: float
    unit: str
    taken_s: float
    quality: Quality


@dataclass(frozen=True, slots=True)
class Flag:
    """One input, true meaning what its name says (inversion is already applied)."""

    on: bool
    taken_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Wave:
    """One channel of a capture: samples in the unit that the bench file declares, judged as a whole.

    A single sample out of range spoils it: what is cut off has no spectrum.
    """

    samples: npt.NDArray[np.float64]
    unit: str
    quality: Quality


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """Waveforms that were taken together, by channel name."""

    waves: Mapping[str, Wave]
    rate_hz: float
    taken_s: float


@runtime_checkable
class WaveMeter(Protocol):
    """A station whose meter tells waveforms, when it is asked to.

    ``want_capture``  asks for one capture at the next poll; it is tried once, because a capture is
                      context and must not keep a line busy, least of all a line that is not clean.
    ``capture``       the newest one; None before the first.
    """

    capture: Capture | None

    def want_capture(self) -> None: ...


class Clock(Protocol):
    """Control time, monotonic, in seconds.

    ``spent`` charges a transaction's declared cost: nothing in real time, simulated time in
    lockstep. ``sleep_until`` returns at or after ``t_s``.
    """

    def now_s(self) -> float: ...

    def spent(self, cost_s: float) -> None: ...

    def sleep_until(self, t_s: float) -> None: ...


class RealClock:
    """The machine's own monotonic clock."""

    def now_s(self) -> float:
        return time.monotonic()

    def spent(self, cost_s: float) -> None:
        return None

    def sleep_until(self, t_s: float) -> None:
        time.sleep(max(0.0, t_s - time.monotonic()))


class Station(Protocol):
    """One line and the devices on it. Only ``poll`` swallows faults: it keeps them in ``fault``.

    ``poll``        reads whatever is due at ``clock.now_s()``; on a fault the line is dirty
                    (``fault`` set), is resynchronised as the bus rules say without reopening a
                    serial port, and ``fault`` is cleared by the next fully good poll.
    ``write``       writes the named outputs and reads them back; raises DriverError.
    ``read_back``   the outputs as the device reports them now.
    ``beat``        renews the watchdog; raises DriverError.
    ``make_safe``   commands every output of the line off but those to ``leave``, tries hard, raises
                    if it could not.
    ``identify``    device name to the words it identified itself with; raises WrongDevice.
    """

    name: str
    readings: dict[str, Reading]
    inputs: dict[str, Flag]
    fault: DriverError | None

    def open(self) -> None: ...

    def close(self) -> None: ...

    def identify(self) -> Mapping[str, str]: ...

    def poll(self) -> None: ...

    def write(self, states: Mapping[str, bool]) -> None: ...

    def read_back(self) -> Mapping[str, bool]: ...

    def beat(self) -> None: ...

    def make_safe(self, leave: frozenset[str] = frozenset()) -> None: ...

    def read_holding(self, device: str, address: int, count: int) -> list[int]: ...
