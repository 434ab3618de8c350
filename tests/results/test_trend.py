"""The picture of the readings: a gap stays a gap, a spike stays, nothing leaves the picture."""

from __future__ import annotations

from typing import Any

import pytest

from results.report.trend import STRETCHES, picture
from tests.results.papers import closing, condition


def trace(leakage: list[int | None], feed: list[int] | None = None) -> dict[str, list[int | None]]:
    columns: dict[str, list[int | None]] = {
        "t_ms": [1000 * place for place in range(len(leakage))],
        "feed": list(feed or [1] * len(leakage)),
        "leakage_ua": leakage,
    }
    return columns


def drawn(leakage: list[int | None], feed: list[int] | None = None, **more: Any) -> dict[str, Any]:
    block = picture({**closing("R-000001", "pass"), **more}, trace(leakage, feed))
    assert block is not None
    return block


def test_nothing_read_is_no_picture() -> None:
    """A missing reading is never 0."""
    body = closing("R-000001", "pass")
    assert picture(body, trace([None, None])) is None
    assert picture(body, trace([200, 200], [0, 0])) is None
    assert picture(body, {}) is None


def test_a_gap_and_a_feed_that_is_off_break_the_line() -> None:
    block = drawn([100, 100, None, 100, 100, 100, 100, 100], [1, 1, 1, 1, 1, 0, 1, 1])
    assert [len(run) for run in block["runs"]] == [2, 2, 2]


def test_a_spike_of_one_reading_survives_the_thinning() -> None:
    many: list[int | None] = [100] * 20_000
    many[7001] = 1400
    (run,) = drawn(many)["runs"]
    assert len(run) <= 2 * (STRETCHES + 1)
    top = max(y for _, y in run)
    assert top == pytest.approx(1.4 / (1.15 * 1.5), abs=1e-3)  # linear: 1.15 times the fail limit


def test_a_current_far_above_the_limit_is_drawn_logarithmically() -> None:
    block = drawn([100] * 10 + [30_000] * 10)
    assert "logarithmic" in block["under"]
    assert [one["label"] for one in block["ticks-y"]] == ["0.01", "0.1", "1", "10"]
    low, high = (one["y"] for one in block["levels"])
    assert 0 < low < high < 1


def test_all_stays_within_the_picture() -> None:
    late = condition("late", 90_000, start_ms=5_000, end_ms=900_000)
    block = drawn([-50, 0, 5, 100_000] * 20, conditions=[late])
    shares = [share for run in block["runs"] for point in run for share in point]
    shares += [one[k] for one in block["bars"] for k in ("from", "to")]
    shares += [one[k] for one in block["marks"] for k in ("x", "y")]
    assert all(0 <= share <= 1 for share in shares)


@pytest.mark.parametrize(("seconds", "least"), [(20, 3), (51, 3), (1647, 5), (36_000, 3)])
def test_each_length_has_a_few_ticks(seconds: int, least: int) -> None:
    ticks = [float(one["label"]) for one in drawn([100] * (seconds + 1))["ticks-x"]]
    assert least <= len(ticks) <= 11
    assert ticks[-1] * 60 <= seconds
