"""What starting the command costs beside starting Python, measured side by side in one run.

Run: python -m tests.bench.start_up. Not a test: it prints medians and ratios. The command is started
as pip's own entry script starts it: same interpreter, ``rig.main:main`` imported and called; and with
its bytecode compiled beforehand, as pip does when it installs.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from tests.bench.ratios import ratio

ENTRY = "import sys; from rig.main import main; sys.argv[0] = 'milliproof'; sys.exit(main())"
PYTHON = (sys.executable, "-c", "pass")
COMMANDS = ("--help", "--version")
Pair = tuple[float, float]


def started_s(command: Sequence[str], environment: Mapping[str, str]) -> float:
    """Wall seconds from start to end of a process that must end well."""
    start_s = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
    return time.perf_counter() - start_s


@contextmanager
def compiled() -> Iterator[dict[str, str]]:
    """An environment that keeps bytecode, in a place of its own."""
    with tempfile.TemporaryDirectory(prefix="milliproof-bench-") as place:
        kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        yield {**kept, "PYTHONPYCACHEPREFIX": place}


def measure(rounds: int) -> dict[str, list[Pair]]:
    """By option: seconds of the command, and of Python started right before it."""
    pairs: dict[str, list[Pair]] = {option: [] for option in COMMANDS}
    with compiled() as environment:
        for number in range(rounds + 1):
            for option, found in pairs.items():
                bare_s = started_s(PYTHON, environment)
                pair = started_s((sys.executable, "-c", ENTRY, option), environment), bare_s
                if number:  # the first one fills the caches
                    found.append(pair)
    return pairs


def report(pairs: dict[str, list[Pair]]) -> str:
    """Medians in ms, and the median of the pairs' ratios."""
    lines = [f"{'command':<22}{'ms':>8}{'python ms':>12}{'ratio':>8}"]
    for option, found in pairs.items():
        ours, bare = (1e3 * statistics.median(side) for side in zip(*found, strict=True))
        lines.append(f"{'milliproof ' + option:<22}{ours:>8.1f}{bare:>12.1f}{ratio(found):>8.2f}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=20)
    rounds = parser.parse_args(argv).rounds
    print(f"{rounds} rounds; bound 5 for --help")
    print(report(measure(rounds)))


if __name__ == "__main__":
    main()
