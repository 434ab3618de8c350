"""The leakage meter: SCPI over TCP, one line in, one line out (IEEE 488.2 and SCPI-99 forms)."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Mapping
from random import Random

from drivers.virtual.plant import Plant
from drivers.virtual.waves import block, waves

IDENTITY = "EXAMPLE,LEAKAGE METER,0,1.0"
OVER_RANGE, NOT_A_NUMBER = 9.9e37, 9.91e37  # SCPI-99's positive infinity and not-a-number
RANGE_MA = 30.0
QUEUE_LENGTH = 20
LONGEST_LINE = 1024
FIELDS = ("leakage_ma", "leakage_resistive_ma", "leakage_capacitive_ma", "leakage_dc_ma")


class ScpiMeter:
    """One connection to the meter; each has its own input buffer and error queue."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._errors: deque[str] = deque(maxlen=QUEUE_LENGTH)
        self._buffer = b""
        self._rng = Random(1)  # of the bursts only: asking must not change what else happens

    def feed(self, data: bytes) -> bytes:
        """Bytes from the connection; the replies to all complete lines."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        if len(self._buffer) > LONGEST_LINE:
            self._buffer = b""
            self._errors.append('-223,"Too much data"')
        return b"".join(self._line(line) for line in lines)

    def _line(self, line: bytes) -> bytes:
        words = line.decode("ascii", "replace").strip()
        commands = (command.strip().lstrip(":") for command in words.split(";"))
        answers = [self._command(command) for command in commands if command]
        said = [answer for answer in answers if answer is not None]
        return b";".join(said) + b"\n" if said else b""

    def _command(self, command: str) -> bytes | None:
        for pattern, act in COMMANDS.items():
            if re.fullmatch(pattern, command, re.IGNORECASE):
                answer = act(self)
                return answer.encode() if isinstance(answer, str) else answer
        self._errors.append('-113,"Undefined header"')
        return None

    def leakage(self) -> str:
        """r.m.s., resistive, capacitive and DC part in mA, comma-separated."""
        values = self._plant.values()
        return ",".join(f"{_ranged(values[name]):.5G}" for name in FIELDS)

    def waveforms(self) -> bytes:
        """Leakage in mA and leg 1 in V, a definite-length block each, sampled together."""
        return b",".join(block(wave) for wave in waves(self._plant, self._rng))

    def next_error(self) -> str:
        return self._errors.popleft() if self._errors else '0,"No error"'

    def clear(self) -> str | None:
        self._errors.clear()
        return None


def _ranged(ma: float) -> float:
    if math.isnan(ma):
        return NOT_A_NUMBER
    return ma if abs(ma) <= RANGE_MA else OVER_RANGE


COMMANDS: Mapping[str, Callable[[ScpiMeter], str | bytes | None]] = {
    r"\*IDN\?": lambda meter: IDENTITY,
    r"\*OPC\?": lambda meter: "1",
    r"\*CLS": ScpiMeter.clear,
    r"\*RST": lambda meter: None,
    r"MEAS(URE)?:LEAK(AGE)?\?": ScpiMeter.leakage,
    r"MEAS(URE)?:WAV(EFORM)?\?": ScpiMeter.waveforms,
    r"SYST(EM)?:ERR(OR)?(:NEXT)?\?": ScpiMeter.next_error,
}
