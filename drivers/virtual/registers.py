"""What the virtual bench's Modbus devices hold: relay board, panel inputs, supply meter.

Addresses are those of the example bench file. Reading or writing outside a table is IllegalAddress.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from drivers.virtual.names import COILS, DISCRETES
from drivers.virtual.plant import Plant

HEARTBEAT, TOKEN, TOKEN_WORDS = 100, 200, 8
COIL_COUNT, DISCRETE_COUNT, INPUT_COUNT = 51, 15, 30
FLOATS = {
    0: "supply_v",
    2: "supply_2_v",
    6: "bay_v",
    8: "bay_dc_v",
    10: "load_a",
    12: "power_w",
    28: "injection_ma",
}
# address: (quantity, units per count); one register each
SHORTS = {
    4: ("frequency_hz", 0.01),
    14: ("temperature_c", 0.1),
    15: ("conductivity_ms_cm", 0.001),
}
# 32-bit integers, low word first, in µA
LONGS = {
    20: "second_leakage_ma",
    22: "second_leakage_resistive_ma",
    24: "second_leakage_capacitive_ma",
}
STATUS, INVALID_BIT, OVER_RANGE_BIT, SECOND_MAX_MA = 26, 0x0001, 0x0004, 30.0


class IllegalAddress(Exception):
    """Outside the table: Modbus exception 2."""


class DeviceFailure(Exception):
    """The device can't do what it was asked: Modbus exception 4."""


class IllegalValue(Exception):
    """A value or count that the device does not take: Modbus exception 3."""


class Device:
    """A Modbus device without any table; kinds below have some."""

    def coils(self, start: int, count: int) -> list[bool]:
        raise IllegalAddress

    def write_coils(self, start: int, states: Sequence[bool]) -> None:
        raise IllegalAddress

    def discretes(self, start: int, count: int) -> list[bool]:
        raise IllegalAddress

    def holding(self, start: int, count: int) -> list[int]:
        raise IllegalAddress

    def write_holding(self, start: int, words: Sequence[int]) -> None:
        raise IllegalAddress

    def input_registers(self, start: int, count: int) -> list[int]:
        raise IllegalAddress


def _inside(start: int, count: int, size: int, base: int = 0) -> None:
    if start < base or start + count > base + size:
        raise IllegalAddress


class RelayBoard(Device):
    """Coils, a heartbeat register that must change, and the run token (read only)."""

    def __init__(self, plant: Plant, token: bytes) -> None:
        self._plant = plant
        self._names = {address: name for name, address in COILS.items()}
        self._spare = [False] * COIL_COUNT  # relays with nothing wired to them
        self._token = list(struct.unpack(f">{TOKEN_WORDS}H", token))
        self._heartbeat = 0

    def coils(self, start: int, count: int) -> list[bool]:
        _inside(start, count, COIL_COUNT)
        return [self._coil(address) for address in range(start, start + count)]

    def _coil(self, address: int) -> bool:
        name = self._names.get(address)
        return self._plant.outputs[name] if name else self._spare[address]

    def write_coils(self, start: int, states: Sequence[bool]) -> None:
        _inside(start, len(states), COIL_COUNT)
        for address, state in enumerate(states, start):
            name = self._names.get(address)
            if name:
                self._plant.set_output(name, state)
            else:
                self._spare[address] = state

    def holding(self, start: int, count: int) -> list[int]:
        if (start, count) == (HEARTBEAT, 1):
            return [self._heartbeat]
        _inside(start, count, TOKEN_WORDS, TOKEN)
        return self._token[start - TOKEN : start - TOKEN + count]

    def write_holding(self, start: int, words: Sequence[int]) -> None:
        _inside(start, len(words), 1, HEARTBEAT)
        self._heartbeat = words[0]
        self._plant.beat(words[0])


class Panel(Device):
    """Interlock inputs as discrete inputs."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._names = sorted(DISCRETES, key=lambda name: DISCRETES[name])

    def discretes(self, start: int, count: int) -> list[bool]:
        _inside(start, count, DISCRETE_COUNT)
        inputs = self._plant.inputs()
        return [inputs[name] for name in self._names[start : start + count]]


class SupplyMeter(Device):
    """Supply, bay, load and second leakage as input registers."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant

    def input_registers(self, start: int, count: int) -> list[int]:
        _inside(start, count, INPUT_COUNT)
        return input_words(self._plant.values())[start : start + count]


def input_words(values: dict[str, float]) -> list[int]:
    """The meter's whole table. A quantity without a value reads as not-a-number or zero."""
    words = [0] * INPUT_COUNT
    for address, name in FLOATS.items():
        words[address : address + 2] = struct.unpack(">HH", struct.pack(">f", values[name]))
    for address, (name, unit) in SHORTS.items():
        words[address] = _count(values[name] / unit, 16)
    for address, name in LONGS.items():
        count = _count(values[name] * 1000.0, 32)
        words[address : address + 2] = (count & 0xFFFF, count >> 16)
    second_ma = values["second_leakage_ma"]
    words[STATUS] = OVER_RANGE_BIT if second_ma > SECOND_MAX_MA else 0
    if math.isnan(second_ma):
        words[STATUS] = INVALID_BIT
    return words


def _count(number: float, bits: int) -> int:
    """A two's complement count. Where there is no number: the lowest, where it is over: the highest."""
    try:
        return round(number) & (1 << bits) - 1
    except ValueError:
        return 1 << bits - 1
    except OverflowError:
        return (1 << bits - 1) - 1
