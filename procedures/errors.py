"""What can be wrong with a question put to this room, on one page.

Each says what, where and what to do. ``rig/errors.py`` maps the base to exit codes.
"""

from __future__ import annotations


class ProcedureError(Exception):
    """Base of the room. ``where`` names the family, field or quantity, ``remedy`` what to do."""

    def __init__(self, where: str, what: str, remedy: str = "") -> None:
        super().__init__(f"{where}: {what}" + (f"; {remedy}" if remedy else ""))
        self.where, self.what, self.remedy = where, what, remedy


class UnknownFamily(ProcedureError):
    """No procedure and no limit set for a family of that name."""


class BadPlate(ProcedureError):
    """A plate value is missing, negative, not finite, or contradicts another one."""


class BadSeries(ProcedureError):
    """Readings and their times don't belong together: lengths differ, or time runs backwards."""


class BadWave(ProcedureError):
    """A captured waveform is too short, or its rate or supply frequency is none."""
