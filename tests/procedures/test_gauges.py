"""What a verdict is held against: what decides, the warranty gate apart, standards as context only."""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.decide import decide
from procedures.gauges import BY_RULE, deciding, gauges, stands
from procedures.limit_sets import PROTECTION, RESALE, SETS, WARRANTY, WORDS
from procedures.limits import limits_for, sets
from procedures.scan import Check, Condition, Gauge, Part, Verdict

HEATER = Part("P", "heater", rated_v=240.0, rated_w=5500.0)
CLAIMED = replace(HEATER, warranty=True)
NO_FINDING = "that is no finding that the maker's limit was exceeded"
READ = Condition(
    name="rated run",
    feed="line_line",
    basis="measured",
    y_ma=0.5,
    u_ma=0.05,
    resistive_ma=0.5,
    capacitive_ma=0.0,
    dc_ma=None,
    second_ma=None,
    supply_v=120.0,
    samples=100,
    start_s=0.0,
    end_s=10.0,
    control_seen=True,
)


def _verdict(condition: Condition, part: Part) -> Verdict:
    return decide([condition], ["rated run"], [], limits_for("heater", part), 1, "")


def _gauges(y_ma: float, part: Part = HEATER, **changes: object) -> tuple[Gauge, ...]:
    condition = replace(READ, y_ma=y_ma, **changes)  # type: ignore[arg-type]
    verdict = _verdict(condition, part)
    return gauges(part, verdict, [], limits_for("heater", part))


def _of(found: tuple[Gauge, ...], set_name: str, words: str = "") -> Gauge:
    return next(one for one in found if one.set == set_name and words in one.words)


def test_a_pass_names_the_gate_and_the_marks_that_decided() -> None:
    found = _gauges(0.5)
    decided = [one for one in found if one.decides]
    assert [(one.limit, one.value, one.mark) for one in decided] == [
        ("pass limit", 0.75, "P"),
        ("guard band, in uncertainties", 1.0, "P"),
        ("widest uncertainty that may decide", 0.10, "P"),
    ]
    assert decided[0].words == "PASS against the resale gate in the conditions listed"
    assert decided[0].version == "2026.1"


def test_standards_stand_beside_it_and_never_decide() -> None:
    """2.0 mA of a 5.5 kW heater fails the resale gate and would be within 4.125 mA."""
    found = _gauges(2.0)
    assert _of(found, "resale").words.startswith("FAIL against the resale gate")
    iec = _of(found, "IEC 60335-1")
    assert not iec.decides
    assert iec.standing == "within"
    assert iec.words == "would be within IEC 60335-1 stationary class I, heating, 4.125 mA"
    assert (iec.mark, iec.source) == ("S", "IEC 60335-1 13.2, as quoted")
    assert "measured otherwise" in _of(found, "UL 101 family").words
    assert all(one.unit != "mA peak" for one in found)


@pytest.mark.parametrize(("y_ma", "standing"), [(1.0, "within"), (1.49, "open"), (1.6, "exceeds")])
def test_the_warranty_gate_is_told_with_what_it_does_not_mean(y_ma: float, standing: str) -> None:
    claim = _of(_gauges(y_ma, CLAIMED), "warranty")
    assert (claim.standing, claim.decides) == (standing, False)
    assert (NO_FINDING in claim.words) is (standing == "exceeds")


def test_a_part_without_a_warranty_has_no_such_line() -> None:
    assert all(one.set != "warranty" for one in _gauges(2.0))
    assert "warranty_ma" not in limits_for("heater", HEATER)


def test_the_three_kinds_of_limits_are_independent() -> None:
    """Another warranty gate or another cut-off moves no verdict of the resale gate."""
    names = [limit.name for one in (RESALE, WARRANTY, PROTECTION) for limit in one.limits]
    assert len(names) == len(set(names))
    limits = dict(limits_for("heater", CLAIMED))
    for y_ma in (0.3, 0.75, 1.0, 2.0):
        before = decide([replace(READ, y_ma=y_ma)], ["rated run"], [], limits, 1, "")
        for name in ("warranty_ma", "cutoff_ma", "gate_ma"):
            moved = {**limits, name: replace(limits[name], value=0.01)}
            after = decide([replace(READ, y_ma=y_ma)], ["rated run"], [], moved, 1, "")
            assert (after.verdict, after.rule) == (before.verdict, before.rule)


def test_a_cut_off_is_only_a_lower_bound() -> None:
    cut = replace(READ, basis="above", y_ma=3.5, u_ma=0.0)
    assert stands(cut, 1.5) == "exceeds"
    assert stands(cut, 3.5) == "unknown"
    assert stands(cut, 4.125) == "unknown"
    assert stands(None, 1.0) == "unknown"


def test_a_reject_is_decided_by_the_limits_of_the_check_that_was_not_met() -> None:
    checks = [
        Check("ohms", 5.0, "ohm", "9 to 11", False),
        Check("ground bond", 0.03, "ohm", "", True),
    ]
    verdict = Verdict("fail", "dead test", "ohms")
    assert deciding(verdict, checks) == ("ohms_low_percent", "ohms_high_percent")
    found = gauges(HEATER, verdict, checks, limits_for("heater", HEATER))
    assert [one.limit for one in found] == ["ohms below the plate", "ohms above the plate"]
    assert all(one.decides for one in found)


def test_every_rule_names_limits_that_there_are_and_every_limit_has_words() -> None:
    known = {limit.name for one in sets() for limit in one.limits}
    assert {name for names in BY_RULE.values() for name in names} <= known
    assert known == set(WORDS)
    assert all("_" not in words for words in WORDS.values())
    assert {limit.set for one in sets() for limit in one.limits} <= set(SETS)
