"""A capability study: how often each way of deciding is wrong, on the same invented parts.

Parts are drawn and decided in blocks, each with random streams of its own made of the seed and the
block's number, so that the figures don't depend on how many processes share the work. Nothing here
touches a bench, real or virtual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from procedures.arrays import BoolArray, FloatArray, IntArray
from rig.study_bench import PASS, decided
from rig.study_draw import SOUND, Generator, Parts, classes, draw
from rig.study_others import breaker, plain
from rig.study_population import Population, load

BLOCK = 2_000
SOAKS_S = (60.0, 120.0, 240.0, 480.0, 720.0, 960.0, 1_200.0, 2_400.0)
ACCEPT_MA = 1.5  # above it a part must not be accepted
BENCH, BREAKER, PLAIN = "bench", "breaker technique", "plain reading"


@dataclass(frozen=True, slots=True)
class Results:
    """One element per part, or parts x soaks. ``seen_ma``: the most that the bench could see."""

    cls: IntArray
    truth_ma: FloatArray
    seen_ma: FloatArray
    intermittent: BoolArray
    rate_per_h: FloatArray
    bench: IntArray
    bench_min: FloatArray
    retested: BoolArray
    breaker: IntArray
    breaker_min: FloatArray
    plain: IntArray
    plain_min: FloatArray
    fixed: IntArray
    fixed_min: FloatArray

    @property
    def size(self) -> int:
        """How many parts."""
        return int(self.truth_ma.size)


def joined(blocks: Sequence[Results]) -> Results:
    """All blocks as one."""
    names = [field.name for field in fields(Results)]
    return Results(*(np.concatenate([getattr(one, name) for one in blocks]) for name in names))


def block(path: Path | None, seed: int, number: int, parts: int) -> Results:
    """One block of a study: draw, and decide every way."""
    population, _ = load(path)
    drawn = draw(population, parts, _stream(seed, number, 0))
    bench = decided(drawn, population, _stream(seed, number, 1))
    by_breaker = breaker(drawn, population, _stream(seed, number, 2))
    by_plain = plain(drawn, population, _stream(seed, number, 3))
    fixed = [
        decided(drawn, population, _stream(seed, number, 1), soak_s=soak_s) for soak_s in SOAKS_S
    ]
    return Results(
        drawn.cls,
        drawn.truth_ma,
        np.hypot(drawn.resistive_ma, drawn.capacitive_ma),
        _intermittent(drawn, population),
        drawn.rate_per_h,
        bench.verdict,
        bench.minutes,
        bench.retested,
        *by_breaker,
        *by_plain,
        np.stack([one.verdict for one in fixed], axis=1),
        np.stack([one.minutes for one in fixed], axis=1),
    )


def _stream(seed: int, number: int, use: int) -> Generator:
    return np.random.default_rng(np.random.SeedSequence((seed, number, use)))


def _intermittent(parts: Parts, population: Population) -> BoolArray:
    laws = [one.kind.law for one in classes(population)]
    places = [place for place, law in enumerate(laws) if law == "bursts"]
    found: BoolArray = np.isin(parts.cls, places)
    return found


def study(path: Path | None, parts: int, seed: int, jobs: int) -> Iterator[Results]:
    """Each block as it is done, in order. ``jobs`` processes share the blocks."""
    sizes = [min(BLOCK, parts - start) for start in range(0, parts, BLOCK)]
    if jobs == 1:
        for number, size in enumerate(sizes):
            yield block(path, seed, number, size)
        return
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
        waiting = [pool.submit(block, path, seed, n, size) for n, size in enumerate(sizes)]
        try:
            for one in waiting:
                yield one.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def equal_soak(results: Results) -> int | None:
    """Which of ``SOAKS_S`` is the shortest with no more false accepts than the bench; None: none is."""
    great = (results.truth_ma > ACCEPT_MA) & ~results.intermittent
    most = int((results.bench[great] == PASS).sum())
    accepted = (results.fixed[great] == PASS).sum(axis=0)
    good = np.flatnonzero(accepted <= most)
    return int(good[0]) if good.size else None


def class_names(population: Population) -> dict[int, str]:
    """Names of the fault classes by their number; SOUND among them."""
    return {SOUND: "sound"} | {n: one.name for n, one in enumerate(classes(population))}
