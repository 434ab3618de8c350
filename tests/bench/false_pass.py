"""How often a part that is truly at or above the limit passes: ``python -m tests.bench.false_pass``.

Each part is tried three times by the shop's rules. A try's error is normal with the stated uncertainty
(the standard's own case), or made by a meter whose gain, zero, fixture and volts are drawn from the
whole of their stated bounds, once for all three tries, and by noise. Nothing of ``procedures`` makes
the readings; the verdicts are ``decide_arrays``'s.

Three ways to try: again without a recorded change (a retest does not count then), worst of three, and
again after a change that is recorded but changed nothing. The last is told and not bounded: a shop
that writes down changes which were none is beyond what a guard band can hold.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from procedures.decide import CODES, decide_arrays
from procedures.scan import Accuracy
from procedures.uncertainty import Mean, leakage_budget

TRIES, SAMPLES, NOISE_MA, NOMINAL_V = 3, 10, 0.0008, 120.0
METER, SUPPLY = Accuracy(1.0, 0.01), Accuracy(0.5, 0.1)
Readings = tuple[np.ndarray, np.ndarray]  # y and U, tries x parts
MORE = 3.0  # standard errors that a drawn share may lie above the exact one


class Case(NamedTuple):
    """A part's true leakage, where its readings come from, and the most that may pass."""

    name: str
    true_ma: float
    made: Callable[[np.random.Generator, float, int], Readings]
    most: float


def normal(u_ma: float) -> Callable[[np.random.Generator, float, int], Readings]:
    """Independent normal errors with the expanded uncertainty ``u_ma`` (k = 2)."""

    def made(rng: np.random.Generator, true_ma: float, parts: int) -> Readings:
        y = rng.normal(true_ma, u_ma / 2.0, (TRIES, parts))
        return y, np.full(y.shape, u_ma)

    return made


def metered(rng: np.random.Generator, true_ma: float, parts: int) -> Readings:
    """One bench per part: its errors stay, noise is new in each try."""
    gain, zero, fixture = (rng.uniform(-one, one, parts) for one in (0.01, 0.01, 0.01))
    v = rng.uniform(114.0, 126.0, (TRIES, parts))
    v_read = v * (1.0 + rng.uniform(-0.005, 0.005, parts)) + rng.uniform(-0.1, 0.1, parts)
    samples = rng.normal(0.0, NOISE_MA, (SAMPLES, TRIES, parts))
    read = true_ma * v / NOMINAL_V * (1.0 + gain) + zero - fixture
    at_nominal = (read + samples) * NOMINAL_V / v_read
    y = at_nominal.mean(axis=0)
    u = at_nominal.std(axis=0, ddof=1) / np.sqrt(SAMPLES)
    budget = leakage_budget(Mean(y, u, SAMPLES - 1.0, v_read), NOMINAL_V, METER, SUPPLY, METER)
    return y, np.asarray(budget.expanded)


CASES = (
    Case("0.75 mA, normal, U 0.08", 0.75, normal(0.08), 0.023),
    Case("0.80 mA, normal, U 0.08", 0.80, normal(0.08), 0.001),
    Case("0.75 mA, as metered", 0.75, metered, 0.023),
    Case("0.80 mA, as metered", 0.80, metered, 0.001),
)


def passed(readings: Readings, changed: bool) -> np.ndarray:
    """Whether each try passed, tries x parts, with ``changed`` recorded before each retest."""
    y, u = readings
    codes = [
        decide_arrays(one, wide, False, False, True, False, attempt, changed=changed)
        for attempt, (one, wide) in enumerate(zip(y, u, strict=True), 1)
    ]
    return np.asarray(codes) == CODES["pass"]


def shares(case: Case, parts: int, seed: int) -> Mapping[str, float]:
    """Share of parts that pass in the end, by the way they are tried."""
    readings = case.made(np.random.default_rng(seed), case.true_ma, parts)
    again, sham = passed(readings, False), passed(readings, True)
    alone = np.asarray(
        [passed((y[None], u[None]), False)[0] for y, u in zip(*readings, strict=True)]
    )
    return {
        "no change": float(np.mean(again.any(axis=0))),
        "worst of three": float(np.mean(alone.all(axis=0))),
        "sham change": float(np.mean(sham.any(axis=0))),
    }


def main(args: Sequence[str] | None = None) -> int:
    """Print the shares; 1 when one that is bounded is beyond its bound by more than chance."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(args)
    print(f"{given.parts} parts tried {TRIES} times, seed {given.seed}: false passes in %")
    print(f"  {'':26} {'no change':>12} {'worst of 3':>12} {'sham change':>12} {'at most':>8}")
    good = True
    for case in CASES:
        found = shares(case, given.parts, given.seed)
        row = " ".join(f"{100.0 * share:12.4f}" for share in found.values())
        print(f"  {case.name:26} {row} {100.0 * case.most:8.2f}")
        chance = MORE * np.sqrt(case.most / given.parts)
        good &= max(found["no change"], found["worst of three"]) <= case.most + chance
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
