"""What a study comes to: rates with exact bounds, by way of deciding and by fault class.

Bounds are one-sided 95 % Clopper-Pearson (``procedures/binomial.py``). Intermittents are left out of
every claim and listed apart: within T hours of watching a leak that shows at a rate of λ an hour stays
hidden with probability e^(-λT).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from procedures.arrays import BoolArray, FloatArray, IntArray
from procedures.binomial import upper_bound
from rig.study import ACCEPT_MA, BENCH, BREAKER, PLAIN, SOAKS_S, Results, equal_soak
from rig.study_bench import FAIL, NONE, PASS

GUARDED_MA, GOOD_MA = 0.75, 0.5
OPEN_MA = (GOOD_MA, ACCEPT_MA)  # between them no verdict may be the honest answer
CURVE_MA = np.geomspace(0.05, 20.0, 41)


@dataclass(frozen=True, slots=True)
class Way:
    """A way of deciding: its verdicts and minutes for each part."""

    name: str
    verdict: IntArray
    minutes: FloatArray


def ways(results: Results) -> list[Way]:
    """All ways that were tried; the fixed soak that equals the bench last, if there is one."""
    found = [
        Way(BENCH, results.bench, results.bench_min),
        Way(BREAKER, results.breaker, results.breaker_min),
        Way(PLAIN, results.plain, results.plain_min),
    ]
    equal = equal_soak(results)
    if equal is not None:
        name = f"fixed soak of {SOAKS_S[equal] / 60.0:g} min"
        found.append(Way(name, results.fixed[:, equal], results.fixed_min[:, equal]))
    return found


@dataclass(frozen=True, slots=True)
class Rate:
    """``hits`` of ``parts``, and the one-sided 95 % upper bound of the probability."""

    hits: int
    parts: int

    @property
    def bound(self) -> float:
        return upper_bound(self.hits, self.parts)

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        return {**asdict(self), "bound_95": self.bound}


Chosen = Callable[[Results], BoolArray]
CLAIMS: tuple[tuple[str, int, Chosen], ...] = (  # name, verdict counted, among which parts
    ("false accept above 1.5 mA", PASS, lambda r: r.truth_ma > ACCEPT_MA),
    ("false accept above 0.75 mA", PASS, lambda r: r.truth_ma > GUARDED_MA),
    (
        "false accept, bench could see above 0.75 mA",
        PASS,
        lambda r: r.seen_ma > GUARDED_MA,
    ),
    ("false reject below 0.5 mA", FAIL, lambda r: r.truth_ma < GOOD_MA),
    (
        "no verdict outside 0.5 to 1.5 mA",
        NONE,
        lambda r: (r.truth_ma < OPEN_MA[0]) | (r.truth_ma > OPEN_MA[1]),
    ),
)


def claims(results: Results, way: Way, among: BoolArray | None = None) -> dict[str, Rate]:
    """Each claim's rate for a way of deciding, among some parts; intermittents never."""
    steady = ~results.intermittent if among is None else among
    found = {}
    for name, verdict, chosen in CLAIMS:
        here = steady & chosen(results)
        found[name] = Rate(int((way.verdict[here] == verdict).sum()), int(here.sum()))
    return found


@dataclass(frozen=True, slots=True)
class Row:
    """One fault class under one way of deciding."""

    way: str
    fault: str
    parts: int
    false_accept: Rate
    false_reject: Rate
    no_verdict: Rate
    retested: int
    minutes: float

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        rates = ("false_accept", "false_reject", "no_verdict")
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return {**plain, **{name: plain[name].as_json() for name in rates}}


def rows(results: Results, names: dict[int, str], kept: Sequence[Way]) -> Iterator[Row]:
    """Every class under every way; a class that no part was drawn of is left out."""
    for way in kept:
        for place, name in names.items():
            here = results.cls == place
            if here.any():
                yield _row(results, way, name, here)


def _row(results: Results, way: Way, name: str, here: BoolArray) -> Row:
    rate = claims(results, way, here)
    listed = [rate[claim] for claim, _, _ in CLAIMS]
    return Row(
        way.name,
        name,
        int(here.sum()),
        listed[0],
        listed[3],
        Rate(int((way.verdict[here] == NONE).sum()), int(here.sum())),
        int(results.retested[here].sum()) if way.name == BENCH else 0,
        float(way.minutes[here].mean()),
    )


def culprits(results: Results, names: dict[int, str], way: Way) -> dict[str, int]:
    """Which classes the false accepts above 1.5 mA come from, most first."""
    wrong = (way.verdict == PASS) & (results.truth_ma > ACCEPT_MA) & ~results.intermittent
    counted = {name: int((wrong & (results.cls == place)).sum()) for place, name in names.items()}
    return dict(sorted(((n, c) for n, c in counted.items() if c), key=lambda pair: -pair[1]))


def intermittents(results: Results, kept: Sequence[Way]) -> dict[str, dict[str, float]]:
    """Intermittents above 1.5 mA: share passed by each way, and e^(-λT) for its minutes."""
    here = results.intermittent & (results.truth_ma > ACCEPT_MA)
    if not here.any():
        return {}
    found = {}
    for way in kept:
        hours = way.minutes[here] / 60.0
        hidden = float(np.exp(-results.rate_per_h[here] * hours).mean())
        passed = float((way.verdict[here] == PASS).mean())
        found[way.name] = {"parts": int(here.sum()), "passed": passed, "hidden": hidden}
    return found


def curve(results: Results, way: Way) -> tuple[FloatArray, FloatArray, IntArray]:
    """The operating characteristic: middles of the bins of true mA, share passed, parts in each."""
    steady = ~results.intermittent
    truth, passed = results.truth_ma[steady], way.verdict[steady] == PASS
    total, _ = np.histogram(truth, CURVE_MA)
    hits, _ = np.histogram(truth[passed], CURVE_MA)
    share = np.where(total > 0, hits / np.maximum(total, 1), np.nan)
    return np.sqrt(CURVE_MA[1:] * CURVE_MA[:-1]), share, total.astype(np.int64)
