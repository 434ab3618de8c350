"""Modbus codec against printed examples. Sources and marks as in check values, section 8.

APP: MODBUS Application Protocol V1.1b3. FOUND-S: seen quoted in a secondary text. MEMORY: from
memory. COMPUTED: worked out apart from this project from the published CRC definition.
"""

from __future__ import annotations

import math
import struct

import pytest

from drivers import modbus, numbers
from drivers.errors import DriverError, Refused
from drivers.roles import Quality
from tests.drivers.peers import reading

PDU_EXAMPLES = [
    # (request built, its PDU, the reply's PDU, values)
    (modbus.read(1, "coil", 0x13, 0x13), "01 00 13 00 13", "01 03 CD 6B 05", None),  # FOUND-S
    (modbus.read(1, "discrete", 0xC4, 0x16), "02 00 C4 00 16", "02 03 AC DB 35", None),  # FOUND-S
    (
        modbus.read(1, "holding", 0x6B, 3),  # FOUND-S
        "03 00 6B 00 03",
        "03 06 02 2B 00 00 00 64",
        [0x022B, 0, 0x64],
    ),
    (modbus.read(1, "input", 8, 1), "04 00 08 00 01", "04 02 00 0A", [10]),  # MEMORY
    (modbus.write_coil(1, 0xAC, True), "05 00 AC FF 00", "05 00 AC FF 00", None),  # MEMORY
    (modbus.write_register(1, 1, 3), "06 00 01 00 03", "06 00 01 00 03", None),  # MEMORY
    (
        modbus.write_coils(1, 0x13, tuple(c == "1" for c in "1011001110")),  # FOUND-S
        "0F 00 13 00 0A 02 CD 01",
        "0F 00 13 00 0A",
        None,
    ),
    (
        modbus.write_registers(1, 1, [0x0A, 0x0102]),  # FOUND-S
        "10 00 01 00 02 04 00 0A 01 02",
        "10 00 01 00 02",
        None,
    ),
]


@pytest.mark.parametrize(("request_", "sent", "reply", "values"), PDU_EXAMPLES)
def test_pdu_examples_of_the_application_protocol(
    request_: modbus.Request, sent: str, reply: str, values: list[int] | None
) -> None:
    assert request_.pdu == bytes.fromhex(sent)
    pdu = modbus.checked_pdu("x", request_, bytes.fromhex(reply))
    if values is not None:
        assert modbus.read_values("x", request_, pdu) == values


def test_coils_20_to_38_of_the_application_protocol() -> None:
    # APP 6.1, FOUND-S: CD 6B 05 are coils 20 to 38, the lowest bit first
    request_ = modbus.read(1, "coil", 0x13, 0x13)
    bits = modbus.read_values("x", request_, bytes.fromhex("01 03 CD 6B 05"))
    assert "".join(map(str, bits)) == "1011001111010110101"


RTU_EXAMPLES = [
    (modbus.read(1, "holding", 0x6B, 3), "01 03 00 6B 00 03 74 17"),  # COMPUTED, also published
    (modbus.read(0x11, "holding", 0x6B, 3), "11 03 00 6B 00 03 76 87"),  # COMPUTED, also published
    (modbus.read(1, "coil", 0x13, 0x13), "01 01 00 13 00 13 8C 02"),  # COMPUTED
    (modbus.read(1, "discrete", 0xC4, 0x16), "01 02 00 C4 00 16 B8 39"),  # COMPUTED
    (modbus.read(1, "input", 8, 1), "01 04 00 08 00 01 B0 08"),  # COMPUTED
    (modbus.write_coil(1, 0xAC, True), "01 05 00 AC FF 00 4C 1B"),  # COMPUTED
    (modbus.write_register(1, 1, 3), "01 06 00 01 00 03 98 0B"),  # COMPUTED
    (modbus.read(1, "holding", 0, 2), "01 03 00 00 00 02 C4 0B"),  # COMPUTED, also published
    (
        modbus.write_coils(1, 0x13, tuple(c == "1" for c in "1011001110")),
        "01 0F 00 13 00 0A 02 CD 01 72 CB",  # COMPUTED
    ),
    (
        modbus.write_registers(1, 1, [0x0A, 0x0102]),
        "01 10 00 01 00 02 04 00 0A 01 02 92 30",  # COMPUTED
    ),
]


@pytest.mark.parametrize(("request_", "frame"), RTU_EXAMPLES)
def test_rtu_frames(request_: modbus.Request, frame: str) -> None:
    assert request_.rtu == bytes.fromhex(frame)


