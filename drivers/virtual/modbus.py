"""Answering Modbus requests: one function from request bytes to reply bytes, for RTU and TCP.

Exception codes as in the MODBUS Application Protocol 1.1b3: 1 function, 2 address, 3 value,
4 failure of the device; 0x0B for a unit that isn't there (TCP only; on a serial line an absent unit
is silent).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu import bit_message as bits
from pymodbus.pdu import register_message as registers

from drivers.virtual.registers import Device, DeviceFailure, IllegalAddress, IllegalValue

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, FAILURE, NO_TARGET = 1, 2, 3, 4, 0x0B
LONGEST = 260
DECODER = DecodePDU(True)
# a bench is asked the same few questions again and again, and nobody changes a decoded one
decoded = lru_cache(maxsize=1024)(DECODER.decode)
COIL_VALUES = (b"\x00\x00", b"\xff\x00")


def _counted(request: Any, most: int) -> int:
    if not 1 <= request.count <= most:
        raise IllegalValue
    return int(request.count)


def _read_coils(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    states = device.coils(request.address, _counted(request, 2000))
    return bits.ReadCoilsResponse(bits=states)


def _read_discretes(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    states = device.discretes(request.address, _counted(request, 2000))
    return bits.ReadDiscreteInputsResponse(bits=states)


def _read_holding(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    words = device.holding(request.address, _counted(request, 125))
    return registers.ReadHoldingRegistersResponse(registers=words)


def _read_input(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    words = device.input_registers(request.address, _counted(request, 125))
    return registers.ReadInputRegistersResponse(registers=words)


def _write_coil(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    if raw[3:5] not in COIL_VALUES:
        raise IllegalValue
    device.write_coils(request.address, request.bits)
    return bits.WriteSingleCoilResponse(address=request.address, bits=request.bits)


def _write_register(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    device.write_holding(request.address, request.registers)
    return registers.WriteSingleRegisterResponse(
        address=request.address, registers=request.registers
    )


def _write_coils(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    count = _counted(request, 0x7B0)
    if request.byte_count != (count + 7) // 8 or len(raw) != 6 + request.byte_count:
        raise IllegalValue
    device.write_coils(request.address, request.bits[:count])
    return bits.WriteMultipleCoilsResponse(address=request.address, count=count)


def _write_registers(device: Device, request: Any, raw: bytes) -> ModbusPDU:
    count = _counted(request, 0x7B)
    if request.byte_count != 2 * count or len(raw) != 6 + request.byte_count:
        raise IllegalValue
    device.write_holding(request.address, request.registers)
    return registers.WriteMultipleRegistersResponse(address=request.address, count=count)


FUNCTIONS: Mapping[int, Callable[[Device, Any, bytes], ModbusPDU]] = {
    1: _read_coils,
    2: _read_discretes,
    3: _read_holding,
    4: _read_input,
    5: _write_coil,
    6: _write_register,
    15: _write_coils,
    16: _write_registers,
}
CODES: tuple[tuple[type[Exception], int], ...] = (
    (IllegalAddress, ILLEGAL_ADDRESS),
    (IllegalValue, ILLEGAL_VALUE),
    (DeviceFailure, FAILURE),
)


def answer(device: Device, raw: bytes) -> bytes:
    """The reply PDU to a request PDU."""
    function = raw[0]
    act = FUNCTIONS.get(function)
    if act is None:
        return _refusal(function, ILLEGAL_FUNCTION)
    try:
        request = decoded(raw)
        if request is None:  # the codec found the count or the length impossible
            raise IllegalValue
        reply = act(device, request, raw)
    except tuple(kind for kind, _ in CODES) as exc:
        return _refusal(function, next(code for kind, code in CODES if isinstance(exc, kind)))
    except (ModbusException, ValueError, IndexError, TypeError):
        return _refusal(function, ILLEGAL_VALUE)
    return bytes([function]) + reply.encode()


def _refusal(function: int, code: int) -> bytes:
    return bytes([function | 0x80]) + ExceptionResponse(function, code).encode()


class RtuUnit:
    """A serial line with some units: feed it bytes, it returns bytes to send."""

    def __init__(self, devices: Mapping[int, Device]) -> None:
        self._devices = devices
        self._framer = FramerRTU(DECODER)
        self._buffer = b""

    def silence(self) -> None:
        """The line was quiet for longer than a frame gap: whatever is incomplete is void."""
        self._buffer = b""

    def feed(self, data: bytes) -> bytes:
        """Bytes from the line; the reply, empty when there is none (yet)."""
        self._buffer = (self._buffer + data)[-LONGEST:]
        used, unit, _, raw = self._framer.decode(self._buffer)
        if not used:
            return self._strange()
        self._buffer = b""
        return self._reply(unit, raw) if raw else b""

    def _strange(self) -> bytes:
        """A whole frame with a good CRC and a function that the framer doesn't know."""
        frame = self._buffer
        if len(frame) < 4 or not FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big")):
            return b""
        if frame[1] in FUNCTIONS:
            return b""
        self._buffer = b""
        return self._reply(frame[0], frame[1:-2])

    def _reply(self, unit: int, raw: bytes) -> bytes:
        device = self._devices.get(unit)
        return self._framer.encode(answer(device, raw), unit, 0) if device else b""


class TcpUnit:
    """One TCP connection: feed it bytes, it returns bytes to send. ``broken``: not Modbus, close."""

    def __init__(self, devices: Mapping[int, Device]) -> None:
        self._devices = devices
        self._framer = FramerSocket(DECODER)
        self._buffer = b""
        self.broken = False

    def feed(self, data: bytes) -> bytes:
        """Bytes from the connection; all replies that are complete."""
        self._buffer += data
        replies = b""
        while len(self._buffer) >= 8 and not self.broken:
            length = int.from_bytes(self._buffer[4:6], "big")
            self.broken = self._buffer[2:4] != b"\x00\x00" or not 2 <= length <= LONGEST - 6
            if self.broken or len(self._buffer) < 6 + length:
                break
            frame, self._buffer = self._buffer[: 6 + length], self._buffer[6 + length :]
            replies += self._reply(int.from_bytes(frame[:2], "big"), frame[6], frame[7:])
        return replies

    def _reply(self, transaction: int, unit: int, raw: bytes) -> bytes:
        device = self._devices.get(unit)
        pdu = answer(device, raw) if device else _refusal(raw[0], NO_TARGET)
        return self._framer.encode(pdu, unit, transaction)
