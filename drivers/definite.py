"""IEEE 488.2 definite-length blocks: ``#``, one digit that counts digits, these digits, so many bytes.

Several blocks of one reply are set off by commas; the line's terminator ends it. Byte orders are
SCPI's words (FORMat:BORDer, SCPI-99): normal is most significant byte first. Block form and clause
from memory (IEEE 488.2, 8.7.9). Pure: bytes in, samples out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

from drivers.described import SampleType
from drivers.errors import Garbled

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

LONGEST: Final = 1_000_000  # bytes of one block; more is no capture but a damaged length
TYPES: Final[Mapping[SampleType, str]] = {
    "int16": "i2",
    "uint16": "u2",
    "int32": "i4",
    "uint32": "u4",
    "float32": "f4",
    "float64": "f8",
}
BYTE_ORDERS: Final = {"normal": ">", "swapped": "<"}
REMEDY: Final = "compare the command and its data format with its manual"


class Span(NamedTuple):
    """Where a block's bytes are in a reply; ``whole`` false: only as much as its head is known."""

    start: int
    stop: int
    whole: bool


def _span(where: str, buffer: bytes, at: int) -> Span:
    """The block that begins at ``at``; raises Garbled as soon as it can't be one."""
    head = buffer[at : at + 2]
    if not b"#".startswith(head[:1]):
        words = f"reply {bytes(buffer[at : at + 16])!r} is no definite-length block"
        raise Garbled(where, words, REMEDY)
    if len(head) < 2:
        return Span(at + 2, at + 2, False)
    if not head[1:].isdigit() or head[1:] == b"0":  # 0: indefinite, ended by what TCP doesn't carry
        raise Garbled(where, f"{head!r} begins no block of definite length", REMEDY)
    start = at + 2 + int(head[1:])
    digits = buffer[at + 2 : start]
    if digits and not digits.isdigit():
        raise Garbled(where, f"a block's length {bytes(digits)!r} is no number", REMEDY)
    if len(buffer) < start:
        return Span(start, start, False)
    if int(digits) > LONGEST:
        raise Garbled(where, f"a block of {int(digits)} bytes", f"at most {LONGEST}")
    return Span(start, start + int(digits), True)


def spans(where: str, buffer: bytes, count: int) -> Iterator[Span]:
    """The blocks of a reply as far as they have come; raises Garbled where it is none."""
    at = 0
    for number in range(count):
        if number and at < len(buffer):
            if buffer[at : at + 1] != b",":
                raise Garbled(where, f"{number} blocks instead of {count}", REMEDY)
            at += 1
        elif number:
            yield Span(at + 1, at + 1, False)
            return
        span = _span(where, buffer, at)
        yield span
        if not span.whole:
            return
        at = span.stop


def needed(where: str, buffer: bytes, count: int, end: bytes) -> int:
    """How many bytes a reply of ``count`` blocks has, as far as ``buffer`` tells."""
    found = list(spans(where, buffer, count))
    complete = len(found) == count and found[-1].whole
    return found[-1].stop + len(end) if complete else max(found[-1].stop, len(buffer) + 1)


def cut(where: str, reply: bytes, count: int, end: bytes) -> list[bytes]:
    """The blocks' bytes of a whole reply; raises Garbled when it doesn't end where it should."""
    found = list(spans(where, reply, count))
    if len(found) < count or not found[-1].whole or reply[found[-1].stop :] != end:
        raise Garbled(where, "the blocks don't end in the terminator", REMEDY)
    return [reply[span.start : span.stop] for span in found]


def samples(block: bytes, kind: SampleType, byte_order: str) -> npt.NDArray[np.float64]:
    """The numbers in a block, whose length is a multiple of theirs."""
    import numpy as np  # only benches whose meter captures waveforms pay for it

    return np.frombuffer(block, BYTE_ORDERS[byte_order] + TYPES[kind]).astype(np.float64)


def sample_bytes(kind: SampleType) -> int:
    """Bytes of one sample."""
    return int(TYPES[kind][1:])