RTU_REPLIES = [
    (modbus.read(1, "holding", 0x6B, 3), "01 03 06 02 2B 00 00 00 64 05 7A"),  # COMPUTED, published
    (modbus.read(0x11, "holding", 0x6B, 3), "11 03 06 AE 41 56 52 43 40 49 AD"),  # also published
    (modbus.write_coils(1, 0x13, (True,) * 10), "01 0F 00 13 00 0A 24 09"),  # COMPUTED
    (modbus.write_registers(1, 1, [1, 2]), "01 10 00 01 00 02 10 08"),  # COMPUTED
]


@pytest.mark.parametrize(("request_", "frame"), RTU_REPLIES)
def test_rtu_replies_are_taken_and_any_changed_bit_is_not(
    request_: modbus.Request, frame: str
) -> None:
    good = bytes.fromhex(frame)
    assert modbus.rtu_needed(good) == len(good)
    assert modbus.rtu_pdu("x", request_, good) == good[1:-2]
    for bit in range(8 * len(good)):
        bad = bytearray(good)
        bad[bit // 8] ^= 1 << bit % 8
        with pytest.raises(DriverError):
            modbus.rtu_pdu("x", request_, bytes(bad))


@pytest.mark.parametrize(
    ("request_", "frame", "words"),
    [
        (modbus.read(1, "coil", 0, 1), "01 81 02 C1 91", "address"),  # COMPUTED; codes FOUND-S
        (modbus.read(1, "holding", 0, 1), "01 83 02 C0 F1", "address"),
    ],
)
def test_exception_replies(request_: modbus.Request, frame: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        modbus.rtu_pdu("x", request_, bytes.fromhex(frame))


# APP, FC03/04 <= 125, FC10 <= 123, FC01/02 <= 2000, FC0F <= 1968; MEMORY but for the first two
@pytest.mark.parametrize(
    ("build", "most"),
    [
        (lambda n: modbus.read(1, "holding", 0, n), 125),
        (lambda n: modbus.read(1, "input", 0, n), 125),
        (lambda n: modbus.read(1, "coil", 0, n), 2000),
        (lambda n: modbus.read(1, "discrete", 0, n), 2000),
        (lambda n: modbus.write_coils(1, 0, (True,) * n), 1968),
        (lambda n: modbus.write_registers(1, 0, [0] * n), 123),
    ],
)
def test_largest_requests(build, most: int) -> None:  # type: ignore[no-untyped-def]
    assert len(build(most).rtu) <= 256
    for wrong in (0, most + 1):
        with pytest.raises(DriverError):
            build(wrong)


FLOATS = [  # IEEE 754 single precision, COMPUTED
    (123.456, "42F6E979"),
    (1.0, "3F800000"),
    (240.0, "43700000"),
    (0.75, "3F400000"),
    (-1.5, "BFC00000"),
    (100.0, "42C80000"),
]
# 123.456 on the wire in the four orders, COMPUTED
ORDERS = {
    "ABCD": "42 F6 E9 79",
    "CDAB": "E9 79 42 F6",
    "BADC": "F6 42 79 E9",
    "DCBA": "79 E9 F6 42",
}


def words_of(wire: str) -> list[int]:
    return [word for (word,) in struct.iter_unpack(">H", bytes.fromhex(wire))]


@pytest.mark.parametrize(("value", "wire"), FLOATS)
def test_float_words(value: float, wire: str) -> None:
    decoded = numbers.decoder("float32", "ABCD")(words_of(wire))
    assert decoded == pytest.approx(value, rel=6e-8)
    assert numbers.encode(value, "float32", "ABCD") == words_of(wire)


@pytest.mark.parametrize(("order", "wire"), ORDERS.items())
def test_word_orders(order, wire: str) -> None:  # type: ignore[no-untyped-def]
    decoded = numbers.decoder("float32", order)(words_of(wire))
    assert decoded == struct.unpack(">f", bytes.fromhex("42F6E979"))[0]
    assert numbers.encode(123.456, "float32", order) == words_of(wire)
    # the same permutation for integers: 0x42F6E979 = 1123477881
    assert numbers.decoder("uint32", order)(words_of(wire)) == 1123477881.0


@pytest.mark.parametrize("wire", ["7FC00000", "7F800000", "FF800000", "7F800001"])
def test_nan_and_infinity_are_invalid(wire: str) -> None:
    # IEEE 754: exponent all ones is infinity or not a number
    raw = numbers.decoder("float32", "ABCD")(words_of(wire))
    graded = numbers.graded(reading("x", 0), raw, 1.0, Quality.GOOD)
    assert graded.quality is Quality.INVALID
    assert math.isnan(graded.value)
