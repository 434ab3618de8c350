"""What vector, spectrum and networks cost beside a bare transform of the same data, side by side.

Run: python -m tests.bench.spectrum_cost. Not a test: it prints medians and ratios. Each row does what
its name says from the samples on, its own transform included, on windows of 12 cycles of 60 Hz as the
virtual bench's meter captures them; "all" is everything that a record holds.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from procedures.arrays import FloatArray
from procedures.spectrum import against, groups, phasor, spectrum, subgroups
from procedures.waveform import readout
from tests.bench.ratios import ratio

CYCLES, RATE_HZ, POINTS = 12, 7680.0, 1536
Pair = tuple[float, float]


def vector(wave: FloatArray, supply: FloatArray) -> None:
    """Resistive and capacitive part of each part's leakage, against one supply."""
    against(phasor(wave, CYCLES), phasor(supply, CYCLES))


def everything(wave: FloatArray, supply: FloatArray) -> None:
    """DC, r.m.s., groups, subgroups, what lies between, four networks, rectified mean, and the vector."""
    found = readout(wave, CYCLES, RATE_HZ)
    against(found.fundamental, phasor(supply, CYCLES))


def lines(wave: FloatArray, _supply: FloatArray) -> None:
    """Groups and subgroups alone."""
    found = spectrum(wave, CYCLES, RATE_HZ)
    _ = groups(found), subgroups(found)


ROWS: Mapping[str, Callable[[FloatArray, FloatArray], None]] = {
    "vector": vector,
    "groups": lines,
    "all": everything,
}


def took_s(act: Callable[[], object], repeats: int) -> float:
    """Processor seconds of one call, of ``repeats`` in a row: other programs' turns don't count."""
    start_s = time.process_time()
    for _ in range(repeats):
        act()
    return (time.process_time() - start_s) / repeats


def measure(parts: int, rounds: int) -> dict[str, list[Pair]]:
    """By row: seconds of ours, and of the bare transform of the same samples right after."""
    rng = np.random.default_rng(1)
    supply = 170.0 * np.sin(np.linspace(0.0, 12 * 2 * np.pi, POINTS, endpoint=False))
    wave = 0.01 * supply + rng.normal(scale=0.1, size=(parts, POINTS))
    repeats = max(1, 512 // parts)
    pairs: dict[str, list[Pair]] = {name: [] for name in ROWS}
    for number in range(rounds + 1):
        for name, act in ROWS.items():
            ours = took_s(lambda act=act: act(wave, supply), repeats)  # type: ignore[misc]
            bare = took_s(lambda: np.fft.rfft(wave), repeats)
            if number:  # the first one fills the caches
                pairs[name].append((ours, bare))
    return pairs


def report(parts: int, pairs: Mapping[str, Sequence[Pair]]) -> str:
    """Medians in µs a part, and the median of the pairs' ratios."""
    lines = []
    for name, found in pairs.items():
        ours, bare = (1e6 * statistics.median(side) / parts for side in zip(*found, strict=True))
        row = f"{name} of {parts}"
        lines.append(f"{row:<18}{ours:>10.2f}{bare:>12.2f}{ratio(found):>8.2f}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--parts", type=int, nargs="+", default=[1, 16, 256])
    given = parser.parse_args(argv)
    # as after any large array: the allocator then keeps memory that it would else fetch each time
    np.ones(3_000_000)
    print(f"{given.rounds} rounds; bound 3 for all of many parts; one part pays for the calls")
    print(f"{'what':<18}{'µs a part':>10}{'FFT µs':>12}{'ratio':>8}")
    for parts in given.parts:
        print(report(parts, measure(parts, given.rounds)))


if __name__ == "__main__":
    main()
