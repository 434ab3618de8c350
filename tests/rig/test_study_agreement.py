"""Parts decided by the real procedures on the plant, and by the study's vectorised path: the same.

``python -m tests.rig.test_study_agreement`` decides 200; the test a few of them, for its time. Both
sides have errors of their own, so a part whose figure is within its U of a limit may fall to either
side; nothing else may differ. Intermittents and failed sensors are left out: their moments are drawn.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from procedures.decide import RULES
from rig.study_bench import decided
from rig.study_draw import Parts, draw
from rig.study_population import load
from rig.study_stages import law_of
from tests.rig.study_truths import really

POPULATION, _ = load()
FEW, MANY, SEED = 12, 200, 9
CLOSE_MA = 0.02  # beyond U: the two sides' meters differ in their errors
VERDICTS = ("pass", "fail", "none")


class Both(NamedTuple):
    """One part: what each side says, and how far its figure is from a limit beyond its U, mA."""

    number: int
    study: str
    study_rule: str
    real: str
    real_rule: str
    margin_ma: float

    @property
    def agree(self) -> bool:
        return self.study == self.real or self.margin_ma < CLOSE_MA


def both(count: int, seed: int = SEED) -> Iterator[Both]:
    """Each drawn part that is neither intermittent nor on a bench with a failed sensor."""
    drawn = draw(POPULATION, 2 * count, np.random.default_rng(seed))
    steady = ~law_of(drawn, POPULATION, "bursts") & (drawn.failed == 0)
    parts: Parts = drawn.where(np.flatnonzero(steady)[:count])
    found = decided(parts, POPULATION, np.random.default_rng(seed + 1), retest=False)
    for n in range(parts.size):
        real = really(parts, n, POPULATION, n + 1).verdict
        study = VERDICTS[int(found.verdict[n])]
        rule = RULES[int(found.code[n])].name
        yield Both(n, study, rule, real.verdict, real.rule, float(found.margin_ma[n]))


def test_both_ways_of_deciding_agree() -> None:
    seen = list(both(FEW))
    assert [one for one in seen if not one.agree] == []
    assert {one.study for one in seen} >= {"pass", "fail"}
    assert sum(one.study == one.real for one in seen) >= FEW - 2


if __name__ == "__main__":
    everything = []
    for one in both(MANY, int(sys.argv[1]) if len(sys.argv) > 1 else SEED):
        everything.append(one)
        if one.study != one.real:
            print(one, flush=True)
    differ = sum(one.study != one.real for one in everything)
    wrong = sum(not one.agree for one in everything)
    print(f"{len(everything)} parts, {differ} differ, {wrong} of them not within U of a limit")
    sys.exit(bool(wrong))
