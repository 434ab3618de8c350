"""Registers and words to readings: encodings, word orders, scale, range, status. Pure.

The Modbus specification defines no type wider than one register, hence no word order: the bench file
names one of four. ABCD is big-endian throughout, CDAB swaps the words, BADC the bytes in each word,
DCBA both. For one register ABCD and CDAB mean AB, BADC and DCBA mean BA.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from typing import Final

from drivers.described import Encoding, ModbusReading, Order, PrintedReading, ScpiReading
from drivers.roles import Quality, Reading

_LETTER: Final[dict[Encoding, str]] = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "float32": "f",
}
WORDS: Final[dict[Encoding, int]] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
}
# As packed from registers, BADC is D C B A once its two words change places; so is DCBA as it stands.
_END: Final[dict[Order, str]] = {"ABCD": ">", "CDAB": ">", "BADC": "<", "DCBA": "<"}
_BACKWARDS: Final = frozenset({"CDAB", "BADC"})
ReadingSpec = ModbusReading | ScpiReading | PrintedReading
GOOD: Final = Quality.GOOD  # looked up once: a scan needs it dozens of times, and enums are slow


def decoder(encoding: Encoding, order: Order) -> Callable[[Sequence[int]], float]:
    """A function from one or two registers to the raw number they hold."""
    two = WORDS[encoding] == 2
    pack = struct.Struct(">HH" if two else ">H").pack
    unpack = struct.Struct(_END[order] + _LETTER[encoding]).unpack
    backwards = two and order in _BACKWARDS

    def decode(words: Sequence[int]) -> float:
        packed = pack(*(words[::-1] if backwards else words))
        return float(unpack(packed)[0])

    return decode


def encode(value: float, encoding: Encoding, order: Order) -> list[int]:
    """The inverse of ``decoder``, for writing registers and for tests; raises struct.error."""
    number = value if encoding == "float32" else round(value)
    packed = struct.pack(_END[order] + _LETTER[encoding], number)
    words = [word for (word,) in struct.iter_unpack(">H", packed)]
    return words[::-1] if order in _BACKWARDS else words


def graded(spec: ReadingSpec, raw: float, taken_s: float, status: Quality) -> Reading:
    """Scale and offset applied, then judged: not finite is INVALID, outside the range OVER_RANGE.

    An invalid reading carries NaN: a missing value is never a number, least of all 0.
    """
    value = raw * spec.scale + spec.offset
    if status is GOOD and spec.low <= value <= spec.high and math.isfinite(value):
        return Reading(value, spec.unit, taken_s, GOOD)
    if status is Quality.INVALID or not math.isfinite(value):
        return Reading(math.nan, spec.unit, taken_s, Quality.INVALID)
    return Reading(value, spec.unit, taken_s, Quality.OVER_RANGE)


def status_quality(word: int, invalid_mask: int, over_mask: int) -> Quality:
    """What a status word says; invalid outranks over range."""
    if word & invalid_mask:
        return Quality.INVALID
    return Quality.OVER_RANGE if word & over_mask else GOOD


def written(text: str) -> float:
    """A number as an instrument writes it (plain decimal or exponent); NaN for anything else.

    SCPI's own NaN (9.91E37; SCPI-99, from memory) is no measurement. Its infinity (9.9E37) stays what
    it is: further than any range, a reading that is over range.
    """
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return math.nan if "_" in text or not text.isascii() or abs(value) >= 9.91e37 else value
