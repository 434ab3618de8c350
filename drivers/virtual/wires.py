"""The lines between the virtual bench's ports and its codecs, where bus faults hang.

While a line is sound ``Wire.fault`` is None and its devices are the real ones: it costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from drivers.virtual.registers import Device

Protocols = Literal["rtu", "tcp", "scpi", "printed"]
RELAYS_UNIT, PANEL_UNIT, SUPPLY_UNIT = 1, 1, 2
Feed = Callable[[bytes], bytes]
Later = Callable[[float, bytes], None]  # send bytes after so many seconds of wall time
Carry = Callable[[Feed, bytes, Later], bytes]
Wrap = Callable[[Device], Device]
WIRES: Mapping[str, Protocols] = {
    "relays": "rtu",
    "panel": "tcp",
    "leakage": "scpi",
    "ohms": "printed",
}


class Port(Protocol):
    """What a line ends in."""

    def vanish(self) -> None:
        """Close it, so that nobody can open it."""
        ...

    def restore(self) -> None:
        """Open it again where it was."""
        ...

    def reset(self) -> None:
        """Reset its connections."""
        ...


@dataclass(slots=True)
class Wire:
    """One line. ``devices`` are the Modbus units on it, by unit id, shared by its connections."""

    name: str
    protocol: Protocols
    devices: dict[int, Device] = field(default_factory=dict)
    port: Port | None = None
    fault: Carry | None = None
    _carries: list[Carry] = field(default_factory=list)
    _sound: dict[int, Device] = field(default_factory=dict)
    _wraps: list[Wrap] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._sound = dict(self.devices)

    def add(self, carry: Carry) -> None:
        """Let ``carry`` stand between port and codec; the newest stands nearest to the port."""
        self._carries.append(carry)
        self._chain()

    def remove(self, carry: Carry) -> None:
        """Take it out again."""
        self._carries.remove(carry)
        self._chain()

    def _chain(self) -> None:
        self.fault = None
        for carry in self._carries:
            self.fault = carry if self.fault is None else _behind(carry, self.fault)

    def wrap(self, wrap: Wrap) -> None:
        """Put something in front of each device."""
        self._wraps.append(wrap)
        self._dress()

    def unwrap(self, wrap: Wrap) -> None:
        """Take it away again."""
        self._wraps.remove(wrap)
        self._dress()

    def _dress(self) -> None:
        for unit, device in self._sound.items():
            for wrap in self._wraps:
                device = wrap(device)
            self.devices[unit] = device


def _behind(outer: Carry, inner: Carry) -> Carry:
    def carry(feed: Feed, data: bytes, later: Later) -> bytes:
        return outer(lambda heard: inner(feed, heard, later), data, later)

    return carry


def _nothing() -> None:
    pass


class Interposed(Device):
    """A device with something in front of it: ``admit`` may raise, ``trim`` may lose coils of a write."""

    def __init__(
        self,
        device: Device,
        admit: Callable[[], None] = _nothing,
        trim: Callable[[int, Sequence[bool]], Sequence[bool]] = lambda _start, states: states,
    ) -> None:
        self._device, self._admit, self._trim = device, admit, trim

    def coils(self, start: int, count: int) -> list[bool]:
        self._admit()
        return self._device.coils(start, count)

    def write_coils(self, start: int, states: Sequence[bool]) -> None:
        self._admit()
        self._device.write_coils(start, self._trim(start, states))

    def discretes(self, start: int, count: int) -> list[bool]:
        self._admit()
        return self._device.discretes(start, count)

    def holding(self, start: int, count: int) -> list[int]:
        self._admit()
        return self._device.holding(start, count)

    def write_holding(self, start: int, words: Sequence[int]) -> None:
        self._admit()
        self._device.write_holding(start, words)

    def input_registers(self, start: int, count: int) -> list[int]:
        self._admit()
        return self._device.input_registers(start, count)
