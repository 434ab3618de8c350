"""The store: append-only, a file in the home or a database on a server, one chain per bench.

Several benches, each its own process, write to one home at the same time; an ``append`` takes the
write lock, reads the newest record of its chain and the newest number of the home, and is on the disk
before it returns.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, select

from results import (
    appending,
    checking,
    custody,
    database,
    history,
    journal,
    recovery,
    remembered,
    searching,
    trace,
    upgrading,
)
from results.custody import Standing
from results.errors import MixedHome, NotFound, ResultsError, StoreUnavailable
from results.history import Attempt, Filters
from results.keys import Keyring, place_of_keys
from results.places import Place, in_home, on_server
from results.record import Record, part_number, place_of
from results.searching import Wanted
from results.shop import Shop
from results.tables import HOME, RECORDS, TRACES
from results.verify import Problem, numbering_problems

R = RECORDS.c
NATURE = {True: "simulated", False: "real"}


class Store:
    """The records of one home. Use ``Store.open``; a context manager, or call ``close``."""

    def __init__(self, place: Place, engine: Engine, keys: Path | None = None) -> None:
        self.place = place
        self.keyring = Keyring(keys or place_of_keys(place.path.parent if place.path else None))
        self._engine = engine
        self._writer = database.writer_of(engine)
        self.shop: Shop | None = None

    @classmethod
    def open(
        cls, home: Path | str, simulated: bool | None = None, shop: str | None = None
    ) -> Store:
        """Open a home's store, made if it isn't there, or a server's database by its URL.

        ``simulated``: what the caller's bench is; the first bench stamps the home for good. None:
        whatever the home holds. ``shop``: URL of the shop's store that the home hands over to
        (``results.shop``). Raises MixedHome when the home holds the other kind, StoreUnavailable when
        the disk, the file or the server refuses, OutOfReach when the server doesn't answer.
        """
        if isinstance(home, str):
            return cls.open_place(on_server(home), simulated)
        place = in_home(home)
        with database.in_words(place):
            home.mkdir(parents=True, exist_ok=True)
        return cls.open_place(place, simulated, None if shop is None else on_server(shop))

    @classmethod
    def open_place(
        cls, place: Place, simulated: bool | None = None, shop: Place | None = None
    ) -> Store:
        """The same for a file or a database that is there."""
        store = cls(place, database.engine_of(place))
        try:
            store.make_ready()
            if simulated is not None:
                store._stamp(simulated)
            if shop is not None:
                store.shop = Shop(store, cls(shop, database.engine_of(shop), store.keyring.place))
                store.shop.join()
        except BaseException:
            store.close()
            raise
        return store

    def make_ready(self) -> None:
        """Bring a file's tables to this version; refuse a server's that are of another one."""
        with database.in_words(self.place):
            upgrading.make_ready(self._engine, self.place)

    @property
    def path(self) -> Path:
        """The record file. Raises StoreUnavailable where it is on a server."""
        if self.place.path is None:
            raise StoreUnavailable(self.place.name, "is no file", "name a home")
        return self.place.path

    def close(self) -> None:
        """Release the file, or the connections; leave the heads of what was signed beside the keys."""
        for chain in sorted(self.keyring.chains):
            with suppress(ResultsError), self._reading() as connection:
                remembered.renew(connection, self.keyring, chain)
        self.keyring.chains.clear()
        if self.shop is not None:
            self.shop.close()
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def simulated(self) -> bool | None:
        """What the home holds; None before any bench has used it."""
        with self._reading() as connection:
            return appending.nature(connection)

    # ---- writing --------------------------------------------------------------------------------

    def append(
        self,
        kind: str,
        bench: str,
        body: Mapping[str, Any],
        trace: bytes | None = None,
        at_ms: int | None = None,
    ) -> Record:
        """Add a record to the bench's chain and return it, durable.

        ``at_ms``: UTC in ms, else now. An intake without "part" gets the next part number. With
        ``trace`` (bytes of ``results.trace``) the body gets "trace": its hash, columns and rows.
        It is signed with the chain's key, made at the chain's first record. Raises BadRecord,
        NotFound (a closing without opening, an opening without part), MixedHome, KeyUnusable,
        StoreUnavailable; then nothing is stored.
        """
        what = appending.given(kind, bench, body, trace, at_ms)
        with self._writing() as connection:
            record = appending.insert(connection, what, self.keyring)
        if self.shop is not None:
            self.shop.exchange()
        return record

    def close_interrupted(self, bench: str, work: Path) -> list[Record]:
        """Close what a crash of this bench left open, with the readings of its journals in ``work``.

        Only for the holder of the bench's lock: nobody else may be running it. Journals whose attempt
        is closed are pruned.
        """
        closings = []
        for opening in self.open_attempts(bench):
            body, blob = recovery.interrupted(opening, work)
            closings.append(self.append("closing", bench, body, trace=blob))
        self._prune_closed(bench, work)
        return closings

    # ---- reading --------------------------------------------------------------------------------

    def get(self, number: str) -> Record:
        """The record R-000123. Raises NotFound, ChainBroken."""
        with self._reading() as connection:
            record = history.by_number(connection, number)
        if record is None:
            raise NotFound(f"record {number}", "not in this home", "`history` lists what is there")
        return record

    def closing_of(self, opening: str) -> Record | None:
        """The closing of an opening, None while it is open."""
        with self._reading() as connection:
            return history.closing_of(connection, opening)

    def trace(self, number: str) -> dict[str, list[int | None]]:
        """The trace of a closing, column by column. Raises NotFound if it has none."""
        named = self.get(number).body.get("trace")
        if not named:
            raise NotFound(f"record {number}", "has no trace")
        with self._reading() as connection:
            query = select(TRACES.c.bytes).where(TRACES.c.sha256 == named["sha256"])
            blob = connection.execute(query).scalar()
        if blob is None:
            raise NotFound(f"record {number}", "its trace is missing", "restore a backup")
        return trace.decode(blob)

    def newest(
        self, kind: str, bench: str | None = None, where: Mapping[str, object] | None = None
    ) -> Record | None:
        """The newest record of a kind whose body has the members in ``where``."""
        with self._reading() as connection:
            return next(history.of_kind(connection, kind, bench, where), None)

    def newest_of(self, bench: str) -> Record | None:
        """The newest record of a bench's chain."""
        with self._reading() as connection:
            return history.newest_of(connection, bench)

    def every(
        self, kind: str, bench: str | None = None, where: Mapping[str, object] | None = None
    ) -> list[Record]:
        """All records of a kind, newest first."""
        with self._reading() as connection:
            return list(history.of_kind(connection, kind, bench, where))

    def history(
        self,
        limit: int | None = 50,
        part: str | None = None,
        verdict: str | None = None,
        bench: str | None = None,
        before: str | None = None,
    ) -> list[Attempt]:
        """The newest attempts first, filtered; ``limit`` None: all of them.

        ``before``: only those opened before that record."""
        with self._reading() as connection:
            return history.attempts(connection, limit, Filters(part, verdict, bench, before))

    def search(self, wanted: Wanted, limit: int | None = 50) -> list[Attempt]:
        """The newest attempts that are like that, newest first; ``limit`` None: all of them."""
        with self._reading() as connection:
            return searching.search(connection, wanted, limit)

    def part(self, number: str) -> Record:
        """The newest intake of part P-0001. Raises NotFound."""
        with self._reading() as connection:
            found = history.parts(connection, [place_of(number)])
        if not found:
            raise NotFound(f"part {number}", "not registered in this home", "register it: intake")
        return found[0]

    def standing(self, number: str) -> Standing:
        """Who has a part, what was decided about it, what speaks against it. Raises NotFound."""
        with self._reading() as connection:
            return custody.standing(connection, number, appending.nature(connection))

    def parts(self) -> list[Record]:
        """The newest intake of each part."""
        with self._reading() as connection:
            return history.parts(connection)

    def next_part_number(self) -> str:
        """The number that the next intake would get. Another process may take it first: leave "part"
        out of the intake's body instead, and read it in the record that ``append`` returns."""
        with self._reading() as connection:
            return part_number(history.last_part(connection, history.home_place(connection)) + 1)

    def by_serial(self, serial: str, prefix: bool = False) -> list[Record]:
        """Intakes with this serial number (or beginning with it), newest first."""
        with self._reading() as connection:
            return history.by_serial(connection, serial, prefix)

    def restored_over(self, number: str) -> bool:
        """Whether a record is from before this store came back from a backup."""
        with self._reading() as connection:
            return history.restored_over(connection, number)

    def open_attempts(self, bench: str | None = None) -> list[Record]:
        """Openings without a closing, oldest first."""
        with self._reading() as connection:
            return history.open_attempts(connection, bench)

    def benches(self) -> list[str]:
        """Whose chains are here."""
        with self._reading() as connection:
            query = select(R.bench).distinct().order_by(R.bench)
            return list(connection.execute(query).scalars())

    def verify_chain(self, bench: str) -> list[Problem]:
        """Everything wrong with one bench's chain; empty when it is whole."""
        with self._reading() as connection:
            return list(checking.walk(connection, bench).problems)

    def verify(self) -> list[Problem]:
        """All chains, and numbers missing from the home."""
        problems = [found for bench in self.benches() for found in self.verify_chain(bench)]
        with self._reading() as connection:
            return problems + list(numbering_problems(connection))

    # ---- inside ---------------------------------------------------------------------------------

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with database.in_words(self.place), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        # the keys inside of the transaction: a commit whose answer went astray may have been one
        words, writer = database.in_words(self.place), self._writer
        with words, writer.begin() as connection, self.keyring.settling():
            yield connection

    def _stamp(self, simulated: bool) -> None:
        with self._writing() as connection:
            held = appending.nature(connection)
            if held is None:
                values = {"id": 1, "simulated": simulated, "at_ms": appending.now_ms()}
                connection.execute(HOME.insert().values(values))
        if held not in (None, simulated):
            raise MixedHome(
                str(self.place.path.parent if self.place.path else self.place.name),
                f"holds {NATURE[not simulated]} records, the bench is {NATURE[simulated]}",
                "choose another home with --home: simulated and real records never share one",
            )

    def _prune_closed(self, bench: str, work: Path) -> None:
        for number in recovery.left_over(work):
            closing = self.closing_of(number)
            if closing is None or closing.bench != bench or closing.body.get("journal_kept"):
                continue  # running, another bench's, or unreadable and kept for a person
            journal.prune(recovery.journal_path(work, number))
