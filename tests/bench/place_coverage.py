"""Does the place's 95 % interval hold the truth? ``python -m tests.bench.place_coverage [--parts N]``.

Parts are drawn (place, leak, neutral's drop), read by meters whose gain, zero and fixture errors are
drawn from the whole of their stated bounds, with noise; then located as the heater's procedure does.
The currents are Kirchhoff's, written out here: nothing of ``procedures`` is used to make them.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from procedures.place import Ways, drift_beyond, locate
from procedures.scan import Accuracy

METER = Accuracy(1.0, 0.01)
NOMINAL_V, SAMPLES, NOISE_MA = 120.0, 90, 0.001
DRAWN = np.ndarray


class Case(NamedTuple):
    """What is drawn: name, mA with both ends hot, neutral's most V, whether both ends were measured,
    noise of one sample in mA, the part of the meter's bounds that its errors use."""

    name: str
    least_ma: float
    most_ma: float
    neutral_v: float
    both: bool
    noise_ma: float
    errors: float


CASES = (
    Case("all three ways", 0.15, 3.0, 2.0, True, NOISE_MA, 1.0),
    Case("without both ends", 0.15, 3.0, 2.0, False, NOISE_MA, 1.0),
    Case("small leaks", 0.12, 0.3, 2.0, True, NOISE_MA, 1.0),
    Case("noise dominates", 0.5, 3.0, 2.0, True, 0.3, 0.0),
)


def covered(case: Case, parts: int, seed: int) -> float:
    """The share of ``parts`` whose interval holds the truth."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(0.0, 1.0, parts)
    g = rng.uniform(case.least_ma, case.most_ma, parts) / NOMINAL_V
    n = rng.uniform(-case.neutral_v, case.neutral_v, parts)
    true = (
        g * (NOMINAL_V * (1.0 - x) + n * x),
        g * (n * (1.0 - x) + NOMINAL_V * x),
        g * NOMINAL_V,
        g * (NOMINAL_V * (1.0 - x) + n * x),
    )
    gain = 1.0 + case.errors * rng.uniform(-0.01, 0.01, parts)
    zero = case.errors * rng.uniform(-0.01, 0.01, parts)
    first, second, both, again = (_read(rng, row, gain, zero, case) for row in true)
    error = case.noise_ma / np.sqrt(SAMPLES)
    ways = Ways(
        line_neutral=(first + again) / 2.0,
        neutral_line=second,
        both=both if case.both else None,
        u=(error / np.sqrt(2.0), error, error),
        dof=SAMPLES - 1.0,
        nominal_v=NOMINAL_V,
        drift=drift_beyond(first, again, error * np.sqrt(2.0)),
    )
    meter = METER if case.errors else Accuracy(0.0, 0.0)
    found = locate(ways, meter)
    return float(np.mean((found.low <= x) & (x <= found.high)))


def _read(rng: np.random.Generator, true: DRAWN, gain: DRAWN, zero: DRAWN, case: Case) -> DRAWN:
    """A stage's mean: one meter's errors in all of them, the fixture's own in each."""
    fixture = case.errors * rng.uniform(-0.01, 0.01, len(true))
    noise = rng.normal(0.0, case.noise_ma / np.sqrt(SAMPLES), len(true))
    return np.asarray(true * gain + zero + fixture + noise)


def main(args: Sequence[str] | None = None) -> int:
    """Print the coverage of each case; 1 when one is below 94 %."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(args)
    print(f"{given.parts} parts, seed {given.seed}: the place is within its 95 % interval")
    shares = {case.name: covered(case, given.parts, given.seed) for case in CASES}
    for name, share in shares.items():
        print(f"  {name:20} {100.0 * share:6.2f} %")
    return 0 if min(shares.values()) >= 0.94 else 1


if __name__ == "__main__":
    raise SystemExit(main())
