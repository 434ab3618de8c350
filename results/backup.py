"""Backup and restore: a whole store as one file, whichever kind of database it is in.

A backup is a record file like a home's, so it can be read, verified and restored with this program or
with any SQLite. It is made while others write, and read back before it counts. Private keys are not in
it (``results.keys``): whoever has a backup can't sign as the bench.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, func, select

from results import copying, database, upgrading
from results.appending import now_ms
from results.errors import BadRecord, StoreUnavailable
from results.places import Place, file_place
from results.store import Store
from results.tables import JOINED, RECORDS, RESTORED

BESIDE = ("", "-wal", "-shm", "-journal")  # what SQLite may have put beside a record file


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds: records, chains, the newest record's time (UTC, ms), what is wrong in it."""

    where: str
    records: int
    chains: int
    newest_ms: int | None
    problems: Sequence[str]


def backup(store: Store, target: Path) -> Copied:
    """Copy a store that is in use to a new file and read it back.

    Problems that are in the store are in the copy too, and told. Raises StoreUnavailable: the file
    exists, the disk refuses, the copy is not what was read.
    """
    with copying.published(target) as draft, database.in_words(file_place(target)):
        if store.place.path is not None:
            copying.copy_pages(store.path, draft)
        else:
            with store._reading() as source:
                upgrading.rows_to_file(source, draft)
                _compare(source, draft)
        return _looked_at(draft, str(target))


def restore(source: Path, place: Place, damaged: bool = False) -> Copied:
    """Make a store from a backup: in a home without records, or in an empty database.

    ``damaged``: even if something is wrong in it. The backup stays as it is. Bench proofs from before
    don't hold any more: what voided one may have come after the backup. Raises StoreUnavailable,
    BadRecord.
    """
    if not source.is_file():
        raise StoreUnavailable(str(source), "is no file", "name a file that milliproof backup made")
    if place.path is None:
        with tempfile.TemporaryDirectory() as directory:
            draft = Path(directory) / "restore.sqlite"
            copied = _checked(source, draft, damaged)
            _to_server(draft, place)
    else:
        _refuse_used(place.path)
        with copying.published(place.path) as draft:
            copied = _checked(source, draft, damaged)
            _mark(draft)
    return Copied(place.name, copied.records, copied.chains, copied.newest_ms, copied.problems)


def _checked(source: Path, draft: Path, damaged: bool) -> Copied:
    with database.in_words(file_place(source)):
        copying.copy_pages(source, draft)
        copied = _looked_at(draft, str(source))
    if copied.problems and not damaged:
        raise BadRecord(
            str(source),
            f"{len(copied.problems)} things are wrong in it, first: {copied.problems[0]}",
            "restore another backup; if there is none: --even-damaged",
        )
    return copied


def _looked_at(draft: Path, where: str) -> Copied:
    """Read all of it; brings an older version's tables to ours. The file is alone afterwards."""
    pages = copying.whole(draft)
    with Store.open_place(file_place(draft)) as store, store._reading() as connection:
        records, newest = connection.execute(
            select(func.count(), func.max(RECORDS.c.at_ms)).select_from(RECORDS)
        ).one()
        problems = [*pages, *(str(problem) for problem in store.verify())]
        found = Copied(where, records, len(store.benches()), newest, problems)
    with closing(sqlite3.connect(draft)) as file:
        copying.alone(file)
    return found


def _compare(source: Connection, draft: Path) -> None:
    engine = database.engine_of(file_place(draft))
    with engine.connect() as copy:
        here, there = copying.counted(source), copying.counted(copy)
    engine.dispose()
    if here != there:
        raise StoreUnavailable(str(draft), f"has {there} rows, the store {here}", "try again")


def _refuse_used(path: Path) -> None:
    """A stray log of another file would be taken for this one's."""
    for beside in BESIDE:
        copying.refuse_existing(path.with_name(path.name + beside))


def _mark(draft: Path) -> None:
    engine = database.engine_of(file_place(draft))
    with database.writer_of(engine).begin() as connection:
        mark(connection)
    engine.dispose()
    with closing(sqlite3.connect(draft)) as file:
        copying.alone(file)


def mark(connection: Connection) -> None:
    """Note that the records up to now came back from a backup."""
    times = connection.execute(select(func.count()).select_from(RESTORED)).scalar() or 0
    newest = connection.execute(select(func.max(RECORDS.c.id))).scalar() or 0
    values = {"id": times + 1, "records": newest, "at_ms": now_ms()}
    connection.execute(RESTORED.insert().values(values))


def _to_server(draft: Path, place: Place) -> None:
    here, there = database.engine_of(file_place(draft)), database.engine_of(place)
    try:
        with (
            database.in_words(place),
            here.connect() as source,
            database.writer_of(there).begin() as target,
        ):
            if upgrading.version_of(target, place) is None:
                upgrading.to_version(target, "head")
            if any(copying.counted(target).values()):
                raise StoreUnavailable(
                    place.name, "holds records already", "name an empty database"
                )
            copying.copy_rows(source, target, but=(JOINED.name,))  # a server is nobody's home
            mark(target)
    finally:
        here.dispose()
        there.dispose()
