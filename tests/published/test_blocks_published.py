"""Definite-length blocks as IEEE 488.2 writes them (7.7.6, 8.7.9; from memory)."""

from __future__ import annotations

import struct

import pytest

from drivers.definite import cut, needed, samples
from drivers.errors import Garbled


def test_the_standards_own_kind_of_example() -> None:
    """One digit says that one digit follows, which says five bytes."""
    assert cut("meter", b"#15HELLO\n", 1, b"\n") == [b"HELLO"]
    assert cut("meter", b"#3005HELLO\n", 1, b"\n") == [b"HELLO"]
    assert cut("meter", b"#10\n", 1, b"\n") == [b""]


def test_an_indefinite_block_is_none() -> None:
    """#0 ends with NL and END, and a TCP stream or a serial line has no END."""
    with pytest.raises(Garbled, match="definite length"):
        needed("meter", b"#0HELLO\n", 1, b"\n")


@pytest.mark.parametrize(("order", "letter"), [("normal", ">"), ("swapped", "<")])
def test_byte_orders_are_scpis(order: str, letter: str) -> None:
    """FORMat:BORDer (SCPI-99, from memory): NORMal sends the most significant byte first."""
    numbers = (1.0, -2.5, 1e-3)
    assert samples(struct.pack(f"{letter}3f", *numbers), "float32", order) == pytest.approx(numbers)
    assert samples(struct.pack(f"{letter}3d", *numbers), "float64", order).tolist() == list(numbers)
    assert samples(struct.pack(f"{letter}2h", 1, -2), "int16", order).tolist() == [1.0, -2.0]
    assert samples(struct.pack(f"{letter}H", 65535), "uint16", order).tolist() == [65535.0]
    assert samples(struct.pack(f"{letter}i", -7), "int32", order).tolist() == [-7.0]
    assert samples(struct.pack(f"{letter}I", 4_000_000_000), "uint32", order).tolist() == [4e9]


def test_one_as_float32_has_these_bytes() -> None:
    """IEEE 754: 1.0 is 3F800000."""
    assert samples(bytes.fromhex("3f800000"), "float32", "normal").tolist() == [1.0]
    assert samples(bytes.fromhex("0000803f"), "float32", "swapped").tolist() == [1.0]
