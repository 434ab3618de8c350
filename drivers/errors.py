"""What can go wrong with a line or an instrument, on one page.

Every failure of a library leaves this room as one of these, raised ``from`` the library's own
exception. Each says what, where and what to do. ``rig/errors.py`` maps them to exit codes.
"""

from __future__ import annotations


class DriverError(Exception):
    """Base of the room. ``where`` names the line or device, ``remedy`` what a person can do."""

    def __init__(self, where: str, what: str, remedy: str = "") -> None:
        super().__init__(f"{where}: {what}" + (f"; {remedy}" if remedy else ""))
        self.where, self.what, self.remedy = where, what, remedy


class PortUnavailable(DriverError):
    """The port or address can't be opened: missing, held by another program, no permission."""


class LineLost(DriverError):
    """The port vanished or the peer closed or reset the connection."""


class Silent(DriverError):
    """No complete reply within the transaction's absolute deadline."""


class Garbled(DriverError):
    """Bytes came, but not a valid reply: CRC, length, format, echo, stray bytes."""


class WrongReply(DriverError):
    """A valid reply to another question: unit, function, address, count or echoed value differ."""


class Refused(DriverError):
    """The device answered with an exception or an error queue entry: line alive, command refused."""


class NotAsWritten(DriverError):
    """A coil or register read back differs from what was written."""


class WrongDevice(DriverError):
    """The device identifies itself as something else than the bench file says."""
