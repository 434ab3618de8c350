"""A home with an attempt in it, and bundles taken apart and put together again by a forger."""

from __future__ import annotations

import io
import sqlite3
import zipfile
from collections.abc import Mapping
from pathlib import Path

from results import bundle, trace
from results.record import Record
from results.store import Store
from tests.results.world import INTAKE, closing, opening

TRACE = trace.encode({"t_ms": [0, 100, 200], "leakage_ua": [None, 212, 0]})
PHOTO = b"\xff\xd8\xff a photo, by its hash"


def register(store: Store, serial: str = "OF55-0117", **more: object) -> str:
    """A part; its number."""
    return str(store.append("intake", "shop", {**INTAKE, "serial": serial, **more}).body["part"])


def attempt(store: Store, part: str, verdict: str = "pass", bench: str = "b1") -> Record:
    """One attempt; its closing."""
    number = store.append("opening", bench, opening(part)).number
    return store.append("closing", bench, closing(number, verdict), trace=TRACE)


def some_home(home: Path, attempts: int = 3) -> str:
    """A simulated home: a part that was tried, another part's records between. The newest closing."""
    with Store.open(home, simulated=True) as store:
        part, other = register(store), register(store, "MW10-4410")
        for place in range(attempts):
            attempt(store, other)
            number = attempt(store, part, "fail" if place < attempts - 1 else "pass").number
    return number


def made(home: Path, number: str, **more: object) -> bytes:
    """The bundle about a record."""
    with Store.open(home) as store:
        return bundle.bundle(store, number, **more)  # type: ignore[arg-type]


def mark_of(home: Path, bench: str) -> str:
    """The fingerprint of a bench's key in force."""
    from results import signing

    with Store.open(home) as store, store._reading() as connection:
        held = signing.in_force(connection, bench)
    assert held is not None
    return held.mark


def files_in(data: bytes) -> dict[str, bytes]:
    """The files of a bundle."""
    with zipfile.ZipFile(io.BytesIO(data)) as file:
        return {name: file.read(name) for name in file.namelist()}


def listed_again(files: Mapping[str, bytes]) -> bytes:
    """A bundle whose list is right again, by somebody who has no key."""
    fresh = {**files, bundle.SUMS: bundle.listed(files)}
    return bundle.zipped(fresh)


def force(home: Path, *changes: str) -> None:
    """What somebody does who takes the triggers out of the way."""
    tool = sqlite3.connect(home / "records.sqlite", isolation_level=None)
    query = "SELECT name FROM sqlite_master WHERE type='trigger'"
    for (name,) in tool.execute(query).fetchall():
        tool.execute(f"DROP TRIGGER {name}")
    for change in changes:
        tool.execute(change)
    tool.close()
