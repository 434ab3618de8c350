"""Durable attempts a second, beside a bare sqlite3 loop that stores the same bytes, in one run.

Run: python -m tests.bench.store_cost. Not a test: it prints medians and the ratio of the two rates.
An attempt is an opening and a closing with its trace, each durable before the next step (two commits).
The bare side takes each stored row's bytes (record, hash, signature, log nodes) and trace, and inserts
them into two plain tables without an index, with the same journal mode and the same syncing.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing as closed
from pathlib import Path
from typing import Any

from results import trace
from results.store import Store
from tests.bench.ratios import ratio
from tests.rig.kept import closing

ROWS = 300  # of readings, three channels
CONDITIONS = 8
Pair = tuple[float, float]


def blob_of(turn: int) -> bytes:
    """A trace that no other attempt has."""
    times = list(range(0, 100 * ROWS, 100))
    chance = random.Random(turn)
    leakage, supply = (
        [round(chance.gauss(y, u)) for _ in times] for y, u in ((212, 3), (120_000, 150))
    )
    return trace.encode({"t_ms": times, "leakage_ua": leakage, "supply_mv": supply})


def ours(store: Store, turns: range) -> float:
    """Seconds for these attempts; the bodies are made beforehand."""
    body = closing("pass")
    body["conditions"] = body["conditions"] * CONDITIONS
    blobs = [blob_of(turn) for turn in turns]
    start_s = time.perf_counter()
    for blob in blobs:
        opened = store.append("opening", "b1", {"part": "", "family": "heater", "bay": 1})
        store.append("closing", "b1", {**body, "opening": opened.number}, trace=blob)
    return time.perf_counter() - start_s


def stored(path: Path, last: int) -> list[tuple[tuple[Any, ...], bytes | None]]:
    """The newest ``last`` records' bytes, in their order, with each closing's trace."""
    with closed(sqlite3.connect(path)) as file:
        rows = file.execute(
            "SELECT id, bench, json, sha256, signature, nodes FROM records ORDER BY id DESC LIMIT ?",
            (last,),
        ).fetchall()[::-1]
        blobs = file.execute("SELECT bytes FROM traces ORDER BY rowid DESC LIMIT ?", (last // 2,))
        traces = [row[0] for row in blobs][::-1]
    return [(row, traces[place // 2] if place % 2 else None) for place, row in enumerate(rows)]


def bare(file: sqlite3.Connection, rows: Sequence[tuple[tuple[Any, ...], bytes | None]]) -> float:
    """Seconds to store the same bytes, a commit for each record."""
    start_s = time.perf_counter()
    for row, blob in rows:
        file.execute("BEGIN IMMEDIATE")
        file.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?, ?)", row)
        if blob is not None:
            file.execute("INSERT INTO traces VALUES (?)", (blob,))
        file.execute("COMMIT")
    return time.perf_counter() - start_s


def measure(attempts: int, rounds: int) -> list[Pair]:
    """Seconds of both sides, round by round; the first one only warms up."""
    pairs = []
    with tempfile.TemporaryDirectory(prefix="milliproof-bench-") as name:
        home = Path(name)
        plain = sqlite3.connect(home / "bare.sqlite", isolation_level=None)
        for statement in (
            "PRAGMA journal_mode=WAL",
            "PRAGMA synchronous=FULL",
            "CREATE TABLE records (id, bench, json, sha256, signature, nodes)",
            "CREATE TABLE traces (bytes)",
        ):
            plain.execute(statement)
        with Store.open(home, simulated=True) as store, closed(plain):
            for number in range(rounds + 1):
                ours_s = ours(store, range(number * attempts, (number + 1) * attempts))
                bare_s = bare(plain, stored(store.path, 2 * attempts))
                if number:
                    pairs.append((ours_s, bare_s))
    return pairs


def report(attempts: int, pairs: Sequence[Pair]) -> str:
    """Attempts a second, medians; and how much of the bare loop's rate ours is."""
    mine, other = (attempts / statistics.median(side) for side in zip(*pairs, strict=True))
    of_bare = ratio([(bare_s, ours_s) for ours_s, bare_s in pairs])
    heads = f"{'':<10}{'attempts/s':>12}{'bare/s':>10}{'ratio':>8}"
    return f"{heads}\n{'durable':<10}{mine:>12.0f}{other:>10.0f}{of_bare:>8.2f}"


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--attempts", type=int, default=100, help="in a round")
    parser.add_argument("--rounds", type=int, default=9)
    given = parser.parse_args(argv)
    print(report(given.attempts, measure(given.attempts, given.rounds)))


if __name__ == "__main__":
    main()
