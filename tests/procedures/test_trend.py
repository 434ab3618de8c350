"""Courses of a leakage: named where the readings show one, and not named where they don't."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from procedures.errors import BadSeries
from procedures.trend import KINDS, MATTERS_MA, trend_of, trends_of
from tests.procedures.courses import course, remembering

PARTS = 300
T = np.arange(0.0, 720.0, 3.0)


def _called(name: str, r: float, n: int = T.size, seed: int = 1) -> Counter[str]:
    rng = np.random.default_rng(seed)
    y = course(name, rng, PARTS, n, (0.1, 1.0)) + 0.01 * remembering(rng, PARTS, n, r)
    return Counter(KINDS[code] for code in trends_of(np.linspace(0.0, 720.0, n), y).code)


@pytest.mark.parametrize("name", ["steady", "drying", "rising", "stepping", "bursts", "periodic"])
@pytest.mark.parametrize("r", [0.0, 0.5])
def test_each_kind_is_named(name: str, r: float) -> None:
    assert _called(name, r)[name] >= 0.94 * PARTS


@pytest.mark.parametrize("name", ["drying", "rising", "stepping", "bursts"])
def test_sixty_samples_are_enough_for_most(name: str) -> None:
    assert _called(name, 0.0, 60)[name] >= 0.95 * PARTS


@pytest.mark.parametrize("name", ["wandering", "sweeping"])
def test_what_is_of_no_kind_is_not_named(name: str) -> None:
    assert _called(name, 0.0)["don't know"] >= 0.9 * PARTS


def test_erratic_readings_are_not_called_steady() -> None:
    y = 0.5 + 0.2 * np.random.default_rng(2).normal(size=(PARTS, T.size))
    assert Counter(KINDS[code] for code in trends_of(T, y).code)["don't know"] >= 0.95 * PARTS


def test_figures_by_hand() -> None:
    noise = 0.002 * np.random.default_rng(3).normal(size=T.size)
    dries = trend_of(T, 0.2 + 1.0 * np.exp(-T / 120.0) + noise)
    assert (dries.kind, dries.size_ma) == ("drying", pytest.approx(1.0, abs=0.03))
    assert dries.scale == pytest.approx(120.0, rel=0.1)
    steps = trend_of(T, 0.2 + 0.3 * (T > 200.0) - 0.1 * (T > 500.0) + noise)
    assert (steps.kind, steps.scale) == ("stepping", 2.0)
    assert steps.size_ma == pytest.approx(0.3, abs=0.01)
    swings = trend_of(T, 0.4 + 0.1 * np.sin(2.0 * math.pi * T / 60.0) + noise)
    assert (swings.kind, swings.size_ma) == ("periodic", pytest.approx(0.1, abs=0.01))
    assert swings.scale == pytest.approx(60.0, rel=0.03)
    peaks = trend_of(T, 0.2 + 0.5 * np.isin(T, [60.0, 300.0, 450.0]) + noise)
    assert (peaks.kind, peaks.scale) == ("bursts", 3.0)
    assert peaks.size_ma == pytest.approx(0.5, abs=0.01)
    assert "3 bursts" in peaks.words


def test_a_change_too_small_to_matter_is_steady() -> None:
    small = MATTERS_MA * 0.8
    assert trend_of(T, 0.3 + small * T / T[-1]).kind == "steady"
    assert trend_of(T, 0.3 + 2.0 * MATTERS_MA * T / T[-1]).kind == "rising"


def test_a_missing_reading_or_too_few_show_nothing() -> None:
    gap = np.full(T.size, 0.3)
    gap[5] = math.nan
    assert trend_of(T, gap).kind == "don't know"
    assert trend_of(T[:10], gap[6:16]).kind == "don't know"
    assert trend_of([], []).kind == "don't know"
    with pytest.raises(BadSeries):
        trend_of([0.0, 1.0], [0.3])


def test_many_parts_are_as_each_alone() -> None:
    rng = np.random.default_rng(4)
    rows = np.concatenate([course(n, rng, 1, T.size, (0.4, 0.5)) for n in ("drying", "stepping")])
    many = trends_of(T, rows)
    for k, row in enumerate(rows):
        alone = trend_of(T, row)
        assert KINDS[int(many.code[k])] == alone.kind
        assert many.size_ma[k] == pytest.approx(alone.size_ma)


@settings(deadline=None)  # machines stall
@given(st.lists(st.floats(0.0, 30.0), min_size=30, max_size=40))
def test_any_series_is_answered(values: list[float]) -> None:
    got = trend_of(np.arange(float(len(values))), values)
    assert got.kind in KINDS
    assert got.words
