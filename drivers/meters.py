"""What lines without outputs share: a station that only reads."""

from __future__ import annotations

import threading
from collections.abc import Mapping

from drivers.errors import DriverError, Refused
from drivers.roles import Clock, Flag, Reading


class Meters:
    """The writing half of a Station for lines that carry meters only, and the fault bookkeeping."""

    def __init__(self, name: str, clock: Clock) -> None:
        self.name = name
        self.readings: dict[str, Reading] = {}
        self.inputs: dict[str, Flag] = {}
        self.fault: DriverError | None = None
        self._clock = clock
        self._lock = threading.RLock()

    def write(self, states: Mapping[str, bool]) -> None:
        """No outputs here: raises Refused when any is named."""
        if states:
            raise Refused(self.name, f"no outputs {', '.join(sorted(states))} on this line")

    def read_back(self) -> Mapping[str, bool]:
        """Nothing: no outputs here."""
        return {}

    def beat(self) -> None:
        """No watchdog is on such a line, nothing to renew."""

    def make_safe(self, leave: frozenset[str] = frozenset()) -> None:
        """No outputs, nothing to switch off."""

    def read_holding(self, device: str, address: int, count: int) -> list[int]:
        """No registers here: always raises Refused."""
        raise Refused(device, f"no registers ({address}+{count}) on line {self.name}")
