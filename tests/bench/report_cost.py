"""What `milliproof report RECORD` costs as a whole process, beside starting Python, in one run.

Run: python -m tests.bench.report_cost. Not a test: it prints medians and ratios. Wall time is what a
person waits, and on a busy machine says how busy it is; processor time is of the process and of the one
that sets the pages, which run side by side where there are two processors.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from results.store import Store
from tests.bench.ratios import ratio
from tests.bench.start_up import ENTRY, PYTHON, compiled
from tests.results.papers import attempted, registered

BOUND_S = 1.5
Cost = tuple[float, float]  # wall and processor seconds


def cost(command: Sequence[str], environment: Mapping[str, str]) -> Cost:
    """Of a process that must end well."""
    start_s = time.perf_counter()
    pid = os.posix_spawn(
        command[0], command, environment, file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, 1, 0)]
    )
    _, status, used = os.wait4(pid, 0)
    if status:
        raise SystemExit(f"ended with {os.waitstatus_to_exitcode(status)}: {' '.join(command)}")
    return time.perf_counter() - start_s, used.ru_utime + used.ru_stime


def measure(home: Path, closing: str, rounds: int) -> list[tuple[Cost, Cost]]:
    """(the report, Python alone) of each round; each report is another file."""
    found = []
    with compiled() as environment:
        for number in range(rounds + 1):
            out = str(home / f"{number}.pdf")
            words = ("report", closing, "--home", str(home), "--out", out)
            pair = (
                cost((sys.executable, "-c", ENTRY, *words), environment),
                cost(PYTHON, environment),
            )
            if number:  # the first one fills the caches
                found.append(pair)
    return found


def report(found: Sequence[tuple[Cost, Cost]]) -> str:
    """Medians in ms, and the median of the pairs' ratios."""
    lines = [f"{'milliproof report':<22}{'ms':>8}{'python ms':>12}{'ratio':>8}"]
    for place, name in enumerate(("wall", "processor")):
        pairs = [(ours[place], bare[place]) for ours, bare in found]
        ours, bare = (1e3 * statistics.median(side) for side in zip(*pairs, strict=True))
        lines.append(f"{name:<22}{ours:>8.0f}{bare:>12.1f}{ratio(pairs):>8.2f}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=10)
    rounds = parser.parse_args(argv).rounds
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        with Store.open(home, simulated=True) as store:
            closing = attempted(store, registered(store)).number
        print(f"{rounds} rounds; bound {BOUND_S * 1e3:.0f} ms on a machine with nothing else to do")
        print(report(measure(home, closing, rounds)))


if __name__ == "__main__":
    main()
