"""What databases refuse, in words: SQLite by its result codes, PostgreSQL by its SQLSTATEs."""

from __future__ import annotations

import sqlite3

from results.errors import OutOfReach, ResultsError, StoreUnavailable
from results.places import Place

BUSY_MS = 10_000  # other benches of the shop write for milliseconds; longer than this is trouble
Words = tuple[str, str]  # what, remedy

DAMAGED = "keep it as it is, restore a backup or use a new home"
SQLITE_WORDS: dict[int, Words] = {  # by primary result code
    sqlite3.SQLITE_FULL: ("disk full", "free space on the disk that holds it, then try again"),
    sqlite3.SQLITE_READONLY: (
        "read-only for this user",
        "give this user the right to write to it and its directory, or choose another home",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "can't be opened",
        "check that its directory exists and that this user may write there",
    ),
    sqlite3.SQLITE_PERM: ("no permission", "give this user the right to write to it"),
    sqlite3.SQLITE_BUSY: (
        f"held by another program for more than {BUSY_MS // 1000} s",
        "end the program that holds it, then try again",
    ),
    sqlite3.SQLITE_LOCKED: ("held by another program", "end it, then try again"),
    sqlite3.SQLITE_CORRUPT: ("damaged", DAMAGED),
    sqlite3.SQLITE_NOTADB: ("damaged, or no record store", DAMAGED),
    sqlite3.SQLITE_IOERR: (
        "the disk refuses to read or write",
        "check free space, quota and health of the disk, then try again",
    ),
}

# PostgreSQL's manual, appendix A (error codes); by code, else by its class (the first two signs)
SQLSTATES: dict[str, Words] = {
    "28": ("refuses this user's name or password", "correct the URL or the password file"),
    "3D": ("there is no such database", "have it created, or correct the URL"),
    "42501": ("no permission", "let the database's owner grant this user what it needs"),
    "53100": ("the server's disk is full", "free space there, then try again"),
    "55P03": (
        f"held by another program for more than {BUSY_MS // 1000} s",
        "end the program that holds it, then try again",
    ),
    "57014": ("took too long and was given up", "see what else the server is doing, try again"),
    "25006": ("takes no writes", "it may be a stand-by: name the server that takes writes"),
    "XX": ("damaged", "keep it as it is and restore a backup"),
    "53300": ("has no connection left", "end programs that hold one, then try again"),
}
AWAY = ("08", "57P01", "57P02", "57P03", "")  # connection lost, shutting down, starting up


def refused(place: Place, fault: BaseException) -> ResultsError:
    """``fault`` of either driver as the room's error."""
    return (_by_state if place.server else _by_code)(place, fault)


def _by_code(place: Place, fault: BaseException) -> ResultsError:
    fallback = (f"refused: {fault}", "nothing was stored; keep the file and report this")
    return StoreUnavailable(place.name, *SQLITE_WORDS.get(code_of(fault), fallback))


def code_of(fault: BaseException) -> int:
    """SQLite's primary result code: the low byte of the extended one; 0 if there is none."""
    return int(getattr(fault, "sqlite_errorcode", 0) or 0) & 0xFF


def _by_state(place: Place, fault: BaseException) -> ResultsError:
    state = str(getattr(fault, "sqlstate", None) or "")
    said = str(fault).strip().split("\n")[0]
    words = SQLSTATES.get(state) or SQLSTATES.get(state[:2]) or _login(said)
    if words is not None:
        return StoreUnavailable(place.name, *words)
    if state in AWAY or state[:2] in AWAY:
        remedy = "check server and network; a bench goes on with its own home"
        return OutOfReach(place.name, f"can't be reached ({said})", remedy)
    return StoreUnavailable(place.name, f"refused ({state}): {said}", "nothing was stored")


def _login(said: str) -> Words | None:
    """A login that fails has no code, only words: those of the server in the C locale."""
    if "authentication failed" in said or "no pg_hba.conf entry" in said or "no password" in said:
        return SQLSTATES["28"]
    return SQLSTATES["3D"] if "database" in said and "does not exist" in said else None
