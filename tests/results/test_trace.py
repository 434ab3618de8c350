"""Traces: lossless, gaps are no zeros, hostile bytes are refused."""

from __future__ import annotations

import struct
import zlib
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from results import trace
from results.errors import BadRecord

CELLS = st.none() | st.integers(-(2**31), 2**31 - 1)
COLUMNS = st.integers(0, 40).flatmap(
    lambda rows: st.dictionaries(st.text(max_size=8), st.lists(CELLS, min_size=rows, max_size=rows))
)


@settings(max_examples=200, deadline=None)
@given(COLUMNS)
@example({})
@example({"empty": []})
@example({"gap first": [None, 7], "edge": [2**31 - 1, -(2**31)], "only gaps": [None, None]})
def test_what_was_encoded_is_decoded(columns: dict[str, list[int | None]]) -> None:
    blob = trace.encode(columns)
    assert trace.decode(blob) == columns
    assert list(trace.decode(blob)) == list(columns)
    assert trace.describe(blob)[0] == tuple(columns)


def test_a_gap_is_not_the_value_before_it_and_not_zero() -> None:
    assert trace.decode(trace.encode({"y_ua": [5, None, 0]})) == {"y_ua": [5, None, 0]}


def test_the_documented_layout_read_by_hand() -> None:
    blob = trace.encode({"a": [1, None, 258]})
    header = b'{"columns":["a"],"rows":3}'
    assert blob[:8] == b"MPTRACE\x01"
    assert blob[8:12] == len(header).to_bytes(4, "little")
    assert blob[12 : 12 + len(header)] == header
    # values 1, gap, 258: differences 1, 0, 257; bits 1 and 4 present
    assert zlib.decompress(blob[12 + len(header) :]) == bytes([0b101, 1, 0, 1, 0, 0, 1] + [0] * 6)


def test_a_soak_takes_little_room() -> None:
    rows = 300
    soak: dict[str, list[int | None]] = {
        "t_ms": [100 * i for i in range(rows)],
        "leakage_ua": [200 + (i * 7919) % 5 for i in range(rows)],
        "supply_mv": [120_000 + (i * 104_729) % 90 for i in range(rows)],
    }
    assert len(trace.encode(soak)) < 3 * rows * 4 / 4


BAD: list[tuple[Any, str]] = [
    ({"a": [1.5]}, "something else than integers"),
    ({"a": [float("nan")]}, "something else than integers"),
    ({"a": [True]}, "something else than integers"),
    ({"a": [2**31]}, "beyond 32 bits"),
    ({"a": [-(2**31) - 1]}, "beyond 32 bits"),
    ({"a": [1], "b": []}, "different lengths"),
    ({"\ud800": [1]}, "column names"),
    ({"x" * 70_000: [1]}, "too long"),
]


@pytest.mark.parametrize(("columns", "words"), BAD)
def test_what_a_trace_cant_hold_is_refused(columns: Any, words: str) -> None:
    with pytest.raises(BadRecord, match=words):
        trace.encode(columns)


def _blob(header: bytes, packed: bytes) -> bytes:
    return trace.MAGIC + b"\x01" + struct.pack("<I", len(header)) + header + zlib.compress(packed)


HOSTILE = [
    b"",
    b"MPTRACE",
    b"MPTRACE\x02" + bytes(20),
    b"MPTRACE\x01\xff\xff\xff\xff",
    _blob(b"", b""),
    _blob(b"[]", b""),
    _blob(b"[" * 60_000, b""),
    _blob(b'{"columns":["a"],"rows":-1}', b""),
    _blob(b'{"columns":["a"],"rows":true}', bytes(5)),
    _blob(b'{"columns":["a","a"],"rows":0}', b""),
    _blob(b'{"columns":[1],"rows":0}', b""),
    _blob(b'{"columns":["a"],"rows":99999999999}', b""),
    _blob(b'{"columns":[],"rows":99999999999}', b""),
    _blob(b'{"columns":["a"],"rows":1}', bytes(4)),
    _blob(b'{"columns":["a"],"rows":1}', bytes(6)),
    _blob(b'{"columns":["a"],"rows":1}', bytes(50_000_000)),  # grows far beyond what it claims
    _blob(b'{"columns":["a"],"rows":1}', bytes(5)) + b"more",
]


@pytest.mark.parametrize("blob", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_bytes_are_refused(blob: bytes) -> None:
    with pytest.raises(BadRecord):
        trace.decode(blob)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_any_damage_is_refused_or_decodes_to_proper_columns(data: st.DataObject) -> None:
    blob = bytearray(trace.encode({"t_ms": list(range(50)), "y_ua": [None, 3] * 25}))
    place = data.draw(st.integers(0, len(blob) - 1))
    blob[place] ^= data.draw(st.integers(1, 255))
    try:
        columns = trace.decode(bytes(blob))
    except BadRecord:
        return
    assert len({len(column) for column in columns.values()}) == 1  # a column's name was hit
