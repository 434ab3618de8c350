"""Modbus on the bench side: register map, exception codes, framing with bad bytes.

Exception codes and frames after the MODBUS Application Protocol Specification 1.1b3 and MODBUS over
Serial Line 1.02. Requests are written out byte by byte here, not made by the codec under test;
CRCs by the bitwise algorithm of MODBUS over Serial Line, appendix B.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.virtual.modbus import RtuUnit, TcpUnit, answer
from drivers.virtual.names import COILS, DISCRETES
from drivers.virtual.plant import Plant
from drivers.virtual.registers import Panel, RelayBoard, SupplyMeter, input_words
from tests.drivers.virtual.operate import DEMO, Operator

TOKEN = bytes(range(16))


def crc(frame: bytes) -> bytes:
    """Bitwise, low byte first."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return struct.pack("<H", value)


def rtu(frame: bytes) -> bytes:
    return frame + crc(frame)


@pytest.fixture
def plant() -> Plant:
    return Plant(DEMO)


@pytest.fixture
def relays(plant: Plant) -> RelayBoard:
    return RelayBoard(plant, TOKEN)


@pytest.mark.parametrize("name", COILS)
def test_each_coil_switches_its_output(plant: Plant, relays: RelayBoard, name: str) -> None:
    request = struct.pack(">BHH", 5, COILS[name], 0xFF00)
    assert answer(relays, request) == request
    assert plant.outputs[name]
    assert sum(plant.outputs.values()) == 1
    assert answer(relays, struct.pack(">BHH", 1, COILS[name], 1)) == b"\x01\x01\x01"


def test_many_coils_at_once(plant: Plant, relays: RelayBoard) -> None:
    assert answer(relays, b"\x0f\x00\x08\x00\x04\x01\x05") == b"\x0f\x00\x08\x00\x04"
    assert [plant.outputs[f"bay_{n}"] for n in (1, 2, 3, 4)] == [True, False, True, False]
    assert answer(relays, b"\x01\x00\x00\x00\x32")[:2] == b"\x01\x07"


def test_heartbeat_and_token(plant: Plant, relays: RelayBoard) -> None:
    assert answer(relays, b"\x06\x00\x64\x12\x34") == b"\x06\x00\x64\x12\x34"
    assert answer(relays, b"\x03\x00\x64\x00\x01") == b"\x03\x02\x12\x34"
    assert plant.guarded
    assert answer(relays, b"\x03\x00\xc8\x00\x08") == b"\x03\x10" + TOKEN
    assert answer(relays, b"\x10\x00\x64\x00\x01\x02\x00\x07") == b"\x10\x00\x64\x00\x01"


@pytest.mark.parametrize(
    ("request_pdu", "code"),
    [
        (b"\x07", 1),  # read exception status: not implemented
        (b"\x2b\x0e\x01\x00", 1),
        (b"\x64\x00", 1),
        (b"\x01\x00\x33\x00\x01", 2),  # coil 51
        (b"\x01\x00\x32\x00\x02", 2),
        (b"\x02\x00\x00\x00\x01", 2),  # a relay board has no discrete inputs
        (b"\x04\x00\x00\x00\x01", 2),
        (b"\x03\x00\x63\x00\x01", 2),
        (b"\x03\x00\x64\x00\x02", 2),
        (b"\x03\x00\xc8\x00\x09", 2),
        (b"\x06\x00\xc8\x00\x01", 2),  # the token is read only
        (b"\x05\x00\x33\xff\x00", 2),
        (b"\x05\x00\x00\x00\x01", 3),  # only FF00 and 0000
        (b"\x05\x00\x00\xff\x01", 3),
        (b"\x01\x00\x00\x00\x00", 3),
        (b"\x01\x00\x00\x07\xd1", 3),  # 2001 coils
        (b"\x03\x00\xc8\x00\x7e", 3),  # 126 registers
        (b"\x0f\x00\x08\x00\x04\x02\x05\x00", 3),  # wrong byte count
        (b"\x0f\x00\x08\x00\x04\x01", 3),  # data missing
        (b"\x10\x00\x64\x00\x01\x04\x00\x07\x00\x07", 3),
        (b"\x01\x00", 3),
        (b"\x05", 3),
    ],
)
def test_exception_codes(relays: RelayBoard, plant: Plant, request_pdu: bytes, code: int) -> None:
    assert answer(relays, request_pdu) == bytes([request_pdu[0] | 0x80, code])
    assert not any(plant.outputs.values())
    assert not plant.guarded


@given(st.binary(min_size=1, max_size=60))
def test_any_bytes_get_an_answer_or_an_exception(raw: bytes) -> None:
    reply = answer(RelayBoard(Plant({}), TOKEN), raw)
    assert reply[0] & 0x7F == raw[0] & 0x7F


