"""SIGKILL at drawn moments of a running test; then: is everything that was announced there, and whole?

Run: python -m tests.results.killing PLACE --work DIRECTORY --kills 20 --seed 1 [--shop URL]. PLACE is
a home's directory or a server's URL. Prints one JSON object. A process of its own, because it forks.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import select
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from results import trace
from results.journal import Journal, columns
from results.recovery import journal_path
from results.store import Store
from tests.results.world import closing, opening, where

BENCH = "b1"
ROWS, SYNC_EACH = 20, 5
MOST = 14  # announcements before the kill, however slow the machine; then a moment more
LONGEST_S = 0.05
START_S = 60.0


@dataclass(slots=True)
class Seen:
    """What the killed processes announced: hash by record, synced rows by opening."""

    records: dict[str, str] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)

    def take(self, line: str) -> None:
        """One announcement, made only after what it names was durable."""
        match line.split():
            case ["record", number, sha256]:
                self.records[number] = sha256
            case ["rows", number, count]:
                self.rows[number] = int(count)


def prove_forever(
    place: Path | str, work: Path, shop: str | None, say: Callable[[str], None]
) -> None:
    """Attempt after attempt, as the rig keeps its books; never returns."""
    with Store.open(place, simulated=True, shop=shop) as store:
        for closed in store.close_interrupted(BENCH, work):
            say(f"record {closed.number} {closed.sha256}")
        while True:
            _prove(store, work, say)


def _prove(store: Store, work: Path, say: Callable[[str], None]) -> None:
    opened = store.append("opening", BENCH, opening())
    say(f"record {opened.number} {opened.sha256}")
    journal = Journal(journal_path(work, opened.number), opened.number)
    entries = [{"row": {"t_ms": 100 * place, "leakage_ua": 200 + place}} for place in range(ROWS)]
    for place, entry in enumerate(entries, start=1):
        journal.append(entry)
        if place % SYNC_EACH == 0:
            journal.sync()
            say(f"rows {opened.number} {place}")
    blob = trace.encode(columns(entries))
    done = store.append("closing", BENCH, closing(opened.number), trace=blob)
    say(f"record {done.number} {done.sha256}")
    journal.close()
    journal.prune()


def killed(
    lines: int, after_s: float, run: Callable[[Callable[[str], None]], None]
) -> Iterator[str]:
    """What a child that runs ``run`` announced before SIGKILL: so long after so many lines."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        _child(write, run)
    os.close(write)
    text, given_up_s = b"", time.monotonic() + START_S
    while text.count(b"\n") < lines and time.monotonic() < given_up_s:
        if select.select([read], [], [], 1.0)[0]:
            some = os.read(read, 1 << 16)
            text += some
            if not some:
                break
    last_s = time.monotonic() + after_s
    while (left_s := last_s - time.monotonic()) > 0 and select.select([read], [], [], left_s)[0]:
        if not (some := os.read(read, 1 << 16)):
            break
        text += some
    os.kill(child, signal.SIGKILL)
    while some := os.read(read, 1 << 16):
        text += some
    os.close(read)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        raise RuntimeError(f"the child ended by itself: {text.decode()[-2000:]}")
    yield from text.decode().split("\n")[:-1]  # a torn last line was not announced


def _child(write: int, run: Callable[[Callable[[str], None]], None]) -> None:
    try:
        run(lambda words: void(os.write(write, words.encode() + b"\n")))
    except BaseException as fault:
        os.write(write, f"fault {fault!r}\n".encode())
    os._exit(1)


def void(_value: object) -> None:
    """Nothing."""


def judged(place: Path | str, work: Path, shop: str | None, seen: Seen) -> dict[str, Any]:
    """What is wrong afterwards; every list must be empty."""
    with Store.open(place, simulated=True, shop=shop) as store:
        store.close_interrupted(BENCH, work)
        _handed_over(store)
        kept = {one.number: one for k in ("opening", "closing") for one in store.every(k)}
        closings = store.every("closing")
        interrupted = [one for one in closings if one.body["verdict"] == "interrupted"]
        short = [
            one.number
            for one in interrupted
            if (one.body["trace"] or {"rows": 0})["rows"] < seen.rows.get(one.body["opening"], 0)
        ]
        return {
            "announced": len(seen.records),
            "stored": len(kept),
            "interrupted": len(interrupted),
            "lost": [
                n for n, sha in seen.records.items() if n not in kept or kept[n].sha256 != sha
            ],
            "open": [one.number for one in store.open_attempts()],
            "readings_lost": short,
            "problems": [str(problem) for problem in store.verify()],
            "journals_left": [path.name for path in work.glob("*.journal")],
            "not_handed_over": _not_handed_over(store, shop),
        }


def _handed_over(store: Store) -> None:
    """A busy machine may have been taken for a lost server; then it is asked again."""
    last_s = time.monotonic() + START_S
    while store.shop is not None and store.shop.words and time.monotonic() < last_s:
        store.shop._ask_again_s = 0.0
        store.shop.exchange()


def _not_handed_over(store: Store, shop: str | None) -> list[str]:
    if shop is None:
        return []
    with Store.open(shop) as whole:
        there = {(one.number, one.sha256) for k in ("opening", "closing") for one in whole.every(k)}
        here = {(one.number, one.sha256) for k in ("opening", "closing") for one in store.every(k)}
        problems = [str(problem) for problem in whole.verify()]
    return sorted(number for number, _ in here ^ there) + problems


def kill(
    place: Path | str, work: Path, shop: str | None, kills: int, chance: random.Random
) -> dict[str, Any]:
    """All of it."""
    work.mkdir(parents=True, exist_ok=True)
    seen = Seen()
    Store.open(place, simulated=True, shop=shop).close()  # what a child would import, it has then
    for _ in range(kills):
        after_s = chance.uniform(0.0, LONGEST_S)
        lines = chance.randint(0, MOST)
        for line in killed(lines, after_s, lambda say: prove_forever(place, work, shop, say)):
            seen.take(line)
    return {"kills": kills, **judged(place, work, shop, seen)}


def main(argv: Sequence[str] | None = None) -> int:
    """Print what came of it; 1 if anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("place")
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--shop")
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(argv)
    chance = random.Random(given.seed)
    done = kill(where(given.place), given.work, given.shop, given.kills, chance)
    print(json.dumps(done))
    return int(any(isinstance(value, list) and value for value in done.values()))


if __name__ == "__main__":
    sys.exit(main())
