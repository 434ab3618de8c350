"""A part kept energised by the rig's own scan loop until something ends it: what the real-time
benchmarks look at. Alone: python -m tests.bench.soaking BENCH HOME, for signals that kill.

From the attempt on it is what ``milliproof run`` does: guard, threads, journal, records. The family's
procedure alone is left out, because its dead tests would only make the waiting longer.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from procedures.scan import Declaration, Procedure
from rig.bench_file import load_bench
from rig.hands import VirtualHands
from rig.proving import Place, at_bench
from rig.run import Attempt, Result, attempt
from rig.scan_loop import Watcher
from tests.bench.scan_cost import BAY, SOAK

SERIAL = "STEP-1"
REST_MA = 0.5
SHELF = f"""
[parts.{SERIAL}]
family = "transformer"
rated_v = 120.0
rated_w = 30.0
leaks = [{{ resistive_ma = {REST_MA}, law = "step" }}]
"""
TURN_S = 0.002  # an idle thread looks at the clock this often


def attempt_with(place: Place, procedure: Procedure, watchers: tuple[Watcher, ...] = ()) -> Result:
    """One attempt on the bay's part; the virtual bench's hands do what a person would."""
    assert place.ours.remote is not None
    what = Attempt(
        {"bay": BAY, "part": "", "family": "transformer"},
        Declaration("transformer", frozenset({"line_neutral"})),
        procedure,
        BAY,
        True,
        VirtualHands(place.ours.remote, BAY),
        watchers,
    )
    return attempt(place.ours, place.store, place.home, what)


@dataclass(slots=True)
class Stalls:
    """How long an idle thread was kept from running: (when it ended, how long), in s."""

    found: list[tuple[float, float]] = field(default_factory=list)
    ended: threading.Event = field(default_factory=threading.Event)

    def longest_s(self, since_s: float = 0.0) -> float:
        """The longest one that ended after ``since_s`` (monotonic)."""
        return max((stall_s for end_s, stall_s in self.found if end_s >= since_s), default=0.0)

    def _log(self) -> None:
        before_s = time.monotonic()
        while not self.ended.is_set():
            time.sleep(TURN_S)
            now_s = time.monotonic()
            if (stall_s := now_s - before_s - TURN_S) > TURN_S:
                self.found.append((now_s, stall_s))
            before_s = now_s


@contextmanager
def idle_thread() -> Iterator[Stalls]:
    """Log stalls of this machine for the block."""
    stalls = Stalls()
    thread = threading.Thread(target=stalls._log, name="idle", daemon=True)
    thread.start()
    try:
        yield stalls
    finally:
        stalls.ended.set()
        thread.join()


def _for_ever() -> Procedure:
    while True:
        yield SOAK


def main(argv: Sequence[str] | None = None) -> None:
    """Soak until killed."""
    bench_path, home = sys.argv[1:] if argv is None else argv
    with at_bench(load_bench(Path(bench_path)), Path(home)) as place:
        print(attempt_with(place, _for_ever()).closing["reason"])


if __name__ == "__main__":
    main()
