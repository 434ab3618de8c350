"""Each part of the demo scenario, and sound parts of each family, proved through the plant.

Expected outcomes are the demo table of the trade's rules, written out by hand; the truths behind them
are the plant's. Leakage figures in mA.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import pytest

from drivers.virtual.scenario import load, plate
from procedures.scan import Outcome, Part
from tests.procedures.harness import Follower, prove

SHELF = load()


class Expected(NamedTuple):
    """One row: verdict, the rule that decides, where, how much, why, what to do."""

    serial: str
    verdict: str
    rule: str
    worst: str
    low_ma: float
    high_ma: float
    cause: str
    disposition: str


TABLE = (
    Expected(
        "OF55-0117",
        "pass",
        "pass",
        "both ends hot, after re-soak",
        0.17,
        0.23,
        "damp filler, baked out",
        "resell",
    ),
    Expected(
        "OF55-0231",
        "fail",
        "above the fail limit",
        "limited step, cold wet",
        1.9,
        2.1,
        "pinhole near the middle",
        "scrap",
    ),
    Expected(
        "TG40-0905",
        "fail",
        "above the cut-off",
        "rated run, hot wet",
        3.5,
        3.5,
        "hot failure",
        "warranty claim",
    ),
    Expected(
        "MW10-4410",
        "fail",
        "above the cut-off",
        "high speed, warm",
        3.5,
        3.5,
        "seal leak",
        "repair",
    ),
    Expected(
        "MW10-3987",
        "fail",
        "function",
        "limited step, high speed",
        0.15,
        0.25,
        "weak or dead capacitor",
        "repair",
    ),
    Expected(
        "LK01-2201",
        "pass",
        "pass",
        "rated run, warm",
        0.08,
        0.12,
        "no fault found",
        "no fault found",
    ),
    Expected(
        "FW12-0033",
        "fail",
        "above the fail limit",
        "rated run, humid",
        2.9,
        3.2,
        "water in the motor, comes back when humid",
        "scrap",
    ),
    Expected(
        "CM05-7715",
        "fail",
        "above the fail limit",
        "limited step",
        9.0,
        16.0,
        "water in the cell (check valve)",
        "scrap",
    ),
    Expected(
        "GW30-1180",
        "fail",
        "function",
        "rated run, warm",
        0.08,
        0.12,
        "lamp or ballast dead",
        "repair",
    ),
    Expected(
        "MB60-5521",
        "pass",
        "pass",
        "rated run, warm",
        0.20,
        0.22,
        "filter capacitors, normal",
        "resell",
    ),
    Expected(
        "DP12-8801",
        "fail",
        "dead test",
        "",
        0.0,
        0.0,
        "breakdown between primary and secondary",
        "scrap",
    ),
    Expected(
        "GK50-0450",
        "fail",
        "diagnosis only",
        "trip current",
        3.0,
        3.2,
        "trips below its range",
        "diagnosis only, never resale",
    ),
    Expected(
        "OF40-0312",
        "none",
        "too close to call",
        "both ends hot, hot wet",
        0.71,
        0.75,
        "don't know",
        "dry and retest",
    ),
    Expected(
        "DP12-9107",
        "none",
        "not proved",
        "",
        0.0,
        0.0,
        "don't know",
        "hold, not proved",
    ),
)


def part_of(serial: str, **more: object) -> Part:
    """A part as registered: its plate and nothing else."""
    return Part(**{"number": f"P-{serial}", "serial": serial, **plate(SHELF[serial]), **more})  # type: ignore[arg-type]


@cache
def outcome_of(serial: str, seed: int = 1) -> tuple[Outcome, Follower]:
    """Proved once per serial number; TG40-0905 is in its warranty."""
    return prove(SHELF, serial, part_of(serial, warranty=serial == "TG40-0905"), seed)


@pytest.mark.parametrize("expected", TABLE, ids=lambda e: e.serial)
def test_each_demo_part_meets_its_expected_outcome(expected: Expected) -> None:
    outcome, _ = outcome_of(expected.serial)
    verdict, worst = outcome.verdict, outcome.verdict.worst
    assert (verdict.verdict, verdict.rule) == (expected.verdict, expected.rule), verdict.reason
    assert (outcome.cause, outcome.disposition) == (expected.cause, expected.disposition)
    assert (worst.name if worst else "") == expected.worst
    assert expected.low_ma <= (worst.y_ma if worst else 0.0) <= expected.high_ma
    assert all(limit[3] for limit in outcome.limits), "a limit without a source"


@pytest.mark.parametrize("serial", [row.serial for row in TABLE])
def test_another_bench_with_other_meter_errors_comes_to_the_same(serial: str) -> None:
    expected = next(row for row in TABLE if row.serial == serial)
    verdict = outcome_of(serial, 2)[0].verdict
    assert (verdict.verdict, verdict.rule) == (expected.verdict, expected.rule), verdict.reason


SOUND = [s for s in SHELF if s.endswith(("-8001", "-8002")) and not s.startswith("GF50")]


@pytest.mark.parametrize("serial", SOUND)
def test_sound_parts_pass(serial: str) -> None:
    outcome, _ = outcome_of(serial)
    assert outcome.verdict.verdict == "pass", outcome.verdict.reason
    assert outcome.disposition == "resell"
    assert all(c.control_seen for c in outcome.conditions)


def test_a_conforming_gfci_gets_no_pass_and_is_never_resold() -> None:
    outcome, _ = outcome_of("GF50-8001")
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "diagnosis only")
    assert outcome.disposition == "diagnosis only, never resale"


# ---- what the records must show --------------------------------------------------------------------


def test_the_pinhole_record_shows_that_leg_to_leg_alone_would_have_passed_it() -> None:
    """60 kohm in the middle: leg to leg 0, each way 1.0, both ends 2.0 mA (Ohm's law, by hand)."""
    outcome, _ = outcome_of("OF55-0231")
    by_name = {c.name: c for c in outcome.conditions}
    assert by_name["rated run, short"].y_ma < 0.05
    assert by_name["line-neutral, cold wet"].y_ma == pytest.approx(1.0, abs=0.03)
    assert by_name["neutral-line, cold wet"].y_ma == pytest.approx(1.0, abs=0.03)
    assert by_name["both ends hot, cold wet"].y_ma == pytest.approx(2.0, abs=0.05)
    assert outcome.facts["place"] == pytest.approx(0.5, abs=0.01)
    assert "would have passed it" in str(outcome.facts["hidden"])


def test_the_damp_heater_is_not_judged_by_what_it_was_before_the_bake_out() -> None:
    outcome, _ = outcome_of("OF55-0117")
    before = [c for c in outcome.conditions if not c.counts]
    assert [c.name for c in before] == ["limited step, cold dry", "bake-out, quarter power"]
    assert before[0].basis == "prospective"
    assert before[0].y_ma == pytest.approx(2.9, abs=0.15)
    assert str(outcome.facts["change"]).startswith("baked out")


def test_the_hot_heater_is_cut_off_after_about_eleven_minutes() -> None:
    worst = outcome_of("TG40-0905")[0].verdict.worst
    assert worst is not None
    assert worst.basis == "above"
    assert worst.after_s is not None
    assert 660.0 <= worst.after_s <= 760.0


def test_the_converter_is_near_ninety_degrees_and_its_dc_is_read() -> None:
    outcome, _ = outcome_of("MB60-5521")
    assert outcome.facts["angle_deg"] == pytest.approx(87.0, abs=2.0)
    counted = [c for c in outcome.conditions if c.counts]
    assert all(c.dc_ma is not None for c in counted)
    assert {c.name for c in counted} == {"rated run, warm", "the other way round, warm"}


def test_a_part_rejected_at_a_dead_test_is_never_energised() -> None:
    for serial in ("DP12-8801", "DP12-9107"):
        outcome, follower = outcome_of(serial)
        assert not outcome.conditions
        assert "limited step" not in follower.stages


def test_the_corona_unit_sees_the_limited_step_and_no_full_feed() -> None:
    _, follower = outcome_of("CM05-7715")
    assert "limited step" in follower.stages
    assert "rated run, warm" not in follower.stages


def test_the_whole_demo_takes_between_one_and_three_hours_of_bench_time() -> None:
    """Heaters half an hour at most, the blower 22 min, the rest minutes."""
    times_s = {row.serial: outcome_of(row.serial)[1].plant.t_s for row in TABLE}
    assert max(times_s.values()) < 1800.0
    assert 3600.0 < sum(times_s.values()) < 10_800.0
