"""What a scan costs beside the same transactions in bare loops, measured side by side in one run.

Run: python -m tests.bench.scan_cost. Not a test: it prints ratios (medians of several rounds).
A round is some hundred real scans of an energised part (guard, trace, journal and all), whose
transactions are noted at the lines, and then the same transactions to the same virtual bench in bare
loops: TCP by the stock pymodbus client, RTU by a select loop over a raw port, SCPI and the control
channel by a bare socket. Both sides wait for the same servers and the same simulated plant.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

from drivers.virtual.process import Options, launch
from procedures.scan import Declaration, Demand, Findings, Outcome, Procedure, Verdict
from results.store import Store
from rig.bench import OpenBench, opened
from rig.bench_file import load_bench
from rig.hands import VirtualHands
from rig.run import Attempt, Result, attempt
from tests.bench.bare import Bare, Bares, Sent, bare_loops
from tests.bench.ratios import ratio

BAY, SERIAL = 1, "TR50-8001"
CONTROL, SHOWN = "control", 10
BATCH_S = 0.25  # the recorder's last batch is written within this: it is not the bare loops' cost
SOAK = Demand(
    "soak",
    feed="line_neutral",
    energise=True,
    findings=Findings(True, {"line_neutral": 1.0}, control_seen=True),
    limit_ma=1.0,
    stage_s=1e6,
)
PAUSE = Demand("pause")


class Clocked(NamedTuple):
    """A method with and without a clock around it."""

    owner: Any
    name: str
    plain: Callable[..., Any]
    timed: Callable[..., Any]


@dataclass(slots=True)
class Meter:
    """While ``on`` notes each transaction; ``seconds`` of each line too, where a clock hangs."""

    on: bool = False
    sent: list[Sent] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)
    clocks: list[Clocked] = field(default_factory=list)

    def hang(self, owner: Any, name: str, line: str) -> None:
        """Prepare a clock on a method of a station or of the control channel."""
        plain = getattr(owner, name)
        self.clocks.append(Clocked(owner, name, plain, self.timed(line, plain)))

    def start(self, split: bool) -> None:
        """A new round. The clocks cost too: whole scans are timed without them."""
        self.sent, self.seconds, self.on = [], {}, True
        for one in self.clocks:
            setattr(one.owner, one.name, one.timed if split else one.plain)

    def timed(self, line: str, call: Callable[..., Any]) -> Callable[..., Any]:
        """``call``, its time charged to ``line``."""

        def charged(*args: Any) -> Any:
            start_s = time.perf_counter()
            try:
                return call(*args)
            finally:
                self.seconds[line] = self.seconds.get(line, 0.0) + time.perf_counter() - start_s

        return charged

    def noted(self, line: str, kind: str, exchange: Callable[..., Any]) -> Callable[..., Any]:
        """``exchange``, its request and reply noted."""

        def noting(request: Any, *args: Any) -> Any:
            reply = exchange(request, *args)
            if self.on:
                self.sent.append(Sent(line, kind, request, reply))
            return reply

        return noting


@dataclass(frozen=True, slots=True)
class Round:
    """Seconds of one round; ``scan_s`` is the whole scans' time, logic included. ``station_s`` and
    ``line_s``: by line, in our scans and in bare loops; the former only in every other round."""

    scans: int
    sent: int
    scan_s: float
    bare_s: float
    station_s: dict[str, float]
    line_s: dict[str, float]
    counts: dict[str, int]


def tap(ours: OpenBench, meter: Meter) -> None:
    """Hang the meter between stations and lines: where bytes leave the program and come back."""
    for name, station in ours.stations.items():
        kind = ours.bench.spec.lines[name].kind
        private: Any = station
        if kind in ("rtu", "modbus-tcp"):
            line = private._wire.line
            line.exchange = meter.noted(name, kind, line.exchange)
        elif kind.startswith("scpi"):
            private._line.ask = meter.noted(name, kind, private._line.ask)
        meter.hang(station, "poll", name)
        meter.hang(station, "beat", name)
    remote: Any = ours.remote
    remote._exchange = meter.noted(CONTROL, CONTROL, remote._exchange)
    meter.hang(remote, "advance", CONTROL)


def soak(meter: Meter, bares: Bares, scans: int, rounds: int, done: list[Round]) -> Procedure:
    """Keeps a part energised for some rounds of scans; between them, with everything off because a
    program that stands still may keep nothing on, the bare loops have their turn."""
    demand = SOAK
    for number in range(2 * rounds + 1):
        scan = yield SOAK
        while scan.feed != SOAK.feed:
            scan = yield SOAK
        meter.start(split=number % 2 == 0)
        start_s = time.perf_counter()
        for turn in range(scans):
            if turn % SHOWN == 0:  # a demand moves the screen's progress once a second
                demand = replace(SOAK, progress=turn / scans)
            scan = yield demand
        scan_s = time.perf_counter() - start_s
        meter.on = False
        if scan.feed != SOAK.feed:
            raise RuntimeError(f"the part is no longer energised: {scan.state} {scan.waiting}")
        while not scan.off:
            scan = yield PAUSE
        time.sleep(BATCH_S)
        bare = bares.replay(meter.sent)
        if number:  # the first one only warms up
            done.append(_round(scans, scan_s, meter, bare))
    return Outcome(Verdict("none", "benchmark", "only the time was measured"))


def _round(scans: int, scan_s: float, meter: Meter, bare: Bare) -> Round:
    return Round(
        scans, len(meter.sent), scan_s, bare.total_s, dict(meter.seconds), bare.line_s, bare.counts
    )


@contextmanager
def bench_with_part() -> Iterator[tuple[OpenBench, Store, Path]]:
    """A virtual bench with a part clipped in, opened as for any run, and a home for its records."""
    with ExitStack() as stack:
        home = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="milliproof-bench-")))
        stack.enter_context(launch(Options(bench_out=home / "bench.toml")))
        ours = stack.enter_context(opened(load_bench(home / "bench.toml")))
        store = Store.open(home, simulated=True)
        stack.callback(store.close)
        assert ours.remote is not None
        ours.remote.hands("mount", bay=BAY, serial=SERIAL)
        yield ours, store, home


def measure(scans: int, rounds: int) -> list[Round]:
    """Run it all; RuntimeError when the part could not be kept energised."""
    done: list[Round] = []
    with bench_with_part() as (ours, store, home):
        assert ours.remote is not None
        meter = Meter()
        tap(ours, meter)
        with bare_loops(ours.bench) as bares:
            what = Attempt(
                {"bay": BAY, "part": "", "family": "transformer"},
                Declaration("transformer", frozenset({"line_neutral"})),
                soak(meter, bares, scans, rounds, done),
                BAY,
                True,
                VirtualHands(ours.remote, BAY),
            )
            _complain(attempt(ours, store, home, what), len(done) == 2 * rounds)
    return done


def _complain(result: Result, complete: bool) -> None:
    if result.fault is not None:
        raise result.fault
    if not complete:
        raise RuntimeError(f"ended early: {result.closing['reason']}")


# ---- what it prints ----------------------------------------------------------------------------------


def report(rounds: Sequence[Round]) -> str:
    """Medians over the rounds, in µs a scan: each line, the scan's own work, the whole."""
    split = [one for one in rounds if one.station_s]
    whole = [one for one in rounds if not one.station_s]
    lines = [f"{'line':<10}{'a scan':>8}{'scan µs':>10}{'bare µs':>10}{'ratio':>8}"]
    for name in split[0].line_s:
        count = statistics.median(one.counts[name] / one.scans for one in split)
        pairs = [(one.station_s[name] / one.scans, one.line_s[name] / one.scans) for one in split]
        lines.append(_row(name, count, pairs))
    own = [(one.scan_s - sum(one.station_s.values())) / one.scans for one in split]
    lines.append(f"{'own work':<10}{'':>8}{1e6 * statistics.median(own):>10.1f}")
    pairs = [(one.scan_s / one.scans, one.bare_s / one.scans) for one in whole]
    lines.append(_row("scan", statistics.median(one.sent / one.scans for one in whole), pairs))
    return "\n".join(lines)


def _row(name: str, count: float, pairs: Sequence[tuple[float, float]]) -> str:
    scan, bare = (1e6 * statistics.median(side) for side in zip(*pairs, strict=True))
    return f"{name:<10}{count:>8.2f}{scan:>10.1f}{bare:>10.1f}{ratio(pairs):>8.2f}"


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--scans",
        type=int,
        default=500,
        help="scans in a round, long enough for some journal syncs",
    )
    parser.add_argument("--rounds", type=int, default=9)
    asked = parser.parse_args(argv)
    rounds = measure(asked.scans, asked.rounds)
    print(f"{asked.rounds} rounds of {asked.scans} scans on {os.cpu_count()} cores; bound 1.5")
    print(report(rounds))


if __name__ == "__main__":
    main()
