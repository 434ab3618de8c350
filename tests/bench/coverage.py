"""Does the stated 95 % interval hold the truth? ``python -m tests.bench.coverage [--parts N]``.

Each part has a true leakage at some angle and a course; it is read by a meter whose gain, zero, fixture
and volts are drawn from the whole of their stated bounds, with noise that remembers. Level, type A and
budget are then found as a stage of the procedures finds them. The truth is the greatest true mean of any
window. Nothing of ``procedures`` makes the readings.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from procedures.level import WINDOW, levels
from procedures.scan import Accuracy
from procedures.uncertainty import Mean, leakage_budget
from tests.procedures.courses import Floats, course, remembering

NOMINAL_V = 120.0
EXACT = Accuracy(0.0, 0.0, resolution=0.0, temperature_percent_per_k=0.0, calibration_percent=0.0)
CHUNK = 200  # parts simulated at once; each chunk draws how much its noise remembers


class Case(NamedTuple):
    """What is drawn. ``remembers``: correlation from one sample to the next, from 0 to this."""

    name: str
    courses: tuple[str, ...]
    samples: tuple[int, ...]
    noise_ma: float
    remembers: float
    meter: Accuracy
    supply: Accuracy
    least: float
    most: float


CHANGING = ("drying", "rising", "stepping", "bursts", "periodic")
METER, SUPPLY = Accuracy(1.0, 0.01), Accuracy(0.5, 0.1)
CASES = (
    Case("the documented bench", ("steady",), (70, 150, 600), 0.002, 0.6, METER, SUPPLY, 0.94, 1.0),
    Case("the same, changing parts", CHANGING, (600,), 0.002, 0.3, METER, SUPPLY, 0.94, 1.0),
    Case("type A, independent", ("steady",), (70, 150, 600), 0.02, 0.0, EXACT, EXACT, 0.94, 0.96),
    Case("type A, remembering", ("steady",), (70, 150, 600), 0.01, 0.7, EXACT, EXACT, 0.94, 0.96),
    Case("type A, a whole soak", ("steady",), (3600,), 0.01, 0.7, EXACT, EXACT, 0.94, 0.96),
    Case("type A, changing parts", CHANGING, (600,), 0.01, 0.3, EXACT, EXACT, 0.94, 1.0),
)


class Share(NamedTuple):
    """How many of ``parts`` intervals hold the truth, and how many lie wholly below it."""

    held: int
    below: int
    parts: int

    @property
    def covered(self) -> float:
        """The share that hold it."""
        return self.held / self.parts


def covered(case: Case, parts: int, seed: int) -> Share:
    """Simulate ``parts`` in all, equally many of each length and course."""
    rng = np.random.default_rng(seed)
    held = below = done = 0
    kinds = [(n, name) for n in case.samples for name in case.courses]
    for which, (n, name) in enumerate(kinds):
        left = (parts * (which + 1)) // len(kinds) - done
        done += left
        while left > 0:
            count = min(left, CHUNK)
            error, u = _chunk(rng, case, name, n, count)
            held += int((np.abs(error) <= u).sum())
            below += int((error < -u).sum())
            left -= count
    return Share(held, below, parts)


def _chunk(
    rng: np.random.Generator, case: Case, name: str, n: int, count: int
) -> tuple[Floats, Floats]:
    """Error and expanded uncertainty of ``count`` parts."""
    size = course(name, rng, count, n, (0.1, 1.0)) * rng.uniform(0.3, 3.0, (count, 1))
    read, v, v_read = _read(rng, case, size)
    found = levels(read * (NOMINAL_V / v_read)[:, :, None])
    mean = Mean(found.y, found.u, found.dof, v.mean(axis=1))
    budget = leakage_budget(mean, NOMINAL_V, case.meter, case.supply, case.meter)
    return found.y - _worst(size), np.asarray(budget.expanded)


def _read(rng: np.random.Generator, case: Case, size: Floats) -> tuple[Floats, Floats, Floats]:
    """What meters show of ``size`` mA at nominal volts: vectors, volts, volts as read."""
    count, n = size.shape
    angle, meter, supply = rng.uniform(0.0, np.pi / 2.0, (count, 1)), case.meter, case.supply
    v = NOMINAL_V * (1.0 + 0.01 * remembering(rng, count, n, 0.99))
    gain, gain_v = (_within(rng, one.percent / 100.0, count) for one in (meter, supply))
    zero, fixture = _within(rng, meter.floor, count), _within(rng, meter.floor, count)
    v_read = v * (1.0 + gain_v) + _within(rng, supply.floor, count)
    true = size * v / NOMINAL_V
    shown = true * (1.0 + gain) + zero - fixture
    noise = [
        case.noise_ma * remembering(rng, count, n, float(rng.uniform(0.0, case.remembers)))
        for _ in range(2)
    ]
    vectors = np.stack(
        [shown * np.cos(angle) + noise[0], shown * np.sin(angle) + noise[1], 0.0 * size], axis=2
    )
    return vectors, v, v_read


def _within(rng: np.random.Generator, half: float, count: int) -> Floats:
    return rng.uniform(-half, half, (count, 1))


def _worst(size: Floats) -> Floats:
    """The greatest mean of any window: the truth that a stage's level stands for."""
    n = size.shape[1]
    starts = [*range(0, n - WINDOW + 1, WINDOW), n - WINDOW]
    return np.asarray(np.max([size[:, at : at + WINDOW].mean(axis=1) for at in starts], axis=0))


def main(args: Sequence[str] | None = None) -> int:
    """Print the shares; 1 when one is outside its bounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(args)
    print(f"{given.parts} parts, seed {given.seed}: intervals that hold the truth, in %")
    good = True
    for case in CASES:
        share = covered(case, given.parts, given.seed)
        fits = case.least <= share.covered <= case.most
        bounds = f"{100.0 * case.least:g} to {100.0 * case.most:g}"
        print(
            f"  {case.name:26} {100.0 * share.covered:6.2f}  ({bounds})"
            f"  wholly below: {100.0 * share.below / share.parts:5.2f}  {'' if fits else 'OUTSIDE'}"
        )
        good &= fits
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
