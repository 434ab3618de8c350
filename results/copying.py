"""Copies of a whole store: page by page from file to file, row by row where a server is one side.

A copy is written under another name and gets its own only when it is whole and on the disk.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, MetaData, Table, func, select

from results.errors import StoreUnavailable, disk_trouble

AT_ONCE = 1000  # rows on their way
OWN = frozenset({"alembic_version"})  # the migrations write it themselves


def copy_pages(source: Path, target: Path) -> None:
    """A whole record file as it is at one moment, while others write to it; one file, nothing beside.

    Both by SQLite's online backup. Raises sqlite3.Error.
    """
    with closing(_reading(source)) as here, closing(sqlite3.connect(target)) as there:
        here.backup(there)
        alone(there)


def _reading(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)


def alone(file: sqlite3.Connection) -> None:
    """Fold the write-ahead log into the file, so that it can be carried on its own."""
    file.execute("PRAGMA journal_mode=DELETE").fetchall()


def copy_rows(source: Connection, target: Connection, but: Iterable[str] = ()) -> dict[str, int]:
    """All rows of all tables but ``but``; the two sides have the same version. Rows by table."""
    found, wanted = MetaData(), MetaData()
    found.reflect(source)
    wanted.reflect(target)
    left_out = OWN | set(but)
    return {
        table.name: _copy_table(source, target, table, wanted.tables[table.name])
        for table in found.sorted_tables
        if table.name not in left_out
    }


def _copy_table(source: Connection, target: Connection, here: Table, there: Table) -> int:
    query = select(here).order_by(*here.primary_key).execution_options(yield_per=AT_ONCE)
    rows, count = iter(source.execute(query).mappings()), 0
    while some := [dict(row) for row in islice(rows, AT_ONCE)]:
        target.execute(there.insert(), some)
        count += len(some)
    return count


def counted(connection: Connection) -> dict[str, int]:
    """Rows by table."""
    tables = MetaData()
    tables.reflect(connection)
    return {
        table.name: int(connection.execute(select(func.count()).select_from(table)).scalar() or 0)
        for table in tables.sorted_tables
        if table.name not in OWN
    }


@contextmanager
def published(final: Path) -> Iterator[Path]:
    """A name to write to; what is there at the end of the block becomes ``final``, durably.

    Raises StoreUnavailable when ``final`` exists: what may be the only copy is never overwritten.
    """
    draft = final.with_name(f".{final.name}.{os.getpid()}.part")
    refuse_existing(final)
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        yield draft
        _synced(draft)
        _named(draft, final)
        _synced(final.parent)
    except OSError as fault:
        raise disk_trouble(str(final), fault) from fault
    finally:
        with contextlib.suppress(OSError):
            draft.unlink()


def refuse_existing(final: Path) -> None:
    """Raise StoreUnavailable when there is such a file."""
    if final.exists():
        raise StoreUnavailable(str(final), "exists already", "name another file, or move it away")


def _named(draft: Path, final: Path) -> None:
    """Give the name unless somebody took it meanwhile; some sticks have no hard links."""
    try:
        os.link(draft, final)
    except FileExistsError:
        raise
    except OSError:
        refuse_existing(final)
        draft.rename(final)


def _synced(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def whole(path: Path) -> list[str]:
    """What SQLite finds wrong with a file's pages; empty when nothing is. Raises sqlite3.Error."""
    with closing(_reading(path)) as file:
        said: list[Any] = [row[0] for row in file.execute("PRAGMA integrity_check")]
    return [] if said == ["ok"] else [str(one) for one in said]
