"""The figures that series and looks must show, at moderate counts; whole counts by the commands."""

from __future__ import annotations

import math

import numpy as np
import pytest

from procedures import level
from tests.bench import coverage, repeated_looks
from tests.bench.coverage import CASES, Case, covered
from tests.bench.repeated_looks import shares

PARTS, MORE = 1200, 3.0


@pytest.mark.parametrize("case", CASES[:4] + CASES[5:], ids=lambda case: case.name)
def test_intervals_hold_the_truth_as_often_as_they_say(case: Case) -> None:
    share = covered(case, PARTS, 2)
    chance = MORE * math.sqrt(case.least * (1.0 - case.least) / PARTS)
    assert share.covered >= case.least - chance
    assert share.covered <= case.most + chance


def test_a_type_a_that_ignores_correlation_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    real = level.type_a

    def as_if_independent(rows: np.ndarray) -> level.TypeA:
        found = real(rows)
        n = rows.shape[1]
        u = found.scatter / math.sqrt(n)
        return level.TypeA(u, np.full(len(rows), n - 1.0), found.scatter, found.correlation)

    monkeypatch.setattr(level, "type_a", as_if_independent)
    remembering = next(case for case in CASES if case.name == "type A, remembering")
    assert covered(remembering, PARTS, 2).covered < 0.90


def test_looking_again_does_not_let_more_pass() -> None:
    """With k = 2 at each of 17 looks four times as many would."""
    found = shares(repeated_looks.CASES[0], 750, 3)
    assert found.bounded <= 0.023 + MORE * math.sqrt(0.023 / 750)
    assert found.three <= found.bounded
    assert found.naive > 0.06


def test_the_commands_print_and_judge(capsys: pytest.CaptureFixture[str]) -> None:
    coverage.main(["--parts", "40", "--seed", "4"])
    assert "40 parts" in capsys.readouterr().out
    repeated_looks.main(["--parts", "20", "--seed", "4"])
    assert "20 parts" in capsys.readouterr().out
