"""Traces: many integer columns of one attempt in a few bytes, without loss, with gaps.

Layout, so that anyone can read one::

    7 bytes   "MPTRACE"
    1 byte    version, 1
    4 bytes   length of the header, little-endian
    header    JSON of RFC 8785: {"columns": [names in order], "rows": n}
    the rest  one zlib stream (RFC 1950) of, for each column in order:
              ceil(rows / 8) bytes: bit i of byte i // 8, lowest first, is 1 where a value is present
              4 * rows bytes: the differences from row to row (the first one from 0), modulo 2**32,
              little-endian, all lowest bytes first, then all second bytes, third, highest

A gap repeats the value before it, so that its difference is 0; only its bit tells it from a value. A
missing value is never 0. Columns are signed 32-bit integers in the unit that their name says.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping, Sequence

import numpy as np
import rfc8785
from numpy.typing import NDArray

from results.errors import BadRecord

MAGIC = b"MPTRACE"
VERSION = 1
LEAST, MOST = -(2**31), 2**31 - 1
MAX_CELLS = 16_000_000  # 64 MB: a whole day of ten columns at 18 Hz; more is no trace of ours
MAX_HEADER = 65_536
_LENGTH = struct.Struct("<I")
_INTEGERS = {int, type(None)}


def encode(columns: Mapping[str, Sequence[int | None]]) -> bytes:
    """Bytes of ``columns``; None is a gap. Raises BadRecord for unequal lengths or odd values."""
    lengths = {len(column) for column in columns.values()} or {0}
    if len(lengths) > 1:
        raise BadRecord("trace", f"columns of different lengths {sorted(lengths)}")
    rows = lengths.pop()
    if rows * len(columns) > MAX_CELLS:
        raise BadRecord("trace", f"{rows} rows of {len(columns)} columns are too many")
    header = _header(list(columns), rows)
    packed = b"".join(_packed(name, column) for name, column in columns.items())
    start = MAGIC + bytes([VERSION]) + _LENGTH.pack(len(header)) + header
    return start + zlib.compress(packed, 9)


def decode(blob: bytes) -> dict[str, list[int | None]]:
    """Columns of ``blob``, exactly as they were encoded. Raises BadRecord for anything else."""
    names, rows, start = _opened(blob)
    width = _width(rows)
    packed = _inflated(blob[start:], width * len(names))
    parts = (packed[place * width : (place + 1) * width] for place in range(len(names)))
    return {name: _unpacked(part, rows) for name, part in zip(names, parts, strict=True)}


def describe(blob: bytes) -> tuple[tuple[str, ...], int]:
    """Names of the columns and number of rows, from the header alone."""
    names, rows, _ = _opened(blob)
    return tuple(names), rows


def _width(rows: int) -> int:
    return (rows + 7) // 8 + 4 * rows


def _header(names: list[str], rows: int) -> bytes:
    try:
        header = rfc8785.dumps({"columns": names, "rows": rows})
    except (rfc8785.CanonicalizationError, UnicodeError) as fault:
        raise BadRecord("trace", f"column names {names!r}: {fault}") from fault
    if len(header) > MAX_HEADER:
        raise BadRecord("trace", "too many or too long column names")
    return header


def _packed(name: str, column: Sequence[int | None]) -> bytes:
    if not set(map(type, column)) <= _INTEGERS:
        raise BadRecord(f"trace column {name}", "holds something else than integers and gaps")
    if any(not LEAST <= value <= MOST for value in column if value is not None):
        raise BadRecord(f"trace column {name}", "holds a value beyond 32 bits")
    present = np.array([value is not None for value in column], dtype=bool)
    steps = np.diff(_filled(column), prepend=0).astype("<u4")  # modulo 2**32, as the layout says
    shuffled = steps.view(np.uint8).reshape(-1, 4).T
    return np.packbits(present, bitorder="little").tobytes() + shuffled.tobytes()


def _filled(column: Sequence[int | None]) -> NDArray[np.int64]:
    filled, last = np.empty(len(column), dtype=np.int64), 0
    for place, value in enumerate(column):
        last = last if value is None else value
        filled[place] = last
    return filled


def _unpacked(packed: bytes, rows: int) -> list[int | None]:
    bits = (rows + 7) // 8
    flags = np.unpackbits(np.frombuffer(packed[:bits], np.uint8), count=rows, bitorder="little")
    planes = np.frombuffer(packed[bits:], np.uint8).reshape(4, rows)
    steps = np.ascontiguousarray(planes.T).view("<u4").reshape(rows)
    values = np.cumsum(steps, dtype=np.uint32).view(np.int32).tolist()
    return [value if flag else None for value, flag in zip(values, flags.tolist(), strict=True)]


def _opened(blob: bytes) -> tuple[list[str], int, int]:
    """(names, rows, where the stream starts) after checking everything the header claims."""
    start = len(MAGIC) + 1 + _LENGTH.size
    if len(blob) < start or not blob.startswith(MAGIC):
        raise BadRecord("trace", "these bytes are no trace")
    if blob[len(MAGIC)] != VERSION:
        raise BadRecord("trace", f"version {blob[len(MAGIC)]} is unknown", "use a newer program")
    (length,) = _LENGTH.unpack_from(blob, len(MAGIC) + 1)
    if length > MAX_HEADER or start + length > len(blob):
        raise BadRecord("trace", "header longer than the trace")
    names, rows = _read_header(blob[start : start + length])
    return names, rows, start + length


def _read_header(text: bytes) -> tuple[list[str], int]:
    try:
        header = json.loads(text)
        names, rows = header["columns"], header["rows"]
    except (ValueError, TypeError, KeyError, RecursionError) as fault:
        raise BadRecord("trace", "header is unreadable") from fault
    ours = type(rows) is int and isinstance(names, list) and all(type(n) is str for n in names)
    if not ours or len(set(names)) < len(names):
        raise BadRecord("trace", "header names no proper columns and rows")
    if not 0 <= rows * max(len(names), 1) <= MAX_CELLS:
        raise BadRecord("trace", f"{rows} rows are no plausible trace")
    return names, rows


def _inflated(stream: bytes, size: int) -> bytes:
    """Exactly ``size`` bytes, and never more in memory, whatever the stream would grow to."""
    inflator = zlib.decompressobj()
    try:
        packed = inflator.decompress(stream, size + 1)
    except zlib.error as fault:
        raise BadRecord("trace", f"damaged: {fault}") from fault
    if len(packed) != size or not inflator.eof or inflator.unused_data:
        raise BadRecord("trace", "length differs from what its header says")
    return packed
