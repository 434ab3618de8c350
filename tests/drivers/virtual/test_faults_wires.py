"""Bus faults, seen from the wires by raw bytes: what arrives, what was carried out, what mends.

Frames are written out by hand; CRCs as in MODBUS over Serial Line V1.02 (polynomial 0xA001).
"""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Iterator
from typing import Any

import pytest
import serial

from drivers.errors import Refused
from drivers.virtual.process import Options, launch
from drivers.virtual.remote import RemoteBench
from tests.drivers.virtual.test_process import connect

READ_BEAT = bytes.fromhex("0103006400 01".replace(" ", ""))  # unit 1, holding register 100
READ_INPUTS = bytes.fromhex("000100000006 01 02 0000 000f".replace(" ", ""))
READ_SUPPLY = bytes.fromhex("000200000006 02 04 0000 0002".replace(" ", ""))
BAYS, CONTACTORS = 8, 0  # the watchdog leaves the bay relays alone
QUIET_S, DELAY_S = 0.3, 0.4


def crc(frame: bytes) -> bytes:
    """Bit by bit."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def sealed(body: bytes) -> bytes:
    return body + crc(body)


def test_the_crc_of_the_published_example() -> None:
    """Unit 2, function 7 gives CRC bytes 41 12 (MODBUS over Serial Line V1.02, appendix B)."""
    assert sealed(b"\x02\x07") == b"\x02\x07\x41\x12"


class Wires:
    """All lines of a bench, spoken to in raw bytes."""

    def __init__(self, said: dict[str, Any], remote: RemoteBench) -> None:
        self.said, self.remote = said, remote

    def rtu(self, body: bytes) -> bytes:
        with serial.Serial(self.said["relays_pty"], 115200, timeout=QUIET_S) as line:
            line.write(sealed(body))
            reply = line.read(1)
            while reply:
                time.sleep(0.02)
                if not line.in_waiting:
                    break
                reply += line.read(line.in_waiting)
            return reply

    def tcp(self, frame: bytes, name: str = "modbus_tcp", more_s: float = QUIET_S) -> bytes:
        with self.socket(name) as line:
            line.sendall(frame)
            line.settimeout(more_s)
            with contextlib.suppress(TimeoutError):
                return line.recv(300)
            return b""

    def scpi(self) -> bytes:
        return self.tcp(b"MEAS:LEAK?\n", "scpi")

    def socket(self, name: str) -> socket.socket:
        host, port = self.said[name].split(":")
        return socket.create_connection((host, int(port)), timeout=2.0)

    def coils(self, start: int = BAYS) -> list[bool]:
        """Three of them, read by a wire that is sound again."""
        reply = self.rtu(b"\x01\x01" + start.to_bytes(2, "big") + b"\x00\x03")
        assert reply[:3] == b"\x01\x01\x01"
        return [bool(reply[3] >> n & 1) for n in range(3)]

    def write_three(self, bits: int, start: int = BAYS) -> bytes:
        return self.rtu(b"\x01\x0f" + start.to_bytes(2, "big") + b"\x00\x03\x01" + bytes([bits]))

    def hits(self) -> int:
        return int(self.remote.account()["faults"][-1]["hits"])


@pytest.fixture(scope="module")
def said() -> Iterator[dict[str, Any]]:
    with launch(Options()) as words:
        yield words


@pytest.fixture
def wires(said: dict[str, Any]) -> Iterator[Wires]:
    remote = connect(said)
    yield Wires(said, remote)
    remote.mend()
    remote.close()


SOUND_BEAT = b"\x01\x03\x02\x00\x00"


def sound(wires: Wires) -> None:
    """Every line answers as it should."""
    assert wires.rtu(READ_BEAT) == sealed(SOUND_BEAT)
    assert wires.tcp(READ_INPUTS)[6:9] == b"\x01\x02\x02"
    assert wires.scpi().count(b",") == 3


def test_sound_lines(wires: Wires) -> None:
    sound(wires)


def test_silence_for_a_count_carries_nothing_out(wires: Wires) -> None:
    wires.remote.fault("silence", where="relays", count=2)
    assert wires.write_three(0b100) == b""
    assert wires.rtu(READ_BEAT) == b""
    assert wires.hits() == 2
    assert wires.rtu(READ_BEAT) == sealed(SOUND_BEAT)
    assert wires.coils() == [False, False, False]


@pytest.mark.parametrize("where", ["panel", "leakage"])
def test_silence_over_tcp_until_mended(wires: Wires, where: str) -> None:
    wires.remote.fault("silence", where=where)
    assert (wires.tcp(READ_INPUTS) == b"") is (where == "panel")
    assert (wires.scpi() == b"") is (where == "leakage")
    wires.remote.mend()
    sound(wires)


def test_a_time_in_simulated_seconds(wires: Wires) -> None:
    wires.remote.fault("silence", where="leakage", for_s=5.0)
    wires.remote.advance(4.9)
    assert wires.scpi() == b""
    wires.remote.advance(0.2)
    assert wires.scpi().count(b",") == 3


@pytest.mark.parametrize("where", ["relays", "panel", "leakage"])
def test_late_replies_come_whole_after_their_time(wires: Wires, where: str) -> None:
    wires.remote.fault("late", where=where, delay_s=DELAY_S, count=1)
    ask = {
        "relays": lambda: _slow_serial(wires),
        "panel": lambda: wires.tcp(READ_INPUTS, more_s=2.0),
        "leakage": lambda: wires.tcp(b"MEAS:LEAK?\n", "scpi", 2.0),
    }[where]
    began_s = time.monotonic()
    reply = ask()
    assert time.monotonic() - began_s >= DELAY_S
    assert reply
    sound(wires)


def _slow_serial(wires: Wires) -> bytes:
    with serial.Serial(wires.said["relays_pty"], 115200, timeout=2.0) as line:
        line.write(sealed(READ_BEAT))
        reply = line.read(7)
    assert reply == sealed(SOUND_BEAT)
    return reply


def test_truncated(wires: Wires) -> None:
    wires.remote.fault("truncated", where="relays", count=1)
    assert wires.rtu(READ_BEAT) == sealed(SOUND_BEAT)[:3]
    wires.remote.fault("truncated", where="panel", count=1)
    assert 0 < len(wires.tcp(READ_INPUTS)) < 11
    wires.remote.fault("truncated", where="leakage", count=1)
    assert not wires.scpi().endswith(b"\n")
    sound(wires)


def test_a_wrong_crc(wires: Wires) -> None:
    wires.remote.fault("crc", where="relays", count=1)
    reply = wires.rtu(READ_BEAT)
    assert reply[:-2] == SOUND_BEAT
    assert reply[-2:] != crc(SOUND_BEAT)
    sound(wires)


def test_another_unit_and_another_function_in_a_frame_that_is_right(wires: Wires) -> None:
    wires.remote.fault("wrong_unit", where="relays", count=1)
    assert wires.rtu(READ_BEAT) == sealed(b"\x02" + SOUND_BEAT[1:])
    wires.remote.fault("wrong_function", where="relays", count=1)
    assert wires.rtu(READ_BEAT) == sealed(b"\x01\x04" + SOUND_BEAT[2:])
    wires.remote.fault("wrong_unit", where="panel", count=1)
    assert wires.tcp(READ_INPUTS)[:9] == bytes.fromhex("000100000005020202")
    wires.remote.fault("wrong_function", where="panel", count=1)
    assert wires.tcp(READ_INPUTS)[:9] == bytes.fromhex("000100000005010102")
    sound(wires)


def test_exceptions_carry_nothing_out(wires: Wires) -> None:
    """Exception code 4: server device failure (MODBUS Application Protocol 1.1b3, 7)."""
    wires.remote.fault("exception", where="relays", count=1)
    assert wires.write_three(0b100) == sealed(b"\x01\x8f\x04")
    assert wires.coils() == [False, False, False]
    wires.remote.fault("exception", where="panel", count=1)
    assert wires.tcp(READ_INPUTS)[6:] == b"\x01\x82\x04"
    sound(wires)


def test_an_echo_of_a_dead_board_looks_like_a_written_coil(wires: Wires) -> None:
    write_coil = bytes.fromhex("01050008ff00")
    wires.remote.fault("echo", where="relays", count=1)
    assert wires.rtu(write_coil) == sealed(write_coil)
    assert wires.coils() == [False, False, False]
    wires.remote.fault("echo", where="leakage", count=1)
    assert wires.scpi().startswith(b"MEAS:LEAK?\n")
    sound(wires)


def test_garbage_is_as_long_as_the_reply_and_not_it(wires: Wires) -> None:
    wires.remote.fault("garbage", where="relays", count=1)
    reply = wires.rtu(READ_BEAT)
    assert len(reply) == 7
    assert reply != sealed(SOUND_BEAT)
    wires.remote.fault("garbage", where="leakage", count=1)
    reply = wires.scpi()
    assert reply.endswith(b"\n")
    assert reply.count(b",") != 3
    sound(wires)


def test_half_a_write_is_answered_as_a_whole_one(wires: Wires) -> None:
    wires.remote.fault("half_write", where="relays", count=1)
    assert wires.write_three(0b111) == sealed(bytes.fromhex("010f00080003"))
    assert wires.coils() == [True, False, False]
    assert wires.write_three(0) == sealed(bytes.fromhex("010f00080003"))
    assert wires.coils() == [False, False, False]


@pytest.mark.parametrize("name", ["modbus_tcp", "scpi"])
def test_a_tcp_port_vanishes_and_comes_back_where_it_was(wires: Wires, name: str) -> None:
    where = {"modbus_tcp": "panel", "scpi": "leakage"}[name]
    with wires.socket(name) as line:
        wires.remote.fault("vanish", where=where)
        with contextlib.suppress(ConnectionResetError):
            assert line.recv(10) == b""
        with pytest.raises(ConnectionRefusedError):
            wires.socket(name)
    wires.remote.mend()
    sound(wires)


def test_a_serial_port_vanishes_and_comes_back_under_its_name(wires: Wires) -> None:
    with serial.Serial(wires.said["relays_pty"], 115200, timeout=QUIET_S) as line:
        wires.remote.fault("vanish", where="relays")
        with pytest.raises((serial.SerialException, OSError)):
            _talk(line)
    with pytest.raises(serial.SerialException):
        serial.Serial(wires.said["relays_pty"], 115200)
    wires.remote.mend()
    sound(wires)


def _talk(line: serial.Serial) -> None:
    for _ in range(3):
        line.write(sealed(READ_BEAT))
        if not line.read(7):
            raise OSError("nothing comes from a port that hung up")


def test_connections_are_reset_once(wires: Wires) -> None:
    for name, where, ask in (
        ("modbus_tcp", "panel", READ_INPUTS),
        ("scpi", "leakage", b"MEAS:LEAK?\n"),
    ):
        with wires.socket(name) as line:
            line.sendall(ask)
            assert line.recv(300)
            wires.remote.fault("reset", where=where)
            with pytest.raises(ConnectionResetError):
                line.recv(10)
    sound(wires)
    assert wires.remote.account()["faults"][-1]["hits"] == 1


def test_a_power_cycle_silences_its_instrument_only(wires: Wires) -> None:
    wires.remote.fault("scale", where="supply_v")
    assert wires.tcp(READ_SUPPLY) == b""
    assert wires.tcp(READ_INPUTS)[6:9] == b"\x01\x02\x02"
    wires.remote.advance(0.6)
    reply = wires.tcp(READ_SUPPLY)
    assert reply[6:9] == b"\x02\x04\x04"
    wires.remote.mend()
    wires.remote.fault("scale", where="leakage")
    assert wires.scpi() == b""
    wires.remote.advance(0.6)
    assert wires.scpi().count(b",") == 3


def test_two_faults_on_one_line(wires: Wires) -> None:
    """Both act: the unit is wrong and the checksum is too."""
    wires.remote.fault("wrong_unit", where="relays", count=1)
    wires.remote.fault("crc", where="relays", count=1)
    reply = wires.rtu(READ_BEAT)
    assert reply[0] == 2
    assert reply[-2:] != crc(reply[:-2])
    sound(wires)


def test_the_printing_meter(wires: Wires) -> None:
    """A source needs the relay board's beat, so it is switched over the wire, in simulated time."""
    with serial.Serial(wires.said["meter_pty"], 115200, timeout=QUIET_S) as meter:
        assert _printed(wires, meter).startswith(b"R ")
        for kind, found in (("silence", b""), ("truncated", b"R ")):
            wires.remote.fault(kind, where="ohms", count=1)
            assert _printed(wires, meter)[:2] == found
        wires.remote.fault("garbage", where="ohms", count=1)
        assert b"ohm" not in _printed(wires, meter)
        for kind, words in (("nan", b"R nan ohm\n"), ("over_range", b"R 9999999.000 ohm\n")):
            wires.remote.fault(kind, where="ohms")
            assert _printed(wires, meter) == words
            wires.remote.mend()
        wires.remote.fault("vanish", where="ohms")
        with pytest.raises((serial.SerialException, OSError)):
            _read_all(meter)
    wires.remote.mend()
    with serial.Serial(wires.said["meter_pty"], 115200, timeout=QUIET_S) as meter:
        assert _printed(wires, meter).startswith(b"R ")


