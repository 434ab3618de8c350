"""The figures that place and verdict must show, at moderate counts; whole counts by the commands."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench import false_pass, place_coverage
from tests.bench.false_pass import CASES, TRIES, Case, shares
from tests.bench.place_coverage import covered

PARTS = 200_000


@pytest.mark.parametrize("case", place_coverage.CASES, ids=lambda case: case.name)
def test_the_place_is_within_its_interval(case: place_coverage.Case) -> None:
    assert covered(case, 4000, 2) >= 0.94


def test_where_noise_dominates_the_interval_is_no_wider_than_it_says() -> None:
    noisy = next(case for case in place_coverage.CASES if case.errors == 0.0)
    assert 0.94 <= covered(noisy, 20_000, 3) <= 0.965


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_part_at_or_above_the_limit_passes_no_more_often_than_bounded(case: Case) -> None:
    found = shares(case, PARTS, 5)
    chance = false_pass.MORE * np.sqrt(case.most / PARTS)
    assert found["no change"] <= case.most + chance
    assert found["worst of three"] <= case.most + chance


def test_a_guard_that_knows_only_half_of_the_uncertainty_is_found_out() -> None:
    def understated(rng: np.random.Generator, true_ma: float, parts: int) -> false_pass.Readings:
        y = rng.normal(true_ma, 0.04, (TRIES, parts))
        return y, np.full(y.shape, 0.04)

    found = shares(Case("half", 0.75, understated, 0.023), PARTS, 5)
    assert found["no change"] > 0.1


def test_a_retest_without_a_change_never_passes() -> None:
    """All that pass without a change pass in their first try."""
    readings = false_pass.normal(0.08)(np.random.default_rng(1), 0.6, 2000)
    made = false_pass.passed(readings, False)
    assert made[0].mean() > 0.9
    assert not made[1:].any()


@pytest.mark.parametrize("command", [place_coverage.main, false_pass.main])
def test_the_commands_print_and_judge(command: object, capsys: pytest.CaptureFixture[str]) -> None:
    assert callable(command)
    assert command(["--parts", "4000", "--seed", "4"]) == 0
    assert "4000 parts" in capsys.readouterr().out
