"""Attempts by what is asked of them: serial, part, family, model, verdict, date, cause, lot.

What has an index narrows the rows in the database (serial, part, verdict, bench); the rest is read and
compared here, so that upper and lower case don't matter. Read-only.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, select

from results import history
from results.history import Attempt, Filters
from results.record import folded
from results.tables import RECORDS

R = RECORDS.c
INTAKE = RECORDS.alias("intake").c
PAGE = 1000  # attempts read at once


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which attempts; what is None or empty doesn't matter. ``serial``: how it begins. ``cause`` and
    ``model``: words in it. Times in ms UTC, ``until_ms`` excluded."""

    part: str | None = None
    serial: str = ""
    family: str = ""
    model: str = ""
    date_code: str = ""
    verdict: str | None = None
    cause: str = ""
    bench: str | None = None
    since_ms: int | None = None
    until_ms: int | None = None

    def fits(self, one: Attempt) -> bool:
        """Whether an attempt is like that, as far as the database didn't ask already."""
        same = ((self.family, one.family), (self.date_code, one.date_code))
        within = ((self.model, one.model), (self.cause, one.cause))
        return all(folded(asked) in ("", folded(held)) for asked, held in same) and all(
            folded(asked) in folded(held) for asked, held in within
        )


def search(connection: Connection, wanted: Wanted, limit: int | None) -> list[Attempt]:
    """The newest ``limit`` attempts that are like that, newest first; None: all of them."""
    page = min(limit or PAGE, PAGE)
    fitting = (one for one in _read(connection, wanted, page) if wanted.fits(one))
    return list(itertools.islice(fitting, limit))


def _read(connection: Connection, wanted: Wanted, size: int) -> Iterator[Attempt]:
    """A page after the other, each from where the one before ended, the first as long as it must be."""
    query = here = _narrowed(wanted)
    while True:
        page = history.joined(connection, here.limit(size))
        yield from page
        if len(page) < size:
            return
        here, size = history.older(query, wanted.verdict, page[-1].number), PAGE


def _narrowed(wanted: Wanted) -> Select[Any]:
    query = history.filtered(Filters(wanted.part, wanted.verdict, wanted.bench))
    if wanted.serial.strip():
        begins = folded(wanted.serial)
        parts = select(INTAKE.part).where(
            INTAKE.serial >= begins, INTAKE.serial < begins + history.HIGHEST
        )
        query = query.where(R.part.in_(parts))
    if wanted.since_ms is not None:
        query = query.where(R.at_ms >= wanted.since_ms)
    if wanted.until_ms is not None:
        query = query.where(R.at_ms < wanted.until_ms)
    return query
