"""How long a part stays energised after its controller was killed or stopped, in real time.

Run: python -m tests.bench.drop_out [--count 50] [--seed 1] [--json]. A controller keeps a part
energised on a virtual bench that runs by the wall clock; at a drawn moment it gets SIGKILL or
SIGSTOP, in turn. When the last changed heartbeat came and when the bus fell dead, the virtual bench
says; both processes read the same monotonic clock. An idle thread logs alongside how long this
machine kept it waiting. Exit code 1 when a bound is broken.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random
from typing import Any

from drivers.virtual.process import Options, launch
from drivers.virtual.remote import RemoteBench
from rig.bench_file import load_bench
from tests.bench.scan_cost import BAY
from tests.bench.soaking import SERIAL, SHELF, Stalls, idle_thread

ROOT = Path(__file__).parents[2]
SIGNALS = (signal.SIGKILL, signal.SIGSTOP)
SOAK_S = 2.0  # the signal comes at a moment drawn within this
MARGIN_S = 0.05  # what a median may take above the watchdog's time
PATIENCE_S = 60.0
LOOK_S = 0.01


@dataclass(frozen=True, slots=True)
class Try:
    """One signal. Times in s: from the last changed heartbeat and from the signal to the dead bus,
    and the longest stall from the heartbeat on."""

    signal: str
    from_beat_s: float
    from_signal_s: float
    stall_s: float


@dataclass(frozen=True, slots=True)
class Rig:
    """A virtual bench and what a controller needs to use it."""

    bench: Path
    home: Path
    remote: RemoteBench
    watchdog_s: float

    def moment(self, name: str) -> float:
        """A moment of the bench's; long ago when it never was."""
        return self.remote.moments()[name] or float("-inf")

    def start(self) -> subprocess.Popen[bytes]:
        """A controller as a process of its own."""
        command = [sys.executable, "-m", "tests.bench.soaking", str(self.bench), str(self.home)]
        environment = {**os.environ, "MILLIPROOF_STATE": str(self.home / "state")}
        none = subprocess.DEVNULL
        return subprocess.Popen(
            command, stdin=none, stdout=none, stderr=none, cwd=ROOT, env=environment
        )


def until(true: Callable[[], bool], words: str) -> None:
    """Wait for something the bench says; RuntimeError when it does not come."""
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end_s:
            raise RuntimeError(f"within {PATIENCE_S:g} s: not {words}")
        time.sleep(LOOK_S)


def one_try(rig: Rig, rng: Random, which: signal.Signals, stalls: Stalls) -> Try:
    """Energise, wait for a drawn moment, signal, wait for the bus to fall dead."""
    start_s = time.monotonic()
    process = rig.start()
    try:
        until(lambda: rig.moment("live_s") > start_s, "energised")
        time.sleep(rng.uniform(0.0, SOAK_S))
        if rig.moment("dead_s") > rig.moment("live_s"):
            raise RuntimeError("switched off before the signal came")
        signalled_s = time.monotonic()
        process.send_signal(which)
        until(lambda: rig.moment("dead_s") > signalled_s, "dead")
        beat_s, dead_s = rig.moment("beat_s"), rig.moment("dead_s")
    finally:
        process.kill()
        process.wait()
    stall_s = stalls.longest_s(beat_s)
    return Try(which.name, dead_s - beat_s, dead_s - signalled_s, stall_s)


@contextmanager
def bench_in_real_time() -> Iterator[Rig]:
    """A virtual bench by the wall clock with a part in its bay."""
    with tempfile.TemporaryDirectory(prefix="milliproof-bench-") as place:
        home = Path(place)
        shelf, bench = home / "shelf.toml", home / "bench.toml"
        shelf.write_text(SHELF, "utf-8")
        with launch(Options(shelf, real_time=True, bench_out=bench)) as said:
            host, _, port = str(said["control"]).rpartition(":")
            remote = RemoteBench(host, int(port))
            remote.hands("mount", bay=BAY, serial=SERIAL)
            timeout_s = load_bench(bench).spec.watchdog.timeout_s
            yield Rig(bench, home, remote, timeout_s)
            remote.close()


def measure(count: int, seed: int) -> tuple[list[Try], float]:
    """All tries, and the watchdog's time in s."""
    rng = Random(seed)
    with bench_in_real_time() as rig, idle_thread() as stalls:
        turns = [SIGNALS[n % len(SIGNALS)] for n in range(count)]
        return [one_try(rig, rng, which, stalls) for which in turns], rig.watchdog_s


# ---- what it prints ----------------------------------------------------------------------------------


def kept(tries: Sequence[Try], watchdog_s: float) -> dict[str, bool]:
    """The two bounds: the median's, and the worst one's with the longest stall of its own try."""
    bound_s = watchdog_s + MARGIN_S
    return {
        "median": statistics.median(one.from_beat_s for one in tries) <= bound_s,
        "worst": all(one.from_beat_s <= bound_s + one.stall_s for one in tries),
    }


def report(tries: Sequence[Try], watchdog_s: float) -> str:
    """Medians and worst, in ms, by signal and together."""
    lines = [f"{'signal':<10}{'tries':>6}{'from heartbeat ms':>24}{'from signal ms':>24}"]
    lines.append(f"{'':<16}{'median':>12}{'worst':>12}{'median':>12}{'worst':>12}")
    for name in (*(one.name for one in SIGNALS), "both"):
        some = [one for one in tries if name in (one.signal, "both")]
        if some:
            lines.append(_row(name, some))
    bound_ms, stall_ms = 1e3 * (watchdog_s + MARGIN_S), 1e3 * max(one.stall_s for one in tries)
    met = kept(tries, watchdog_s)
    words = {True: "kept", False: "BROKEN"}
    lines.append(f"longest stall of an idle thread: {stall_ms:.0f} ms")
    lines.append(f"median from heartbeat at most {bound_ms:.0f} ms: {words[met['median']]}")
    lines.append(f"worst at most that and its try's longest stall: {words[met['worst']]}")
    return "\n".join(lines)


def _row(name: str, tries: Sequence[Try]) -> str:
    cells = []
    for times_s in ([t.from_beat_s for t in tries], [t.from_signal_s for t in tries]):
        cells += [1e3 * statistics.median(times_s), 1e3 * max(times_s)]
    return f"{name:<10}{len(tries):>6}" + "".join(f"{cell:>12.0f}" for cell in cells)


def as_json(tries: Sequence[Try], watchdog_s: float) -> dict[str, Any]:
    """The same, with every try."""
    return {
        "watchdog_s": watchdog_s,
        "margin_s": MARGIN_S,
        "median_from_beat_s": statistics.median(one.from_beat_s for one in tries),
        "worst_from_beat_s": max(one.from_beat_s for one in tries),
        "median_from_signal_s": statistics.median(one.from_signal_s for one in tries),
        "worst_from_signal_s": max(one.from_signal_s for one in tries),
        "longest_stall_s": max(one.stall_s for one in tries),
        "kept": kept(tries, watchdog_s),
        "tries": [asdict(one) for one in tries],
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table; 1 when a bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args(argv)
    tries, watchdog_s = measure(asked.count, asked.seed)
    found = as_json(tries, watchdog_s)
    print(json.dumps(found) if asked.json else report(tries, watchdog_s))
    return 0 if all(found["kept"].values()) else 1


if __name__ == "__main__":
    sys.exit(main())
