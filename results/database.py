"""The databases under the store: how each is opened, and how its refusals become words."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import SQLAlchemyError

from results.errors import disk_trouble
from results.places import FILE as FILE
from results.places import Place
from results.refusals import BUSY_MS, code_of, refused

WRITES = "writes"  # execution option: take the write lock at once, so that nothing read goes stale

PRAGMAS = (
    f"PRAGMA busy_timeout={BUSY_MS}",
    "PRAGMA synchronous=FULL",  # durable before the verdict is shown
    "PRAGMA recursive_triggers=ON",  # REPLACE then fires the triggers that refuse deleting
    "PRAGMA foreign_keys=ON",
    "PRAGMA trusted_schema=OFF",
)

# One number for all programs of this kind: whoever holds it is the only one who appends.
APPENDING = 0x6D41  # "mA"
SERVER_OPTIONS = " ".join(
    f"-c {option}"
    for option in (
        "synchronous_commit=on",  # durable before the verdict is shown, whatever the server's default
        f"lock_timeout={BUSY_MS}",
        "statement_timeout=60000",
        "client_encoding=UTF8",
        "timezone=UTC",
    )
)
SERVER_ARGUMENTS: dict[str, Any] = {  # what libpq takes; a URL may say otherwise
    "connect_timeout": 3,
    "application_name": "milliproof",
    "options": SERVER_OPTIONS,
    "keepalives_idle": 3,  # a server whose cable is pulled is noticed within 9 s
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 9000,
}


def engine_of(place: Place) -> Engine:
    """An engine whose commits are durable. Connections are made when first used."""
    return _server_engine(place) if place.server else _file_engine(place)


def writer_of(engine: Engine) -> Engine:
    """The same engine for transactions that append: one at a time, and each sees the one before."""
    options: dict[str, Any] = {WRITES: True}
    if engine.dialect.name == "postgresql":
        options["isolation_level"] = "READ COMMITTED"  # a snapshot from before the lock is stale
    return engine.execution_options(**options)


# ---- SQLite ------------------------------------------------------------------------------------------


def _file_engine(place: Place) -> Engine:
    """Begins its transactions itself.

    The driver would begin transactions late and not at all before table changes; so it is told not
    to (``isolation_level=None``), and every BEGIN is sent here.
    """
    engine = create_engine(place.url, connect_args={"timeout": BUSY_MS / 1e3})
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
            if code_of(fault) != sqlite3.SQLITE_BUSY or time.monotonic() > last_s:
                raise
            time.sleep(0.01)


def _began(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


# ---- PostgreSQL --------------------------------------------------------------------------------------


def _server_engine(place: Place) -> Engine:
    """One answer sees one state (REPEATABLE READ); who appends waits for who appends before."""
    arguments = {name: v for name, v in SERVER_ARGUMENTS.items() if name not in place.url.query}
    engine = create_engine(
        place.url,
        connect_args=arguments,
        isolation_level="REPEATABLE READ",
        pool_pre_ping=True,  # a server that was restarted between two records is no fault
    )
    event.listen(engine, "begin", _locked)
    return engine


def _locked(connection: Connection) -> None:
    if connection.get_execution_options().get(WRITES, False):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({APPENDING})")


# ---- refusals ----------------------------------------------------------------------------------------


@contextmanager
def in_words(place: Place) -> Iterator[None]:
    """Turn refusals of the database, the network and the disk into the room's errors."""
    try:
        yield
    except SQLAlchemyError as fault:
        raise refused(place, getattr(fault, "orig", None) or fault) from fault
    except sqlite3.Error as fault:
        raise refused(place, fault) from fault
    except OSError as fault:
        raise disk_trouble(place.name, fault) from fault
