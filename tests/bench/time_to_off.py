"""From a leak above the limit to a dead bus, in real time, beside the curve that a GFCI must keep.

Run: python -m tests.bench.time_to_off [--count 10] [--baud 19200] [--seed 1] [--json]. A part is
energised with both leakage meters on it; at a moment drawn between two scans its leak steps from
0.5 mA to the current in question, with the bench's own GFCI made blind, so that the software is seen.
The relay board hangs on a Modbus RTU line whose bytes take a wire's time. The parts of the time:

    meter      from the step to the meters' first sample of it
    scan       from that sample to the scan that decides
    write      from that decision to the contactor coils switched off
    release    from there to the bus without voltage

Exit code 1 when one of them took longer than one meter update, one scan, one write and the release
together, plus the longest stall that an idle thread logged meanwhile.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from drivers.modbus import write_coils
from drivers.virtual.endpoints import BITS_A_BYTE, FRAME_END
from drivers.virtual.meters import LEAKAGE_PERIOD_S
from drivers.virtual.process import BAUDS, Options, launch
from drivers.virtual.remote import RemoteBench
from drivers.virtual.servers import REAL_TICK_S
from drivers.virtual.switchgear import DROP_OUT_S
from procedures.protection import curve_ma, longest_trip_s
from procedures.scan import Demand, Outcome, Procedure, Scan, Verdict
from rig.bench_file import load_bench
from rig.guard_seen import Decision
from rig.proving import Place, at_bench
from tests.bench.scan_cost import BAY, SOAK
from tests.bench.soaking import REST_MA, SERIAL, SHELF, Stalls, attempt_with, idle_thread

CURRENTS_MA = (6.0, 10.0, 20.0, 50.0, 100.0, 264.0)
SETTLE_S = 0.5  # live before a step may come
DRAWN_S = 1.0  # and then at a moment drawn within this
STEPS = ("meter_s", "scan_s", "write_s", "release_s")
OFF = Demand("off")


@dataclass(frozen=True, slots=True)
class Try:
    """One step. ``path`` is what switched off. Times in s; ``stall_s`` the longest stall meanwhile."""

    ma: float
    path: str
    meter_s: float
    scan_s: float
    write_s: float
    release_s: float
    total_s: float
    stall_s: float


@dataclass(slots=True)
class Steps:
    """Steps the leak from a thread of its own and collects what came of it."""

    remote: RemoteBench
    stalls: Stalls
    rng: Random
    todo: list[float]
    tries: list[Try] = field(default_factory=list)
    since_s: float = 0.0
    decided: tuple[float, str] | None = None
    off_s: float = 0.0
    timer: threading.Timer | None = None

    def draw(self) -> None:
        """The next step comes at a drawn moment, whatever the scan is doing then."""
        self.decided, self.off_s, self.since_s = None, 0.0, time.monotonic()
        delay_s = SETTLE_S + self.rng.uniform(0.0, DRAWN_S)
        how = {"bay": BAY, "ma": self.todo[0]}
        self.timer = threading.Timer(delay_s, self.remote.hands, ("step",), how)
        self.timer.start()

    def watch(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        """The scan that decided, and why. A watcher of the scan loop."""
        if self.timer is None or self.decided is not None:
            return
        if decision.state == "opening" and not self.off_s:
            self.off_s = scan.t_s  # the reason may come later: one meter waits for the other
        why = decision.event.kind if decision.event else decision.ended
        if why:
            self.decided = self.off_s or scan.t_s, why.partition(":")[0]

    def collect(self) -> None:
        """Once off is proved: what the bench says of the last step; the leak goes back to rest."""
        if self.timer is None:
            return
        self.timer.join()
        self.timer = None
        self.tries.append(self._try(self.todo.pop(0)))
        self.remote.hands("step", bay=BAY, ma=REST_MA)

    def _try(self, ma: float) -> Try:
        told = self.remote.moments()
        names = ("stepped_s", "sampled_s", "told_off_s", "dead_s")
        stepped_s, sampled_s, told_off_s, dead_s = (told[name] or 0.0 for name in names)
        if self.decided is None or not stepped_s < sampled_s < told_off_s <= dead_s:
            raise RuntimeError(f"{ma:g} mA: no such order of events: {told}, {self.decided}")
        at_s, path = self.decided
        return Try(
            ma=ma,
            path=path,
            meter_s=sampled_s - stepped_s,
            scan_s=at_s - sampled_s,
            write_s=told_off_s - at_s,
            release_s=dead_s - told_off_s,
            total_s=dead_s - stepped_s,
            stall_s=self.stalls.longest_s(stepped_s),
        )


def stepping(steps: Steps) -> Procedure:
    """Energise, let the leak step, wait until it is off; again, until all is done or it is ended."""
    scan = yield SOAK
    while steps.todo:
        while scan.feed != SOAK.feed:
            scan = yield SOAK
        steps.draw()
        while scan.event is None:
            scan = yield SOAK
        while not scan.off:
            scan = yield OFF
        steps.collect()
    return Outcome(Verdict("none", "benchmark", "only the time was measured"))


def run(place: Place, steps: Steps) -> None:
    """Attempts until every step was made: one that the guard ends loses none."""
    while steps.todo:
        left = len(steps.todo)
        result = attempt_with(place, stepping(steps), (steps.watch,))
        if result.fault is not None:
            raise result.fault
        steps.collect()
        if len(steps.todo) == left:
            raise RuntimeError(f"no step was made: {result.closing['reason']}")


@contextmanager
def bench_on_a_wire(baud: int) -> Iterator[tuple[Place, RemoteBench]]:
    """A virtual bench by the wall clock, its GFCI blind, opened; and a second hand for the leak."""
    with ExitStack() as stack:
        home = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="milliproof-bench-")))
        os.environ["MILLIPROOF_STATE"] = str(home / "state")
        shelf, bench = home / "shelf.toml", home / "bench.toml"
        shelf.write_text(SHELF, "utf-8")
        options = Options(shelf, real_time=True, bench_out=bench, baud=baud)
        said = stack.enter_context(launch(options))
        host, _, port = str(said["control"]).rpartition(":")
        remote = RemoteBench(host, int(port))
        stack.callback(remote.close)
        remote.hands("mount", bay=BAY, serial=SERIAL)
        remote.fault("gfci_dead")
        yield stack.enter_context(at_bench(load_bench(bench), home)), remote


@dataclass(frozen=True, slots=True)
class Bound:
    """What the time may be made of, in s."""

    meter_s: float
    scan_s: float
    write_s: float
    release_s: float

    @property
    def total_s(self) -> float:
        return self.meter_s + self.scan_s + self.write_s + self.release_s


def bound(scan_s: float, baud: int) -> Bound:
    """One meter update, one scan, one write of both coils until the board has it, one release; the
    last two each end at a tick of the bench."""
    request = write_coils(1, 0, (False, False)).rtu
    write_s = (len(request) + FRAME_END) * BITS_A_BYTE / baud
    return Bound(LEAKAGE_PERIOD_S, scan_s, write_s + REAL_TICK_S, DROP_OUT_S + REAL_TICK_S)


def measure(
    currents_ma: Sequence[float], count: int, baud: int, seed: int
) -> tuple[list[Try], Bound]:
    """All tries, the currents in turn, and the bound."""
    with bench_on_a_wire(baud) as (place, remote), idle_thread() as stalls:
        steps = Steps(remote, stalls, Random(seed), [*currents_ma] * count)
        run(place, steps)
        return steps.tries, bound(place.bench.scan_s, baud)


# ---- what it prints ----------------------------------------------------------------------------------


def within(tries: Sequence[Try], most: Bound) -> bool:
    """Whether every try kept the bound, the machine's own stalls allowed for."""
    return all(one.total_s <= most.total_s + one.stall_s for one in tries)


