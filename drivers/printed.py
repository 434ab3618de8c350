"""A meter that prints lines by itself on a serial port."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from drivers import numbers
from drivers.described import BenchSpec, LineSpec, PrintedReading
from drivers.errors import DriverError
from drivers.lines import SerialLine
from drivers.meters import Meters
from drivers.roles import Clock, Quality

LONGEST_LINE: Final = 200  # bytes; more without a terminator is garbage


class LineCutter:
    """Bytes in, whole lines out. What comes before the first terminator may be half a line: dropped.

    ``garbage`` counts lines that were dropped for their length.
    """

    def __init__(self, terminator: str) -> None:
        self._end = terminator.encode("ascii")
        self._rest = b""
        self._whole = False
        self.garbage = 0

    def feed(self, data: bytes) -> list[bytes]:
        """The lines completed by ``data``, without terminator."""
        *lines, self._rest = (self._rest + data).split(self._end)
        kept = [line for line in lines[0 if self._whole else 1 :] if len(line) <= LONGEST_LINE]
        self.garbage += len(lines) - len(kept) - (0 if self._whole or not lines else 1)
        self._whole = self._whole or bool(lines)
        if len(self._rest) > LONGEST_LINE:
            self._rest, self._whole = b"", False
            self.garbage += 1
        return kept


class PrintedStation(Meters):
    """A Station (roles.py) for a ``printed`` line. ``garbage`` counts lines that no pattern takes.

    A meter that prints nothing is no fault: its readings grow stale.
    """

    def __init__(self, spec: BenchSpec, line: LineSpec, clock: Clock) -> None:
        super().__init__(line.name, clock)
        self._line = SerialLine(line)
        self._terminator = line.terminator
        self._cutter = LineCutter(line.terminator)
        self._strays = 0
        mine = {name for name, one in spec.devices.items() if one.line == line.name}
        self._patterns = [
            (re.compile(one.pattern), one)
            for one in spec.readings.values()
            if isinstance(one, PrintedReading) and one.device in mine
        ]

    @property
    def garbage(self) -> int:
        """Lines ignored since the station was opened."""
        return self._strays + self._cutter.garbage

    def open(self) -> None:
        """Open the port; raises PortUnavailable."""
        with self._lock:
            self._line.open()
            self._cutter, self._strays = LineCutter(self._terminator), 0
            self.readings.clear()
            self.fault = None

    def close(self) -> None:
        """Close the port; never raises."""
        with self._lock:
            self._line.close()

    def identify(self) -> Mapping[str, str]:
        """Nothing: such a meter can't be asked."""
        return {}

    def poll(self) -> None:
        """Take what has arrived; the newest line of each reading wins."""
        with self._lock:
            try:
                data = self._line.arrived()
            except DriverError as exc:
                self.fault = exc
                return
            for line in self._cutter.feed(data) if data else ():
                self._take(line)

    def _take(self, line: bytes) -> None:
        text = line.decode("ascii", "replace").rstrip("\r")
        taken = False
        for pattern, spec in self._patterns:
            match = pattern.fullmatch(text)
            if match:
                raw = numbers.written(match[spec.group] or "")
                taken_s = self._clock.now_s()
                self.readings[spec.name] = numbers.graded(spec, raw, taken_s, Quality.GOOD)
                taken = True
        self._strays += not taken
