"""The history's questions among 10,000 and among 1,000,000 records, side by side in one run.

Run: python -m tests.bench.store_scale [--postgresql]. Not a test: it prints medians in ms and the ratio
of the two sizes. Records are made in bulk, past ``append`` and its triggers' cost; the questions are
the store's own.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from results import backup, copying, database, upgrading
from results.places import on_server
from results.record import FIRST_PREV, folded, number_of, part_number
from results.store import Store
from tests.postgresql import server
from tests.results.world import INTAKE, closing, opening

EACH = 3  # records a part: intake, opening, closing
INSERT = """INSERT INTO records (id, number, bench, seq, kind, at_ms, part, serial, closes, verdict,
 sha256, json) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"""
AT_MS = 1_700_000_000_000


def serial_of(part: int) -> str:
    """Spread over the alphabet, as shops' serial numbers are."""
    return f"LK{part * 7919 % 100:02d}-{part:07d}"


def rows(count: int) -> Iterator[tuple[Any, ...]]:
    """Whole chained records: part after part is registered, opened and closed."""
    ends = {"shop": (0, FIRST_PREV), "b1": (0, FIRST_PREV)}
    for row in range(1, count + 1):
        part, step = divmod(row - 1, EACH)
        yield _row(row, part + 1, step, ends)


def _row(row: int, part: int, step: int, ends: dict[str, tuple[int, str]]) -> tuple[Any, ...]:
    kind = ("intake", "opening", "closing")[step]
    serial, bench = None if step else serial_of(part), "b1" if step else "shop"
    bodies: tuple[dict[str, Any], ...] = (
        {**INTAKE, "serial": serial, "part": part_number(part)},
        opening(part_number(part)),
        closing(number_of(row - 1), "fail" if part % 5 == 0 else "pass"),
    )
    seq, prev = ends[bench]
    text = json.dumps(
        {
            "at_ms": AT_MS + row,
            "bench": bench,
            "body": bodies[step],
            "format": 1,
            "kind": kind,
            "number": number_of(row),
            "prev": prev,
            "seq": seq + 1,
            "simulated": True,
        },
        sort_keys=True,
        separators=(",", ":"),
    )
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    ends[bench] = (seq + 1, sha256)
    closes, verdict = (row - 1, bodies[2]["verdict"]) if step == 2 else (None, None)
    named = part if step < 2 else None
    place = (row, row, bench, seq + 1, kind, AT_MS + row)
    return (*place, named, serial and folded(serial), closes, verdict, sha256, text)


def filled(home: Path, count: int) -> Store:
    """A home with so many records."""
    Store.open(home, simulated=True).close()
    with sqlite3.connect(home / "records.sqlite") as file:
        file.execute("DROP TRIGGER records_no_replace")
        file.execute("PRAGMA synchronous=OFF")
        file.executemany(INSERT, rows(count))
    file.close()
    return Store.open(home)


def on(url: str, home: Store) -> Store:
    """The same records on a server."""
    place = on_server(url)
    upgrading.prepare(place)
    engine = database.engine_of(place)
    with home._reading() as source, database.writer_of(engine).begin() as target:
        copying.copy_rows(source, target)
        backup.mark(target)
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")  # the server does it by itself, in its time
    engine.dispose()
    return Store.open(url)


def questions(store: Store, count: int) -> dict[str, Callable[[int], object]]:
    """By name: what is asked, differently at each turn."""
    parts = count // EACH

    def part(turn: int) -> int:
        return 1 + turn * 104_729 % parts

    return {
        "one serial": lambda turn: _some(store.by_serial(serial_of(part(turn)))),
        "newest 50": lambda _: _some(store.history(50)),
        "prefix": lambda turn: _some(store.by_serial(serial_of(part(turn))[:-1], prefix=True)),
        "newest 50 that failed": lambda _: _some(store.history(50, verdict="fail")),
        "one part's attempts": lambda turn: _some(store.history(50, part=part_number(part(turn)))),
        "one record": lambda turn: store.get(number_of(1 + turn * 104_729 % count)),
    }


def _some(found: Sequence[object]) -> None:
    if not found:
        raise RuntimeError("nothing found: the question was not asked right")


def timed(small: Store, large: Store, counts: Sequence[int], turns: int) -> dict[str, list[float]]:
    """By question: median ms at each size; they take turns."""
    asked = [questions(store, count) for store, count in zip((small, large), counts, strict=True)]
    found: dict[str, list[float]] = {}
    for name in asked[0]:
        spent: tuple[list[float], list[float]] = ([], [])
        for turn in range(turns):
            for one, took in zip(asked, spent, strict=True):
                start_s = time.perf_counter()
                one[name](turn)
                took.append(1e3 * (time.perf_counter() - start_s))
        found[name] = [statistics.median(took) for took in spent]
    return found


def report(kind: str, counts: Sequence[int], found: dict[str, list[float]]) -> str:
    """Medians in ms, and large beside small."""
    lines = [f"{kind:<24}" + "".join(f"{count:>12,}" for count in counts) + f"{'ratio':>8}"]
    for name, (small, large) in found.items():
        lines.append(f"{name:<24}{small:>12.2f}{large:>12.2f}{large / small:>8.2f}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", type=int, default=9_999)
    parser.add_argument("--large", type=int, default=999_999)
    parser.add_argument("--turns", type=int, default=101)
    parser.add_argument("--postgresql", action="store_true", help="ask a server too")
    given = parser.parse_args(argv)
    counts = (given.small, given.large)
    with ExitStack() as stack:
        name = stack.enter_context(tempfile.TemporaryDirectory(prefix="milliproof-bench-"))
        homes = [stack.enter_context(filled(Path(name) / str(n), n)) for n in counts]
        print(report("SQLite", counts, timed(homes[0], homes[1], counts, given.turns)), flush=True)
        if given.postgresql:
            running = stack.enter_context(server())
            urls = [running.url(running.database()) for _ in counts]
            shops = [stack.enter_context(on(u, home)) for u, home in zip(urls, homes, strict=True)]
            print(report("PostgreSQL", counts, timed(shops[0], shops[1], counts, given.turns)))


if __name__ == "__main__":
    main()
