"""What can go wrong with a record or its store, on one page.

Every failure of a library or of the disk leaves this room as one of these, raised ``from`` the
original. Each says what, where and what to do. ``rig/errors.py`` maps them to exit codes.
"""

from __future__ import annotations

import errno


class ResultsError(Exception):
    """Base of the room. ``where`` names the file or record, ``remedy`` what a person can do."""

    def __init__(self, where: str, what: str, remedy: str = "") -> None:
        super().__init__(f"{where}: {what}" + (f"; {remedy}" if remedy else ""))
        self.where, self.what, self.remedy = where, what, remedy


class StoreUnavailable(ResultsError):
    """The store can't be used: disk full, read-only, held, damaged, of a foreign version."""


class OutOfReach(ResultsError):
    """The shop's store doesn't answer. A bench goes on with its own home and hands over later."""


class ChainsParted(ResultsError):
    """Two homes went on from the same record of one bench, each in its own way."""


class MixedHome(ResultsError):
    """Simulated and real records would meet in one home, or it is not known which these are."""


class NotFound(ResultsError):
    """No such record, part or trace."""


class KeyUnusable(ResultsError):
    """A private key is missing, locked, damaged, or not its owner's alone. Nothing was stored."""


class NoBundle(ResultsError):
    """A file that is no bundle of records."""


class ReportImpossible(ResultsError):
    """A paper that can't be made: not from this record, or something it needs is missing."""


class ChainBroken(ResultsError):
    """A stored record is not what was written, or doesn't follow the one before it."""


class BadRecord(ResultsError):
    """A record, trace or journal that doesn't keep to its schema. Nothing was stored."""


OS_WORDS: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("disk full", "free space on the disk that holds it, then try again"),
    errno.EDQUOT: ("disk quota used up", "free space or raise the quota, then try again"),
    errno.EFBIG: ("the limit on a file's size is reached", "raise it (ulimit -f), then try again"),
    errno.EROFS: ("disk is read-only", "mount it writable or choose another home"),
    errno.EACCES: ("no permission", "give this user the right to write there"),
    errno.EPERM: ("no permission", "give this user the right to write there"),
    errno.ENOENT: ("directory or file is missing", "create the directory or name another"),
    errno.ENOTDIR: ("a file is in the way of a directory", "move it away or name another"),
    errno.EEXIST: (
        "a file of that name is there",
        "move it away and keep it: it may hold readings",
    ),
    errno.EIO: ("the disk reports an error", "copy what is there, then replace the disk"),
}


def disk_trouble(where: str, fault: OSError) -> StoreUnavailable:
    """The operating system's refusal in words."""
    what, remedy = OS_WORDS.get(
        fault.errno or 0, (fault.strerror or str(fault), "mend the disk or choose another home")
    )
    return StoreUnavailable(where, what, remedy)
