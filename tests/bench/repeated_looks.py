"""False passes of a soak that is looked at again and again: ``python -m tests.bench.repeated_looks``.

A part truly at the limit is read for the longest soak; at each look from the minimum on it passes if
y + U lies within the limit, with type A counting as ``soak.py`` says, and the first pass ends the soak.
Told beside it: the same with k = 2 at every look. Worst counts: a part passes three tries only in all.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from procedures.leakage import Stage
from procedures.level import levels
from procedures.scan import Accuracy
from procedures.sequential import type_a_factor
from procedures.soak import Soak
from procedures.uncertainty import Mean, leakage_budget
from tests.bench.coverage import EXACT, METER, NOMINAL_V, SUPPLY
from tests.procedures.courses import Floats, remembering

LIMIT_MA, CHUNK, TRIES = 0.75, 250, 3
MORE = 3.0  # standard errors that a drawn share may lie above its bound


class Case(NamedTuple):
    """A soak of ``samples`` readings in its longest, from the ``least`` share on open to a pass."""

    name: str
    true_ma: float
    least: float
    samples: int
    noise_ma: float
    remembers: float
    meter: Accuracy
    supply: Accuracy
    most: float


WIDE = Accuracy(0.0, 0.049, resolution=0.0, calibration_percent=0.0)  # U = 0.08 at 0.80 mA
CASES = (
    Case("0.75 mA, type A, minimum 20 %", 0.75, 0.2, 300, 0.02, 0.0, EXACT, EXACT, 0.023),
    Case("0.75 mA, type A, remembering", 0.75, 0.2, 300, 0.01, 0.6, EXACT, EXACT, 0.023),
    Case("0.75 mA, type A, minimum 75 %", 0.75, 0.75, 300, 0.02, 0.3, EXACT, EXACT, 0.023),
    Case("0.75 mA, documented bench", 0.75, 0.2, 300, 0.005, 0.3, METER, SUPPLY, 0.023),
    Case("0.80 mA, U 0.08", 0.80, 0.2, 300, 0.005, 0.3, WIDE, EXACT, 0.001),
)


class Shares(NamedTuple):
    """False passes, as a share: with the looks' bounds, of worst of three, with k = 2 at each look."""

    bounded: float
    three: float
    naive: float
    u_ma: float


def shares(case: Case, parts: int, seed: int) -> Shares:
    """Simulate ``parts``, each tried ``TRIES`` times on the same bench."""
    rng = np.random.default_rng(seed)
    passed, naive, widths = [], [], []
    for start in range(0, parts, CHUNK):
        count = min(CHUNK, parts - start)
        errors = _errors(rng, case, count)
        tries = [_tried(rng, case, errors) for _ in range(TRIES)]
        passed.append(np.array([one[0] for one in tries]))
        naive.append(tries[0][1])
        widths.append(tries[0][2])
    each = np.concatenate(passed, axis=1)
    return Shares(
        float(each[0].mean()),
        float(each.all(axis=0).mean()),
        float(np.concatenate(naive).mean()),
        float(np.median(np.concatenate(widths))),
    )


def _errors(rng: np.random.Generator, case: Case, count: int) -> tuple[Floats, Floats]:
    """What one bench errs by in all its tries: gain with volts, and zero with fixture."""
    gain, volts = (
        rng.uniform(-a.percent, a.percent, count) / 100.0 for a in (case.meter, case.supply)
    )
    zero, fixture = (rng.uniform(-case.meter.floor, case.meter.floor, count) for _ in range(2))
    return (1.0 + gain) / (1.0 + volts), zero - fixture


def _tried(
    rng: np.random.Generator, case: Case, errors: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats]:
    """One try: passed with the bounds, passed with k = 2, and U at the last look."""
    gain, zero = (one[:, None] for one in errors)
    count = len(errors[0])
    soak = Soak(Stage("soak", "line_neutral", case.least * 600.0, 600.0))
    noise = [case.noise_ma * remembering(rng, count, case.samples, case.remembers) for _ in "12"]
    first = case.true_ma * gain + zero + noise[0]
    vectors = np.stack([first, noise[1], 0.0 * first], axis=2)
    passed, naive = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
    for look in range(soak.first, soak.last + 1):
        found = levels(vectors[:, : round(case.samples * look / soak.last)])
        y, u = found.y, np.full(count, math.nan)
        for bound, into in ((soak.pass_bound(look), passed), (2.0, naive)):
            wide = found.u * type_a_factor(bound, found.dof)
            mean = Mean(y, wide, found.dof, np.full(count, NOMINAL_V))
            budget = leakage_budget(mean, NOMINAL_V, case.meter, case.supply, case.meter)
            u = np.asarray(budget.expanded)
            into |= y + u <= LIMIT_MA
    return passed, naive, u


def main(args: Sequence[str] | None = None) -> int:
    """Print the shares; 1 when one is beyond its bound by more than chance."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(args)
    print(f"{given.parts} parts, seed {given.seed}: false passes in %")
    print(f"  {'':32} {'bounded':>8} {'3 tries':>8} {'k = 2':>8} {'at most':>8} {'U, mA':>7}")
    good = True
    for case in CASES:
        found = shares(case, given.parts, given.seed)
        row = " ".join(f"{100.0 * share:8.3f}" for share in (*found[:3], case.most))
        print(f"  {case.name:32} {row} {found.u_ma:7.3f}")
        good &= found.bounded <= case.most + MORE * math.sqrt(case.most / given.parts)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
