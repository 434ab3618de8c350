"""The database under the store: how it is opened, migrated, and how its refusals become words."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, inspect
from sqlalchemy.exc import SQLAlchemyError

from results.errors import StoreUnavailable, disk_trouble

FILE = "records.sqlite"
BUSY_MS = 10_000  # other benches of the shop write for milliseconds; longer than this is trouble
VERSIONS = ("0001", "0002")  # of the tables, oldest first; the last one is ours
WRITES = "writes"  # execution option: take the write lock at once, so that nothing read goes stale

PRAGMAS = (
    f"PRAGMA busy_timeout={BUSY_MS}",
    "PRAGMA synchronous=FULL",  # durable before the verdict is shown
    "PRAGMA recursive_triggers=ON",  # REPLACE then fires the triggers that refuse deleting
    "PRAGMA foreign_keys=ON",
    "PRAGMA trusted_schema=OFF",
)

SQLITE_WORDS: dict[int, tuple[str, str]] = {  # primary result code: (what, remedy)
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
    sqlite3.SQLITE_CORRUPT: ("damaged", "keep it as it is, restore a backup or use a new home"),
    sqlite3.SQLITE_NOTADB: (
        "damaged, or no record store",
        "keep it as it is, restore a backup or use a new home",
    ),
    sqlite3.SQLITE_IOERR: (
        "the disk refuses to read or write",
        "check free space, quota and health of the disk, then try again",
    ),
}


def engine_of(path: Path) -> Engine:
    """An engine whose connections are durable and begin their transactions themselves.

    The driver would begin transactions late and not at all before table changes; so it is told not
    to (``isolation_level=None``), and every BEGIN is sent here.
    """
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_MS / 1e3})
    event.listen(engine, "connect", _connected)
    event.listen(engine, "begin", _began)
    return engine


def _connected(dbapi: sqlite3.Connection, _record: object) -> None:
    dbapi.isolation_level = None
    for pragma in PRAGMAS:
        dbapi.execute(pragma)
    _write_ahead(dbapi)


def _write_ahead(dbapi: sqlite3.Connection) -> None:
    """Switch to write-ahead logging; two programs making one home may meet here, so try again.

    SQLite doesn't wait by itself in this one place.
    """
    last_s = time.monotonic() + BUSY_MS / 1e3
    while True:
        try:
            dbapi.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as fault:
            if _code(fault) != sqlite3.SQLITE_BUSY or time.monotonic() > last_s:
                raise
            time.sleep(0.01)


def _began(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def in_words(path: Path) -> Iterator[None]:
    """Turn refusals of the database and the disk into StoreUnavailable."""
    try:
        yield
    except SQLAlchemyError as fault:
        raise _unavailable(path, getattr(fault, "orig", None) or fault) from fault
    except sqlite3.Error as fault:
        raise _unavailable(path, fault) from fault
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault


def _unavailable(path: Path, fault: BaseException) -> StoreUnavailable:
    fallback = (f"refused: {fault}", "nothing was stored; keep the file and report this")
    what, remedy = SQLITE_WORDS.get(_code(fault), fallback)
    return StoreUnavailable(str(path), what, remedy)


def _code(fault: BaseException) -> int:
    """SQLite's primary result code: the low byte of the extended one; 0 if there is none."""
    return int(getattr(fault, "sqlite_errorcode", 0) or 0) & 0xFF


def migrate(engine: Engine, path: Path) -> None:
    """Bring the tables to our version, in one transaction. Also proves that writing is allowed.

    Raises StoreUnavailable for a database of another program or of a newer version of this one.
    """
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        version = _version(connection, path)
        if version != VERSIONS[-1]:
            _upgrade(connection)


def _version(connection: Connection, path: Path) -> str | None:
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return None
    if "alembic_version" not in tables:
        raise StoreUnavailable(str(path), "is another program's database", "choose another home")
    version = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    if version not in VERSIONS:
        raise StoreUnavailable(
            str(path),
            f"its tables are of version {version}, unknown here",
            "use the version of this program that made it, or a newer one",
        )
    return str(version)


def _upgrade(connection: Connection) -> None:
    from alembic import command  # only when there is something to do: it is slow to import
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", "results:migrations")
    config.set_main_option("path_separator", "os")
    command.upgrade(config, "head")
