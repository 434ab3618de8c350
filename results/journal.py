"""The work file of one attempt: JSON lines, synced to the disk while the attempt runs.

It exists so that a crash loses no reading: the closing record holds everything that counts, so the
journal is pruned after it, and a journal without one becomes an *interrupted* closing. The first line
names the opening record. Entries are the caller's; two shapes are understood here when an attempt is
closed after a crash: ``{"row": {column: integer or null}}`` and ``{"stage": words}``.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from results.errors import BadRecord, StoreUnavailable, disk_trouble

FORMAT = 1
Entry = Mapping[str, Any]


class Journal:
    """Append-only work file at ``path``; refuses a file that exists, it may hold readings.

    Raises StoreUnavailable when the disk refuses, BadRecord for an entry that is no JSON.
    """

    def __init__(self, path: Path, opening: str) -> None:
        self.path = path
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
            self._file = os.fdopen(os.open(path, flags, 0o600), "wb")
        except OSError as fault:
            raise disk_trouble(str(path), fault) from fault
        self.append({"journal": FORMAT, "opening": opening})
        self.sync()
        self._sync_directory()

    def append(self, entry: Mapping[str, object]) -> None:
        """Add one line. On the disk only after ``sync``."""
        try:
            line = json.dumps(entry, allow_nan=False, separators=(",", ":"))
        except (TypeError, ValueError, RecursionError) as fault:
            raise BadRecord(str(self.path), f"entry can't be kept: {fault}") from fault
        self._guarded(lambda: self._file.write(line.encode() + b"\n"))

    def sync(self) -> None:
        """Return when everything appended is on the disk."""
        self._guarded(self._flush)

    def close(self) -> None:
        """Sync and close. Closing twice is fine."""
        if not self._file.closed:
            try:
                self.sync()
            finally:
                self._shut()

    def prune(self) -> None:
        """Close and remove: its attempt has its closing record."""
        self._shut()
        prune(self.path)

    def _flush(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())

    def _shut(self) -> None:
        try:
            self._file.close()
        except OSError as fault:  # what was buffered is lost; the descriptor is free all the same
            raise disk_trouble(str(self.path), fault) from fault

    def _guarded(self, act: Any) -> None:
        if self._file.closed:
            raise StoreUnavailable(str(self.path), "journal is closed already")
        try:
            act()
        except OSError as fault:
            raise disk_trouble(str(self.path), fault) from fault

    def _sync_directory(self) -> None:
        """A new file survives a power cut only when its directory is synced too."""
        try:
            directory = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(directory)
            finally:
                os.close(directory)
        except OSError as fault:
            raise disk_trouble(str(self.path.parent), fault) from fault


@dataclass(frozen=True, slots=True)
class Journalled:
    """What a journal holds. ``lost_lines``: torn or damaged ones at its end, left out."""

    opening: str
    entries: tuple[Entry, ...]
    lost_lines: int = 0


def read(path: Path) -> Journalled:
    """Read a journal up to its first damaged line. Raises BadRecord when even the first one is."""
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault
    # without its newline a line is torn, even when what is there happens to be JSON: `12` of `123`
    torn, whole = lines[-1:], lines[:-1]
    entries = _good(whole)
    header = entries[0] if entries else {}
    if header.get("journal") != FORMAT or not isinstance(header.get("opening"), str):
        raise BadRecord(str(path), "no journal of this program, or its first line is damaged")
    lost = len(whole) - len(entries) + (torn != [b""])
    return Journalled(header["opening"], tuple(entries[1:]), lost)


def prune(path: Path) -> None:
    """Remove a journal; nothing happens when it is gone already."""
    try:
        path.unlink(missing_ok=True)
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault


def columns(entries: Iterable[Entry]) -> dict[str, list[int | None]]:
    """The rows of a journal as trace columns; a column that a row doesn't have is a gap there."""
    rows = [entry["row"] for entry in entries if isinstance(entry.get("row"), dict)]
    names = dict.fromkeys(name for row in rows for name in row)
    return {name: [row.get(name) for row in rows] for name in names}


def stages(entries: Iterable[Entry]) -> list[str]:
    """Names of the stages in the order of the rows' ``stage`` column."""
    names: dict[int, str] = {}
    now = ""
    for entry in entries:
        now = str(entry.get("stage", now))
        row = entry.get("row")
        if isinstance(row, dict) and isinstance(row.get("stage"), int):
            names.setdefault(row["stage"], now)
    return [names.get(place, "") for place in range(max(names, default=-1) + 1)]


def _good(lines: Sequence[bytes]) -> list[dict[str, Any]]:
    """Entries up to the first line that is none."""
    entries = []
    for line in lines:
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            break
        if not isinstance(entry, dict):
            break
        entries.append(entry)
    return entries