def _read_all(meter: serial.Serial) -> None:
    if not meter.read(10):
        raise OSError("nothing comes from a port that hung up")


def _printed(wires: Wires, meter: serial.Serial) -> bytes:
    """One sample: source on, half a second, source off."""
    _beats(wires)
    wires.remote.hands("lid", closed=True)
    wires.rtu(bytes.fromhex("01050019ff00"))
    wires.remote.advance(0.6)
    line = meter.readline()
    wires.rtu(bytes.fromhex("010500190000"))
    wires.remote.advance(0.1)
    meter.reset_input_buffer()
    return bytes(line)


def _beats(wires: Wires) -> None:
    """Two different beats; the second stands for a second of simulated time."""
    for value in (1, 2):
        assert wires.rtu(bytes.fromhex("01060064") + value.to_bytes(2, "big"))
    wires.rtu(bytes.fromhex("010600640000"))


def test_faults_that_a_line_can_not_have_are_refused(wires: Wires) -> None:
    for kind, where in (("crc", "panel"), ("reset", "relays"), ("half_write", "leakage")):
        with pytest.raises(Refused, match=f"no {kind} at '{where}'"):
            wires.remote.fault(kind, where=where)
    kinds = {kind["kind"] for kind in wires.remote.faults()}
    assert {"silence", "vanish", "half_write"} <= kinds


def test_half_a_switch_off_is_told_by_the_coils(wires: Wires) -> None:
    """Contactor 1 opens, contactor 2 and the lid lock stay in: no bus is live, but the coils tell."""
    _beats(wires)
    assert wires.write_three(0b111, CONTACTORS)
    wires.remote.fault("half_write", where="relays", count=1)
    assert wires.write_three(0b000, CONTACTORS)
    assert wires.coils(CONTACTORS) == [False, True, True]
    assert wires.write_three(0b000, CONTACTORS)
    wires.remote.advance(0.1)
    assert wires.remote.account()["hazards"] == 0
