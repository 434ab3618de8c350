"""Modbus over its two framings: one request, one checked reply, the line dirty after anything else."""

from __future__ import annotations

from typing import Protocol

from drivers import modbus
from drivers.described import LineSpec
from drivers.errors import DriverError, Refused
from drivers.lines import Line, SerialLine, TcpLine


class Wire(Protocol):
    """A line with its framing. ``numbered``: replies carry the number of their request."""

    numbered: bool
    quiet_s: float

    @property
    def line(self) -> Line: ...

    def open(self) -> None: ...

    def carry(self, where: str, request: modbus.Request, deadline_s: float) -> bytes: ...


class RtuWire:
    """RTU frames over a serial line."""

    numbered = False

    def __init__(self, spec: LineSpec, quiet_s: float) -> None:
        self.line, self.quiet_s = SerialLine(spec, quiet_s), quiet_s

    def open(self) -> None:
        """Open the port and prove that its adapter does, or does not, echo as the bench file says."""
        self.line.open()
        try:
            self.line.refuse_echo(modbus.read(modbus.NOBODY, "holding", 0, 1).rtu)
        except DriverError:
            self.line.close()
            raise

    def carry(self, where: str, request: modbus.Request, deadline_s: float) -> bytes:
        """The checked PDU that answers ``request``; raises DriverError, the line then dirty."""
        frame = self.line.exchange(request.rtu, modbus.rtu_needed, deadline_s)
        try:
            return modbus.rtu_pdu(where, request, frame)
        except DriverError as exc:
            _spoil_unless_refused(self.line, exc)
            raise


class MbapWire:
    """MBAP frames over a TCP socket."""

    numbered = True
    quiet_s = 0.0

    def __init__(self, spec: LineSpec) -> None:
        self.line = TcpLine(spec)
        self._transaction = 0

    def open(self) -> None:
        """Connect; raises PortUnavailable."""
        self.line.open()

    def carry(self, where: str, request: modbus.Request, deadline_s: float) -> bytes:
        """The checked PDU that answers ``request``; raises DriverError, the line then dirty."""
        self._transaction = self._transaction % 0xFFFF + 1
        frame = modbus.mbap_frame(request, self._transaction)
        reply = self.line.exchange(frame, modbus.mbap_needed, deadline_s)
        try:
            return modbus.mbap_pdu(where, request, reply, self._transaction)
        except DriverError as exc:
            _spoil_unless_refused(self.line, exc)
            raise


def _spoil_unless_refused(line: Line, exc: DriverError) -> None:
    if not isinstance(exc, Refused):  # an exception response means: line alive, command refused
        line.spoil()
