"""What goes wrong in the rig, and which exit code each room's errors end with.

Exit codes: 0 pass or done, 1 fail, 2 wrong use or wrong file, 3 no verdict, 4 bench locked out or
not proved. ``ROOMS`` is the only place that maps the other rooms' error bases to them.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple


class Exit(IntEnum):
    """The exit codes of every command."""

    DONE = 0
    FAIL = 1
    WRONG_USE = 2
    NO_VERDICT = 3
    NOT_READY = 4


EXIT_WORDS = {
    Exit.DONE: "pass or done",
    Exit.FAIL: "fail",
    Exit.WRONG_USE: "wrong use or wrong file",
    Exit.NO_VERDICT: "no verdict",
    Exit.NOT_READY: "bench locked out or not proved",
}


class RigError(Exception):
    """Base of the room. ``where`` is the file, option or bench, ``remedy`` what a person can do."""

    exit_code = Exit.WRONG_USE

    def __init__(self, where: str, what: str, remedy: str = "") -> None:
        super().__init__(f"{where}: {what}" + (f"; {remedy}" if remedy else ""))
        self.where, self.what, self.remedy = where, what, remedy


class HomeUnusable(RigError):
    """The data or state directory can't be made, read or written."""


class BenchBusy(RigError):
    """Another program holds the bench."""


class LockedOut(RigError):
    """The bench is locked out until a person clears it with a reason."""

    exit_code = Exit.NOT_READY


class NotProved(RigError):
    """There is no valid bench proof."""

    exit_code = Exit.NOT_READY


class WrongPackages(RigError):
    """An import package named like one of ours is not ours."""


class Problem(NamedTuple):
    """One thing that is wrong with a file: where, what, what is allowed, what was perhaps meant."""

    file: str
    line: int
    key: str
    what: str
    allowed: str = ""
    meant: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        parts = [f"{place}: {self.key}: {self.what}" if self.key else f"{place}: {self.what}"]
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.meant:
            parts.append(f"did you mean {self.meant}?")
        return "; ".join(parts)


class BenchFileProblems(RigError):
    """Everything that is wrong with a bench file, one line per problem, in the file's order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.key)))
        Exception.__init__(self, "\n".join(str(problem) for problem in self.problems))
        self.where = self.problems[0].file if self.problems else ""
        self.what, self.remedy = "bench file refused", "correct each line named"


# module, base class, exit code. A class whose module was never imported can't have been raised.
ROOMS: tuple[tuple[str, str, Exit], ...] = (
    ("drivers.errors", "DriverError", Exit.WRONG_USE),
    ("procedures.errors", "ProcedureError", Exit.WRONG_USE),
    ("results.errors", "ResultsError", Exit.WRONG_USE),
)


def is_known(exc: BaseException) -> bool:
    """Whether ``exc`` is one of the rooms' own errors, with words for a person."""
    return isinstance(exc, RigError) or any(
        isinstance(exc, getattr(sys.modules[module], base))
        for module, base, _ in ROOMS
        if module in sys.modules
    )


def exit_code(exc: BaseException) -> Exit:
    """The exit code for an error of any room; anything unknown is wrong use (2)."""
    if isinstance(exc, RigError):
        return exc.exit_code
    for module, base, code in ROOMS:
        if module in sys.modules and isinstance(exc, getattr(sys.modules[module], base)):
            return code
    return Exit.WRONG_USE
