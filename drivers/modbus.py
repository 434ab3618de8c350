"""Modbus codec: requests to bytes, bytes to checked replies. No I/O.

Encoding, CRC and framing are pymodbus's (PDU and framer classes); the checks are ours and complete,
because a bench that holds mains voltage may not take one request's reply for another's: unit,
function, byte count, address and value echo, CRC, transaction, protocol, and nothing left over.
What a checked reply carries is unpacked here: pymodbus's classes take 20 µs for it, in every scan.
Source of formats: MODBUS Application Protocol V1.1b3, MODBUS over Serial Line V1.02, MODBUS
Messaging on TCP/IP V1.0b.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu import bit_message as bits
from pymodbus.pdu import register_message as registers

from drivers.described import Table
from drivers.errors import Garbled, Refused, WrongReply

READ_FUNCTION: Final[dict[Table, int]] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
BIT_READS: Final = frozenset({1, 2})
REGISTER_READS: Final = frozenset({3, 4})
READS: Final = BIT_READS | REGISTER_READS
WRITES: Final = frozenset({5, 6, 15, 16})
MOST: Final[dict[int, int]] = {1: 2000, 2: 2000, 3: 125, 4: 125, 5: 1, 6: 1, 15: 1968, 16: 123}
RTU_LONGEST: Final = 256  # bytes of a whole RTU frame
NOBODY: Final = 248  # reserved unit id: no device may answer it (serial line V1.02, from memory)

EXCEPTIONS: Final[dict[int, str]] = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, still busy",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not respond",
}

_REQUEST: Final[dict[int, type[ModbusPDU]]] = {
    1: bits.ReadCoilsRequest,
    2: bits.ReadDiscreteInputsRequest,
    3: registers.ReadHoldingRegistersRequest,
    4: registers.ReadInputRegistersRequest,
    5: bits.WriteSingleCoilRequest,
    6: registers.WriteSingleRegisterRequest,
    15: bits.WriteMultipleCoilsRequest,
    16: registers.WriteMultipleRegistersRequest,
}
_RTU: Final = FramerRTU(DecodePDU(False))
_MBAP: Final = FramerSocket(DecodePDU(False))


@dataclass(frozen=True, slots=True)
class Request:
    """One question. ``pdu`` starts with the function code; ``echo`` is what a write's reply must be."""

    unit: int
    function: int
    address: int
    count: int
    pdu: bytes
    echo: bytes
    rtu: bytes

    @property
    def reply_bytes(self) -> int:
        """Length of a normal reply's PDU, the function code included."""
        if self.function in BIT_READS:
            return 2 + (self.count + 7) // 8
        return 2 + 2 * self.count if self.function in REGISTER_READS else 5

    def __str__(self) -> str:
        return f"unit {self.unit} function {self.function} address {self.address}+{self.count}"


def _request(unit: int, message: ModbusPDU, count: int) -> Request:
    where = f"unit {unit} function {message.function_code}"
    if not 0 <= unit <= 255 or not 0 <= message.address <= 65536 - count:
        raise WrongReply(where, f"unit or address {message.address} out of range", "correct it")
    if not 1 <= count <= MOST[message.function_code]:
        raise WrongReply(where, f"{count} items, 1 to {MOST[message.function_code]} are allowed")
    try:
        pdu = bytes((message.function_code,)) + message.encode()
        frame = _RTU.encode(pdu, unit, 0)
    except (ModbusException, ValueError, OverflowError, struct.error) as exc:
        raise WrongReply(where, f"can't be encoded: {exc}") from exc
    echo = pdu[:5] if message.function_code in WRITES else b""
    return Request(unit, message.function_code, message.address, count, pdu, echo, frame)


@lru_cache(maxsize=1024)
def read(unit: int, table: Table, address: int, count: int) -> Request:
    """Functions 1 to 4: ``count`` coils, discrete inputs, holding or input registers."""
    message = _REQUEST[READ_FUNCTION[table]](address=address, count=count)
    return _request(unit, message, count)


@lru_cache(maxsize=1024)
def write_coil(unit: int, address: int, on: bool) -> Request:
    """Function 5."""
    return _request(unit, bits.WriteSingleCoilRequest(address=address, bits=[on]), 1)


@lru_cache(maxsize=256)
def write_coils(unit: int, address: int, states: tuple[bool, ...]) -> Request:
    """Function 15."""
    message = bits.WriteMultipleCoilsRequest(address=address, bits=list(states))
    return _request(unit, message, len(states))


@lru_cache(maxsize=1024)
def write_register(unit: int, address: int, value: int) -> Request:
    """Function 6."""
    message = registers.WriteSingleRegisterRequest(address=address, registers=[value])
    return _request(unit, message, 1)


def write_registers(unit: int, address: int, values: Sequence[int]) -> Request:
    """Function 16."""
    message = registers.WriteMultipleRegistersRequest(address=address, registers=list(values))
    return _request(unit, message, len(values))


