"""The tables' versions: a home's file is brought to ours by itself, a server only on command.

A backup is made first. A bench proof says under which version of the tables it was made and holds
under no other (``rig/proof.py``).
"""

from __future__ import annotations

import datetime
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect

from results import database
from results.copying import alone, copy_pages, copy_rows, published
from results.errors import StoreUnavailable
from results.places import Place, file_place, on_server

VERSIONS = (
    "0001",
    "0002",
    "0003",
    "0004",
    "0005",
)  # of the tables, oldest first; the last one is ours
REMEDY = "run: milliproof upgrade --store URL"


@dataclass(frozen=True, slots=True)
class Upgraded:
    """From which version (None: there were no tables) to ours, and the backup made before."""

    before: str | None
    after: str
    backup: Path | None


def make_ready(engine: Engine, place: Place) -> None:
    """Bring a file's tables to our version; refuse a server's that are of another one.

    For a file in one transaction, which also proves that writing is allowed. Raises StoreUnavailable
    for a database of another program or of a newer version of this one.
    """
    if not place.server:
        upgrade(engine, place, None)
        return
    with engine.begin() as connection:
        version = version_of(connection, place)
    if version is None:
        raise StoreUnavailable(place.name, "has no tables of this program yet", REMEDY)
    if version != VERSIONS[-1]:
        what = f"its tables are of version {version}, this program needs {VERSIONS[-1]}"
        raise StoreUnavailable(place.name, what, f"{REMEDY}: it makes a backup first")


def prepare(store: Place | str, backups: Path | None = None) -> Upgraded:
    """Make a store's tables, or bring them to our version after a backup into ``backups``.

    ``store``: a server's may be given by its URL. Raises StoreUnavailable, OutOfReach.
    """
    place = on_server(store) if isinstance(store, str) else store
    engine = database.engine_of(place)
    try:
        with database.in_words(place):
            return upgrade(engine, place, backups)
    finally:
        engine.dispose()


def upgrade(engine: Engine, place: Place, backups: Path | None) -> Upgraded:
    """Back up and bring the tables to our version, complete or not at all.

    ``backups``: the directory for the backup; None: beside the file.
    """
    with database.writer_of(engine).begin() as connection:
        version, copy = version_of(connection, place), None
        if version not in (None, VERSIONS[-1]):
            where = backups or (place.path.parent if place.path else Path())
            copy = _before(engine, place, str(version), where)
        if version != VERSIONS[-1]:
            to_version(connection, "head")
    return Upgraded(version, VERSIONS[-1], copy)


def _before(engine: Engine, place: Place, version: str, where: Path) -> Path:
    """The backup; nobody else writes meanwhile, the caller holds the lock."""
    moment = datetime.datetime.now(datetime.UTC).strftime("%Y%m%d-%H%M%S-%f")
    copy = where / f"before-upgrade-{version}-{moment}.sqlite"
    with published(copy) as draft:
        if place.path is not None:
            copy_pages(place.path, draft)
        else:
            with engine.connect() as source:
                rows_to_file(source, draft, version)
    return copy


def rows_to_file(source: Connection, draft: Path, version: str = "head") -> None:
    """A record file of the same version with all rows of ``source``."""
    engine = database.engine_of(file_place(draft))
    try:
        with database.writer_of(engine).begin() as target:
            to_version(target, version)
            copy_rows(source, target)
    finally:
        engine.dispose()
    with closing(sqlite3.connect(draft)) as file:
        alone(file)


def version_of(connection: Connection, place: Place) -> str | None:
    """Of the tables as they are; None where there are none."""
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return None
    if "alembic_version" not in tables:
        raise StoreUnavailable(place.name, "is another program's database", "choose another home")
    version = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    if version not in VERSIONS:
        raise StoreUnavailable(
            place.name,
            f"its tables are of version {version}, unknown here",
            "use the version of this program that made it, or a newer one",
        )
    return str(version)


def to_version(connection: Connection, version: str) -> None:
    """Run the migrations up to ``version`` in the caller's transaction."""
    from alembic import command  # only when there is something to do: it is slow to import
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", "results:migrations")
    config.set_main_option("path_separator", "os")
    command.upgrade(config, version)