def test_panel(plant: Plant) -> None:
    plant.lid(True)
    reply = answer(Panel(plant), b"\x02\x00\x00\x00\x0f")
    states = int.from_bytes(reply[2:], "little")
    inputs = plant.inputs()
    for name, address in DISCRETES.items():
        assert bool(states >> address & 1) == inputs[name], name
    assert answer(Panel(plant), b"\x02\x00\x00\x00\x10") == b"\x82\x02"


def test_supply_meter_map() -> None:
    """Float ABCD, 16-bit scaled, 32-bit CDAB in µA, as the example bench file says."""
    plant = Operator("OF55-0117").live("both_hot")
    values = plant.values()
    raw = answer(SupplyMeter(plant), b"\x04\x00\x00\x00\x1e")[2:]
    for address, name in {0: "supply_v", 6: "bay_v", 10: "load_a", 28: "injection_ma"}.items():
        (value,) = struct.unpack_from(">f", raw, 2 * address)
        assert value == pytest.approx(values[name], rel=1e-6)
    (hertz, celsius, conductivity) = (struct.unpack_from(">h", raw, 2 * a)[0] for a in (4, 14, 15))
    assert hertz / 100 == pytest.approx(values["frequency_hz"], abs=0.005)
    assert celsius / 10 == pytest.approx(values["temperature_c"], abs=0.05)
    assert conductivity / 1000 == pytest.approx(values["conductivity_ms_cm"], abs=0.0005)
    low, high = struct.unpack_from(">HH", raw, 40)
    assert (high << 16 | low) / 1000 == pytest.approx(values["second_leakage_ma"], abs=0.0005)
    assert struct.unpack_from(">H", raw, 52) == (0,)


def test_negative_leakage_and_over_range_status() -> None:
    values = dict(Plant({}).values())
    values |= {"second_leakage_resistive_ma": -1.234, "second_leakage_ma": 31.0}
    words = input_words(values)
    assert struct.unpack(">i", struct.pack(">HH", words[23], words[22])) == (-1234,)
    assert words[26] == 0x0004


# ---- framing ---------------------------------------------------------------------------------------


@pytest.fixture
def line(relays: RelayBoard) -> RtuUnit:
    return RtuUnit({1: relays})


READ_COIL = rtu(b"\x01\x01\x00\x00\x00\x01")


def test_rtu_in_pieces(line: RtuUnit) -> None:
    for byte in READ_COIL[:-1]:
        assert line.feed(bytes([byte])) == b""
    assert line.feed(READ_COIL[-1:]) == rtu(b"\x01\x01\x01\x00")


@pytest.mark.parametrize("unit", [0, 2, 9, 247])
def test_an_absent_unit_is_silent(line: RtuUnit, unit: int) -> None:
    assert line.feed(rtu(bytes([unit]) + b"\x01\x00\x00\x00\x01")) == b""
    assert line.feed(READ_COIL) == rtu(b"\x01\x01\x01\x00")


def test_a_bad_crc_is_silent_and_changes_nothing(line: RtuUnit, plant: Plant) -> None:
    good = rtu(b"\x01\x05\x00\x00\xff\x00")
    for place in range(len(good)):
        bad = bytearray(good)
        bad[place] ^= 0x10
        line.feed(bytes(bad))
        line.silence()
    assert not any(plant.outputs.values())
    assert line.feed(good) == good
    assert plant.outputs["contactor_1"]


def test_unknown_function_gets_exception_1(line: RtuUnit) -> None:
    assert line.feed(rtu(b"\x01\x41\x00")) == rtu(b"\x01\xc1\x01")
    assert line.feed(READ_COIL) == rtu(b"\x01\x01\x01\x00")


@given(st.binary(max_size=300))
def test_noise_then_silence_then_a_request(noise: bytes) -> None:
    line = RtuUnit({1: RelayBoard(Plant({}), TOKEN)})
    line.feed(noise)
    line.silence()
    assert line.feed(rtu(b"\x01\x03\x00\xc8\x00\x01")) == rtu(b"\x01\x03\x02\x00\x01")


def tcp(transaction: int, unit: int, pdu: bytes) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def test_tcp_two_requests_in_one_piece_and_one_in_two(plant: Plant) -> None:
    link = TcpUnit({1: Panel(plant)})
    request, reply = tcp(7, 1, b"\x02\x00\x00\x00\x01"), tcp(7, 1, b"\x02\x01\x01")
    assert link.feed(request + request) == reply + reply
    assert link.feed(request[:5]) == b""
    assert link.feed(request[5:]) == reply


def test_tcp_absent_unit_is_gateway_target_failed(plant: Plant) -> None:
    link = TcpUnit({1: Panel(plant)})
    assert link.feed(tcp(1, 5, b"\x02\x00\x00\x00\x01")) == tcp(1, 5, b"\x82\x0b")


@pytest.mark.parametrize("header", [b"\x00\x01\x00\x01\x00\x06\x01\x02", b"GET / HTTP/1.1\r\n"])
def test_tcp_that_is_not_modbus_is_cut_off(plant: Plant, header: bytes) -> None:
    link = TcpUnit({1: Panel(plant)})
    assert link.feed(header) == b""
    assert link.broken