# ---- how many bytes a reply has --------------------------------------------------------------------


def rtu_needed(buffer: bytes | bytearray) -> int:
    """Length of the RTU frame that begins in ``buffer``, as far as its bytes tell.

    An unknown function code gives what is there: reading on would not make it a reply.
    """
    if len(buffer) < 3:
        return 5  # the shortest reply, an exception
    function = buffer[1]
    if function & 0x80:
        return 5
    if function in READS:
        return min(5 + buffer[2], RTU_LONGEST)
    return 8 if function in WRITES else len(buffer)


def mbap_needed(buffer: bytes | bytearray) -> int:
    """Length of the MBAP frame that begins in ``buffer``, as far as its bytes tell."""
    if len(buffer) < 6:
        return 9  # header of 7 and the shortest PDU, an exception
    length = buffer[4] << 8 | buffer[5]
    return 6 + length if 3 <= length <= 254 else len(buffer)


# ---- checked replies -------------------------------------------------------------------------------


def rtu_pdu(where: str, request: Request, frame: bytes) -> bytes:
    """The reply's PDU out of an RTU frame: CRC and unit checked, then ``checked_pdu``."""
    if request.echo == request.pdu and frame == request.rtu:
        return request.pdu  # functions 5 and 6 answer with the request itself, CRC and all
    if len(frame) < 5 or len(frame) != rtu_needed(frame):
        raise Garbled(where, f"{len(frame)} bytes are no frame ({frame[:16].hex(' ')})")
    if not FramerRTU.check_CRC(frame[:-2], (frame[-2] << 8) | frame[-1]):
        raise Garbled(where, f"CRC wrong ({frame[:16].hex(' ')})", "check the wiring and the baud")
    if frame[0] != request.unit:
        raise WrongReply(where, f"unit {frame[0]} answered, asked was {request}")
    return checked_pdu(where, request, frame[1:-2])


def mbap_frame(request: Request, transaction: int) -> bytes:
    """The request with its MBAP header; ``transaction`` 0 to 65535."""
    return _MBAP.encode(request.pdu, request.unit, transaction)


def mbap_pdu(where: str, request: Request, frame: bytes, transaction: int) -> bytes:
    """The reply's PDU out of an MBAP frame: header and unit checked, then ``checked_pdu``."""
    if len(frame) < 9 or (frame[4] << 8 | frame[5]) != len(frame) - 6 or frame[2] or frame[3]:
        raise Garbled(where, f"no MBAP frame ({frame[:16].hex(' ')})")
    if (frame[0] << 8 | frame[1]) != transaction:
        raise WrongReply(where, f"answers another transaction than {transaction}")
    if frame[6] != request.unit:
        raise WrongReply(where, f"unit {frame[6]} answered, asked was {request}")
    return checked_pdu(where, request, frame[7:])


def checked_pdu(where: str, request: Request, pdu: bytes) -> bytes:
    """A PDU that answers ``request`` and nothing else; raises Garbled, WrongReply or Refused."""
    function = pdu[0]
    if function == request.function | 0x80 and len(pdu) == 2:
        code = pdu[1]
        words = EXCEPTIONS.get(code, "unknown exception")
        raise Refused(where, f"exception {code}, {words}, to {request}", "check the bench file")
    if function != request.function:
        raise WrongReply(where, f"function {function} answered, asked was {request}")
    if len(pdu) != request.reply_bytes or (not request.echo and pdu[1] != len(pdu) - 2):
        raise WrongReply(where, f"{len(pdu)} bytes answered, {request.reply_bytes} are due")
    if request.echo and pdu != request.echo:
        raise WrongReply(where, f"echoes {pdu.hex(' ')} instead of {request.echo.hex(' ')}")
    return pdu


def read_values(where: str, request: Request, pdu: bytes) -> list[int]:
    """The values of a checked read reply: registers, or bits as 0 and 1, exactly ``count``."""
    packed = pdu[2:]
    if request.function in REGISTER_READS:
        try:
            return list(struct.unpack(f">{request.count}H", packed))
        except struct.error as exc:
            raise Garbled(where, f"can't be decoded: {exc}") from exc
    states = int.from_bytes(packed, "little")
    return [states >> place & 1 for place in range(request.count)]


def unlike(request: Request, shapes: frozenset[tuple[int, int]]) -> Request:
    """A harmless read near ``request`` whose reply has another length than any in ``shapes``.

    RTU has no transaction number: a late reply to the previous request looks like the reply to the
    same request asked again. A probe of an unusual length tells them apart. ``shapes`` are pairs of
    function and reply length.
    """
    function = request.function if request.function in READS else 1
    table: Table = next(name for name, code in READ_FUNCTION.items() if code == function)
    step = 8 if function in BIT_READS else 1
    for count in range(1, MOST[function], step):
        probe = read(request.unit, table, min(request.address, 65536 - count), count)
        if (function, probe.reply_bytes) not in shapes:
            return probe
    return read(request.unit, table, 0, MOST[function])
