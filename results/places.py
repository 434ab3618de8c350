"""Where a store is: a file in a home, or a PostgreSQL database that many benches share."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from results.errors import StoreUnavailable

FILE = "records.sqlite"
SERVERS = ("postgresql", "postgres", "postgresql+psycopg")  # what a URL may begin with
LIKE = "like postgresql://user@server/database"


@dataclass(frozen=True, slots=True)
class Place:
    """``path`` is None for a server. ``name`` is for words and never holds a password."""

    url: URL
    path: Path | None
    name: str

    @property
    def server(self) -> bool:
        """Whether it is on a server."""
        return self.path is None


def in_home(home: Path) -> Place:
    """The record file of a home."""
    return file_place(home / FILE)


def file_place(path: Path) -> Place:
    """A record file, a backup for example."""
    return Place(URL.create("sqlite", database=str(path)), path, str(path))


def on_server(url: str) -> Place:
    """A PostgreSQL database by its URL. Raises StoreUnavailable: no such URL, no driver installed."""
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError) as fault:
        raise StoreUnavailable("store URL", "can't be read", f"write it {LIKE}") from fault
    if parsed.drivername not in SERVERS or not parsed.database:
        shown = parsed.render_as_string(hide_password=True)
        raise StoreUnavailable(shown, "names no PostgreSQL database", f"write it {LIKE}")
    if find_spec("psycopg") is None:
        raise StoreUnavailable(
            "psycopg",
            "is not installed",
            "PostgreSQL needs it: pip install 'milliproof[postgresql]'",
        )
    plain = parsed.set(drivername="postgresql", password=None, query={})
    return Place(parsed.set(drivername="postgresql+psycopg"), None, str(plain))