def crossing_ma(tries: Sequence[Try]) -> float:
    """The current above which UL 943 asks for less time than the worst try took."""
    return curve_ma(max(one.total_s for one in tries))


def report(tries: Sequence[Try], most: Bound) -> str:
    """Medians in ms by current, the worst, and the curve."""
    head = [step.removesuffix("_s") for step in STEPS]
    lines = [f"{'mA':>6}{'tries':>7}" + "".join(f"{one:>9}" for one in (*head, "median", "worst"))]
    lines[0] += f"{'UL 943':>9}  in time  switched off by"
    currents_ma = dict.fromkeys(one.ma for one in tries)
    lines += [_row(ma, [one for one in tries if one.ma == ma]) for ma in currents_ma]
    cells = [1e3 * getattr(most, step) for step in STEPS]
    total = f"{'':>9}{1e3 * most.total_s:>9.0f}"
    lines.append(f"{'at most':<13}" + "".join(f"{cell:>9.0f}" for cell in cells) + total)
    stall_ms = 1e3 * max(one.stall_s for one in tries)
    lines.append(f"all in ms; longest stall of an idle thread: {stall_ms:.0f} ms")
    lines.append(
        f"worst at most that much and the stall: {'kept' if within(tries, most) else 'BROKEN'}"
    )
    lines.append(
        f"above {crossing_ma(tries):.0f} mA the curve is faster: software is no protection"
    )
    return "\n".join(lines)


def _row(ma: float, tries: Sequence[Try]) -> str:
    cells = [statistics.median(getattr(one, step) for one in tries) for step in STEPS]
    totals_s = [one.total_s for one in tries]
    cells += [statistics.median(totals_s), max(totals_s), longest_trip_s(ma)]
    paths = ", ".join(f"{n} {words}" for words, n in Counter(t.path for t in tries).most_common())
    in_time = "yes" if max(totals_s) <= longest_trip_s(ma) else "no"
    times = "".join(f"{1e3 * cell:>9.0f}" for cell in cells)
    return f"{ma:>6g}{len(tries):>7}{times}  {in_time:<7}  {paths}"


def as_json(tries: Sequence[Try], most: Bound) -> dict[str, Any]:
    """The same, with every try."""
    return {
        "bound_s": {**asdict(most), "total_s": most.total_s},
        "worst_s": max(one.total_s for one in tries),
        "crossing_ma": crossing_ma(tries),
        "curve_s": {f"{ma:g}": longest_trip_s(ma) for ma in dict.fromkeys(t.ma for t in tries)},
        "kept": within(tries, most),
        "tries": [asdict(one) for one in tries],
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table; 1 when the bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10, help="tries for each current")
    parser.add_argument("--baud", type=int, choices=BAUDS, default=19200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args(argv)
    tries, most = measure(CURRENTS_MA, asked.count, asked.baud, asked.seed)
    found = as_json(tries, most)
    print(json.dumps(found) if asked.json else report(tries, most))
    return 0 if found["kept"] else 1


if __name__ == "__main__":
    sys.exit(main())
