"""The codec against hostile bytes, and the planner of read blocks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from drivers import blocks, modbus, numbers
from drivers.errors import DriverError, Garbled, Refused, WrongReply
from drivers.roles import Quality
from tests.drivers.peers import reading

REQUESTS = [
    modbus.read(1, "coil", 0, 10),
    modbus.read(1, "discrete", 5, 1),
    modbus.read(1, "holding", 0, 2),
    modbus.read(1, "input", 7, 125),
    modbus.write_coil(1, 3, True),
    modbus.write_register(1, 3, 77),
    modbus.write_coils(1, 0, (True, False)),
    modbus.write_registers(1, 0, [1, 2]),
]


def framed(body: bytes) -> bytes:
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


@given(st.sampled_from(REQUESTS), st.binary(max_size=300))
def test_random_bytes_raise_nothing_but_driver_errors(
    request_: modbus.Request, data: bytes
) -> None:
    assert modbus.rtu_needed(data) >= 0
    assert modbus.mbap_needed(data) >= 0
    for check in (
        lambda: modbus.rtu_pdu("x", request_, data),
        lambda: modbus.mbap_pdu("x", request_, data, 1),
    ):
        with pytest.raises(DriverError):
            check()


@given(st.sampled_from(REQUESTS), st.binary(min_size=1, max_size=250))
def test_a_reply_with_a_good_checksum_still_has_to_answer(
    request_: modbus.Request, pdu: bytes
) -> None:
    try:
        taken = modbus.rtu_pdu("x", request_, framed(b"\x01" + pdu))
    except DriverError:
        return
    assert len(taken) == request_.reply_bytes
    assert taken[0] == request_.function
    if request_.function in modbus.READS:
        assert len(modbus.read_values("x", request_, taken)) == request_.count


READ_2 = modbus.read(1, "holding", 10, 2)
FAULTS = [
    (READ_2, "02 03 04 0001 0002", WrongReply),  # another unit
    (READ_2, "01 04 04 0001 0002", WrongReply),  # another function
    (READ_2, "01 03 02 0001", WrongReply),  # fewer registers
    (READ_2, "01 03 06 0001 0002 0003", WrongReply),  # more registers
    (READ_2, "01 84 02", WrongReply),  # an exception to another function
    (READ_2, "01 83 02", Refused),
    (modbus.write_coil(1, 3, True), "01 05 0003 0000", WrongReply),  # another value
    (modbus.write_coil(1, 3, True), "01 05 0004 FF00", WrongReply),  # another address
    (modbus.write_coils(1, 0, (True,) * 3), "01 0F 0000 0002", WrongReply),  # another count
    (modbus.write_register(1, 3, 7), "01 06 0003 0008", WrongReply),
]


@pytest.mark.parametrize(("request_", "body", "error"), FAULTS)
def test_each_wrong_reply_has_its_class(
    request_: modbus.Request, body: str, error: type[DriverError]
) -> None:
    raw = bytes.fromhex(body)
    with pytest.raises(error):
        modbus.rtu_pdu("x", request_, framed(raw))
    header = b"\0\x05\0\0" + len(raw).to_bytes(2, "big")
    with pytest.raises(error):
        modbus.mbap_pdu("x", request_, header + raw, 5)


GOOD_REPLY = bytes.fromhex("01 03 04 0001 0002")


@pytest.mark.parametrize(
    ("header", "error"),
    [
        ("0006 0000 0007", WrongReply),  # another transaction
        ("0005 0001 0007", Garbled),  # another protocol
        ("0005 0000 0008", Garbled),  # length says more
        ("0005 0000 0000", Garbled),
    ],
)
def test_wrong_headers(header: str, error: type[DriverError]) -> None:
    with pytest.raises(error):
        modbus.mbap_pdu("x", READ_2, bytes.fromhex(header) + GOOD_REPLY, 5)


def test_a_good_header_is_taken() -> None:
    frame = bytes.fromhex("0005 0000 0007") + GOOD_REPLY
    assert modbus.read_values("x", READ_2, modbus.mbap_pdu("x", READ_2, frame, 5)) == [1, 2]


@pytest.mark.parametrize("unit", [-1, 256])
def test_impossible_requests_are_refused_in_our_own_words(unit: int) -> None:
    with pytest.raises(WrongReply):
        modbus.read(unit, "coil", 0, 1)
    with pytest.raises(WrongReply):
        modbus.read(1, "coil", 65535, 2)
    with pytest.raises(WrongReply):
        modbus.write_register(1, 0, 70000)


@given(st.sampled_from(REQUESTS))
def test_a_probe_has_a_reply_of_another_length(request_: modbus.Request) -> None:
    shapes = frozenset({(request_.function, request_.reply_bytes)})
    probe = modbus.unlike(request_, shapes)
    assert probe.function in modbus.READS
    assert (probe.function, probe.reply_bytes) not in shapes


SPANS = st.lists(st.tuples(st.integers(0, 300), st.integers(1, 2)), min_size=1, max_size=40)


@given(SPANS)
def test_blocks_cover_every_item_whole_and_bridge_only_small_gaps(
    spans: list[tuple[int, int]],
) -> None:
    planned = blocks.blocks(1, "holding", spans)
    for address, count in spans:
        assert any(
            one.request.address <= address
            and address + count <= one.request.address + one.request.count
            for one in planned
        )
    for one in planned:
        assert one.request.count <= 125
        covered = {a for start, n in one.spans for a in range(start, start + n)}
        holes = 0
        for address in range(one.request.address, one.request.address + one.request.count):
            holes = 0 if address in covered else holes + 1
            assert holes <= blocks.WIDEST_GAP


def test_adjacent_registers_become_one_request() -> None:
    planned = blocks.blocks(1, "input", [(0, 2), (2, 2), (12, 1), (22, 1)])
    assert [(one.request.address, one.request.count) for one in planned] == [(0, 13), (22, 1)]
    parts = blocks.split(planned[0])
    assert [(one.request.address, one.request.count) for one in parts] == [(0, 4), (12, 1)]
    alone = blocks.split(parts[0])  # a device that refuses two of its values at once
    assert [(one.request.address, one.request.count) for one in alone] == [(0, 2), (2, 2)]


@pytest.mark.parametrize(
    ("text", "quality"),
    [
        ("1.25", Quality.GOOD),
        (" -1.0E-3", Quality.GOOD),
        ("", Quality.INVALID),
        ("-----", Quality.INVALID),
        ("OL", Quality.INVALID),
        ("nan", Quality.INVALID),
        ("9.91E37", Quality.INVALID),
        ("9.9E37", Quality.OVER_RANGE),
        ("-9.90000000E+037", Quality.OVER_RANGE),
        ("1_0", Quality.INVALID),
        ("2e9", Quality.OVER_RANGE),
    ],
)
def test_written_numbers(text: str, quality: Quality) -> None:
    graded = numbers.graded(reading("x", 0), numbers.written(text), 0.0, Quality.GOOD)
    assert graded.quality is quality
