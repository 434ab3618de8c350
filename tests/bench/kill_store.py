"""Kills a running test at drawn moments, on each kind of store, and counts what is lost: nothing.

Run: python -m tests.bench.kill_store [--kills 200] [--seed 1]. PostgreSQL is a server of its own
(tests/postgresql.py). Exit code 1 when anything announced is lost or a chain isn't whole.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from results import upgrading
from tests.postgresql import server
from tests.results.killing import kill

COUNTS = ("kills", "announced", "stored", "interrupted")


def measure(kills: int, seed: int) -> dict[str, dict[str, Any]]:
    """By kind of store: counts, and lists of what went wrong."""
    with tempfile.TemporaryDirectory(prefix="milliproof-bench-") as name, server() as running:
        home, urls = Path(name), [running.url(running.database()) for _ in range(2)]
        for url in urls:
            upgrading.prepare(url)
        chance = random.Random(seed)
        return {
            "sqlite": kill(home / "one", home / "one", None, kills, chance),
            "postgresql": kill(urls[0], home / "two", None, kills, chance),
            "home with a shop": kill(home / "three", home / "three", urls[1], kills, chance),
        }


def report(found: dict[str, dict[str, Any]]) -> str:
    """One line each."""
    lines = [f"{'store':<18}" + "".join(f"{name:>13}" for name in COUNTS) + f"{'wrong':>8}"]
    for name, one in found.items():
        counts = "".join(f"{one[count]:>13}" for count in COUNTS)
        lines.append(f"{name:<18}{counts}{len(wrong(one)):>8}")
    return "\n".join([*lines, *(line for one in found.values() for line in wrong(one))])


def wrong(one: dict[str, Any]) -> list[str]:
    """Everything that isn't as it should be."""
    lists = {name: value for name, value in one.items() if isinstance(value, list)}
    return [f"{name}: {entry}" for name, value in lists.items() for entry in value]


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(argv)
    found = measure(given.kills, given.seed)
    print(report(found))
    return int(any(wrong(one) for one in found.values()))


if __name__ == "__main__":
    sys.exit(main())
