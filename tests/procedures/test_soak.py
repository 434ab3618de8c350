"""Looks at a soak: fail early, pass only from the minimum on, go on while open, and what is told."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from procedures.conditions import so_far
from procedures.leakage import LOOK_S, Live, Sample, Stage
from procedures.limits import limits_for
from procedures.scan import Demand, Part, Scan
from procedures.series import Drying
from procedures.soak import LOOKS, Outlook, Soak, outlook_words, rising, steady, tell
from procedures.steps import Run
from tests.procedures.harness import setup

PART = Part("P-1", "pump", rated_a=10.0)
STAGE = Stage("high speed, warm", "line_neutral", 300.0, 600.0)
NEVER = Drying(False, math.nan, math.inf, math.inf)
DRIES = Drying(True, 0.2, 100.0, 400.0)


def _live(y_ma: np.ndarray, stage: Stage = STAGE, sd: float = 0.001, seed: int = 1) -> Live:
    """A stage that has been on for as many seconds as ``y_ma`` has values, five readings a second."""
    run = Run(PART, setup(), limits_for("pump", PART), grounded=True)
    run.last = Scan(float(y_ma.size), {}, {}, {})
    live = Live(run, stage, Demand(stage.name), due_s=stage.seconds)
    t_s = np.arange(0.2, y_ma.size, 0.2)
    read = np.interp(t_s, np.arange(y_ma.size), y_ma)
    read = read + np.random.default_rng(seed).normal(0.0, sd, t_s.size)
    live.samples = [_sample(float(t), float(res)) for t, res in zip(t_s, read, strict=True)]
    return live


def _sample(t_s: float, res_ma: float) -> Sample:
    nothing = dict.fromkeys(Sample._fields, None)
    known = {"t_s": t_s, "supply_v": 120.0, "res": res_ma, "cap": 0.0, "control": False}
    return Sample(**{**nothing, **known})  # type: ignore[arg-type]


def _flat(y_ma: float, seconds: int) -> np.ndarray:
    return np.full(seconds, y_ma)


def test_a_clear_fail_is_called_at_any_time() -> None:
    soak = Soak(STAGE, steady)
    assert soak.over(_live(_flat(2.0, 31)))
    assert soak.cut_short


def test_a_fail_that_is_not_clear_is_not_called_early() -> None:
    for y_ma in (1.4, 1.51, 0.2):
        soak = Soak(STAGE, steady)
        assert not soak.over(_live(_flat(y_ma, 121)))
        assert not soak.cut_short


def test_an_early_look_asks_for_more_than_a_late_one() -> None:
    """Type A of 60 s counts by more at the second of 20 looks; nothing else of U does."""
    squares = []
    for seed in range(20):
        live = _live(_flat(1.62, 61), sd=0.03, seed=seed)
        once, early = so_far(live), so_far(live, 4.0)
        assert once is not None
        assert early is not None
        assert early[0] == once[0]
        squares.append(early[1] ** 2 - once[1] ** 2)
    normal = (4.0**2 - 2.0**2) * 0.03**2 / 305.0
    assert (
        1.0 <= np.mean(squares) / normal <= 3.0
    )  # Student's t of 18 degrees of freedom: 5.5 for 4
    soak = Soak(STAGE, steady)
    soak.over(_live(_flat(2.0, 61)))
    assert soak.bound == 8.0


def test_what_still_rises_above_the_fail_limit_goes_on_to_show_how_far() -> None:
    live = _live(1.6 + 0.01 * np.arange(90.0))
    assert rising(live)
    assert not Soak(STAGE, steady).over(live)
    falling = _live(2.9 - 0.01 * np.arange(90.0))
    assert not rising(falling)
    assert Soak(STAGE, steady).over(falling)


def test_a_stage_that_does_not_count_is_never_cut_short() -> None:
    soak = Soak(replace(STAGE, counts=False), steady)
    assert not soak.over(_live(_flat(2.8, 200), replace(STAGE, counts=False)))
    assert soak.bound == 2.0


def test_pass_comes_only_from_the_minimum_on() -> None:
    for seconds, over in ((120, False), (299, False), (301, True)):
        assert Soak(STAGE, steady).over(_live(_flat(0.2, seconds))) is over


def test_pass_needs_a_stable_point() -> None:
    assert not Soak(STAGE, steady).over(_live(np.linspace(0.05, 0.45, 301)))


@pytest.mark.parametrize("y_ma", [0.74, 0.76, 1.49])
def test_an_open_verdict_goes_on(y_ma: float) -> None:
    """Within U of the pass or the fail limit; U is about 0.03 there."""
    for seconds in (301, 400, 590):
        assert not Soak(STAGE, steady).over(_live(_flat(y_ma, seconds)))


@pytest.mark.parametrize("y_ma", [0.3, 1.1])
def test_a_closed_one_does_not(y_ma: float) -> None:
    """Clear of both limits: pass, and retest."""
    assert Soak(STAGE, steady).over(_live(_flat(y_ma, 301)))


def test_looks_are_few_and_come_in_time() -> None:
    for longest_s, step_s in ((600.0, 30.0), (960.0, 48.0), (1200.0, 60.0), (120.0, LOOK_S)):
        soak = Soak(replace(STAGE, seconds=120.0, longest_s=longest_s))
        assert soak.step_s == step_s
        assert soak.last <= LOOKS
        assert soak.first * soak.step_s >= 120.0


def test_type_a_counts_more_at_earlier_looks_and_once_for_a_single_one() -> None:
    soak = Soak(STAGE)
    bounds = [soak.pass_bound(look) for look in range(soak.first, soak.last + 1)]
    assert bounds == sorted(bounds, reverse=True)
    assert bounds[0] > 2.6
    assert 2.0 < bounds[-1] < 2.3
    assert soak.bound == bounds[-1]  # a soak that no look ended
    alone = Soak(replace(STAGE, longest_s=0.0))
    assert alone.bound == pytest.approx(2.0, abs=1e-3)


def test_the_look_that_ended_a_soak_says_what_type_a_counts_for() -> None:
    soak = Soak(STAGE, steady)
    assert soak.over(_live(_flat(0.2, 301)))
    assert soak.bound == soak.pass_bound(soak.first)


def test_nothing_read_ends_nothing() -> None:
    live = _live(_flat(0.2, 301))
    live.samples = []
    assert not Soak(STAGE, steady).over(live)


# ---- what people are told ----------------------------------------------------------------------------


def _told(**changes: object) -> str:
    base = Outlook(NEVER, 0.75, math.inf, -10.0, 200.0, True, False)
    return outlook_words(replace(base, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "changes"),
    [
        ("", {}),
        ("at least 3 min more", {"least_s": 180.0}),
        ("not stable yet, at most 3 min more: wait", {"stable": False}),
        ("too close to call so far, at most 3 min more: wait", {"open": True}),
        ("drying towards 0.20 mA, over in about 80 s: wait", {"dry": DRIES, "end_in_s": 80.0}),
        (
            "drying, no end foreseen within the longest soak of 3 min more",
            {"dry": DRIES, "end_in_s": 900.0},
        ),
        (
            "falls only towards 1.20 mA, limit 0.75: no pass to expect, it may be stopped",
            {"dry": replace(DRIES, asymptote=1.2), "end_in_s": 80.0},
        ),
    ],
)
def test_words(words: str, changes: dict[str, object]) -> None:
    assert _told(**changes) == words


def test_a_bake_out_foretells_its_end_and_progress_follows_it() -> None:
    """0.15 + 1.3·exp(-t/100): over to within 0.02 mA after 100·ln(65) = 417 s (by hand)."""
    stage = Stage("bake-out", "line_neutral", 180.0, 900.0, counts=False, dry_ma=0.375)
    live = _live(0.15 + 1.3 * np.exp(-np.arange(200.0) / 100.0), stage)
    tell(live, Soak(stage), 200.0)
    assert live.want.outlook == "drying towards 0.15 mA, over in about 4 min: wait"
    assert live.due_s == pytest.approx(417.0, abs=12.0)


def test_a_part_that_dries_only_halfway_is_told_so() -> None:
    stage = Stage("bake-out", "line_neutral", 180.0, 900.0, counts=False, dry_ma=0.375)
    live = _live(0.9 + 1.3 * np.exp(-np.arange(200.0) / 60.0), stage)
    tell(live, Soak(stage), 200.0)
    assert live.want.outlook.startswith("falls only towards 0.90 mA, limit 0.38")


def test_the_first_minute_foretells_nothing() -> None:
    live = _live(_flat(0.2, 50))
    tell(live, Soak(STAGE), 50.0)
    assert live.want.outlook == ""
