"""The verdict rules, each with its own edge, restated by hand: pass 0.75, fail 1.5, U 0.10 mA."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.budget import Line, budget
from procedures.decide import CODES, RULES, decide, decide_arrays
from procedures.limits import limits_for
from procedures.scan import NOT_BELIEVED, UNREAD, Check, Condition, Part, Verdict

LIMITS = limits_for("heater", Part("1", "heater"))
GOOD = Condition(
    name="hot, wet",
    feed="line_line",
    basis="measured",
    y_ma=0.30,
    u_ma=0.03,
    resistive_ma=0.30,
    capacitive_ma=0.0,
    dc_ma=None,
    second_ma=None,
    supply_v=240.0,
    samples=10,
    start_s=0.0,
    end_s=2.0,
    control_seen=True,
)
COLD = replace(GOOD, name="cold, wet", y_ma=0.20)
BOND = Check("ground bond", 0.06, "ohm", "at most 0.1 ohm", True)


def _verdict(*conditions: Condition, attempt: int = 1, change: str = "", **rest: object) -> Verdict:
    required = [c.name for c in conditions]
    checks = rest.pop("checks", [BOND])
    return decide(conditions, required, checks, LIMITS, attempt, change, **rest)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("y", "u", "verdict", "rule"),
    [
        (0.30, 0.03, "pass", "pass"),
        (0.65, 0.10, "pass", "pass"),  # y + U = 0.75 just passes
        (0.66, 0.10, "none", "too close to call"),
        (0.73, 0.05, "none", "too close to call"),
        (0.80, 0.05, "none", "too close to call"),
        (0.81, 0.05, "none", "retest"),
        (1.50, 0.05, "none", "retest"),  # not above 1.5
        (1.51, 0.05, "fail", "above the fail limit"),
        (2.00, 9.00, "fail", "above the fail limit"),
        (0.30, 0.11, "none", "uncertainty too wide"),
        (1.20, 0.11, "none", "uncertainty too wide"),
        (math.nan, 0.03, "none", "not proved"),
        (0.30, math.nan, "none", "not proved"),
        (0.30, math.inf, "none", "not proved"),
        (math.inf, math.inf, "fail", "above the fail limit"),
    ],
)
def test_one_value(y: float, u: float, verdict: str, rule: str) -> None:
    got = _verdict(COLD, replace(GOOD, y_ma=y, u_ma=u))
    assert (got.verdict, got.rule) == (verdict, rule), got.reason


def test_the_reason_names_worst_condition_value_and_limit() -> None:
    got = _verdict(replace(COLD, y_ma=0.8), GOOD)
    assert got.worst is not None
    assert got.worst.name == "cold, wet"
    assert got.reason == "cold, wet: 0.800 mA ± 0.030, between 0.75 and 1.50 mA: change, retest"


def test_worst_counts_even_when_it_reads_less() -> None:
    """0.70 ± 0.02 passes, 0.69 ± 0.09 doesn't: no average, no greatest reading alone."""
    got = _verdict(replace(COLD, y_ma=0.70, u_ma=0.02), replace(GOOD, y_ma=0.69, u_ma=0.09))
    assert got.rule == "too close to call"
    assert got.worst is not None
    assert got.worst.name == "hot, wet"


def test_a_failed_check_fails_first() -> None:
    bad = Check("ground bond", 0.4, "ohm", "at most 0.1 ohm", False, "loose screw")
    got = _verdict(replace(GOOD, y_ma=9.0), checks=[bad])
    assert (got.verdict, got.rule) == ("fail", "rejected")
    assert got.reason == "ground bond: 0.4 ohm, allowed at most 0.1 ohm (loose screw)"


def test_a_failed_check_fails_with_nothing_measured() -> None:
    bad = Check("look", None, "", "", False, "bulge")
    got = decide([], ["hot, wet"], [bad], LIMITS)
    assert (got.verdict, got.reason) == ("fail", "look: (bulge)")


def test_every_failed_check_is_told() -> None:
    bad = [
        Check("ohms", 4.0, "ohm", "9.6 to 11.7 ohm", False),
        Check("turns", None, "", "yes", False),
    ]
    got = _verdict(GOOD, checks=bad)
    assert got.reason == "ohms: 4 ohm, allowed 9.6 to 11.7 ohm; turns:, allowed yes"


def test_a_check_not_judged_rejects_nothing() -> None:
    assert _verdict(GOOD, checks=[Check("colour", None, "", "", None)]).verdict == "pass"


def test_above_the_cut_off_fails_without_control_and_says_when() -> None:
    above = replace(
        GOOD, basis="above", y_ma=3.5, control_seen=False, after_s=661.0, note="the GFCI tripped"
    )
    got = _verdict(COLD, above)
    assert (got.verdict, got.rule) == ("fail", "above the cut-off")
    assert got.reason == "hot, wet: above 3.50 mA, off after 661.0 s (the GFCI tripped)"
    bare = replace(above, after_s=None, note="")
    assert _verdict(bare).reason == "hot, wet: above 3.50 mA, off after an unknown time"


def test_fail_may_come_early_pass_may_not() -> None:
    required = ["cold, wet", "hot, wet", "re-soaked"]
    early = decide([replace(COLD, y_ma=2.0)], required, [BOND], LIMITS)
    assert early.verdict == "fail"
    late = decide([COLD, GOOD], required, [BOND], LIMITS)
    assert (late.verdict, late.rule) == ("none", "not proved")
    assert late.reason == "not proved: re-soaked is missing"


def test_a_required_check_may_stand_for_a_condition() -> None:
    assert decide([GOOD], ["hot, wet", "ground bond"], [BOND], LIMITS).verdict == "pass"
    open_bond = replace(BOND, met=None)
    assert decide([GOOD], ["hot, wet", "ground bond"], [open_bond], LIMITS).verdict == "none"


def test_what_does_not_count_proves_nothing_and_fails_nothing() -> None:
    before = replace(COLD, y_ma=2.9, counts=False)
    assert decide([before, GOOD], ["hot, wet"], [BOND], LIMITS).verdict == "pass"
    assert decide([before, GOOD], ["hot, wet", "cold, wet"], [BOND], LIMITS).rule == "not proved"


def test_without_the_positive_control_nothing_passes() -> None:
    got = _verdict(COLD, replace(GOOD, control_seen=False))
    assert (got.verdict, got.rule) == ("none", "not proved")
    assert "positive control did not show in hot, wet" in got.reason


def test_nothing_measured_is_not_proved() -> None:
    got = decide([], [], [], LIMITS)
    assert (got.verdict, got.rule, got.worst) == ("none", "not proved", None)
    assert got.reason == "not proved: no leakage was measured"


def test_disagreeing_readings_decide_nothing() -> None:
    doubted = replace(GOOD, y_ma=2.0)
    got = _verdict(COLD, doubted, doubts={"hot, wet": "the two sensors disagree"})
    assert (got.verdict, got.rule) == ("none", "not proved")
    assert got.reason == "not proved: hot, wet: the two sensors disagree"
    failing = _verdict(replace(COLD, y_ma=2.0), doubted, doubts={"hot, wet": "they disagree"})
    assert failing.verdict == "fail"


def test_everything_that_is_not_proved_is_told() -> None:
    """Each missing number, whichever half of it is missing; the condition without one is the worst."""
    blind = replace(COLD, control_seen=False)
    for lost in ({"y_ma": math.nan}, {"u_ma": math.nan}, {"u_ma": math.inf}):
        got = _verdict(blind, replace(GOOD, **lost))  # type: ignore[arg-type]
        assert got.worst is not None
        assert got.worst.name == "hot, wet"
        assert got.reason == (
            "not proved: the positive control did not show in cold, wet; no number in hot, wet"
        )


@pytest.mark.parametrize("turned", [False, True])
def test_the_worst_of_those_that_one_rule_decides_reaches_highest(turned: bool) -> None:
    """0.70 ± 0.09 reaches 0.79, 0.72 ± 0.06 only 0.78; both are too close to 0.75 to call."""
    pair = [replace(COLD, y_ma=0.72, u_ma=0.06), replace(GOOD, y_ma=0.70, u_ma=0.09)]
    got = _verdict(*(reversed(pair) if turned else pair))
    assert got.rule == "too close to call"
    assert got.worst is not None
    assert got.worst.name == "hot, wet"


def test_a_retest_that_fails_says_after_which_change() -> None:
    got = _verdict(replace(GOOD, y_ma=1.0), attempt=2, change=" dried ")
    assert got.reason == "hot, wet: 1.000 mA ± 0.030 after dried, still no pass at 0.75 mA"


def test_a_retest_without_a_word_of_a_change_does_not_count() -> None:
    got = decide([GOOD], ["hot, wet"], [BOND], LIMITS, 2)
    assert got.rule == "retest without a change"


def test_other_limits_decide_otherwise_and_the_shops_own_stand_in() -> None:
    strict = {**LIMITS, "pass_ma": replace(LIMITS["pass_ma"], value=0.25)}
    common = decide_arrays(0.3, 0.03, False, False, True, False, 2)
    assert RULES[common[0]].name == "pass"
    own = decide_arrays(0.3, 0.03, False, False, True, False, 1, limits=strict)
    assert RULES[own[0]].name == "retest"


def test_a_rise_rejects_though_the_value_would_pass() -> None:
    got = _verdict(COLD, GOOD, rising={"hot, wet": "rose by 0.20 mA and no plateau"})
    assert (got.verdict, got.rule) == ("fail", "rising")
    assert got.reason == "hot, wet: rose by 0.20 mA and no plateau"


@pytest.mark.parametrize(
    ("attempt", "change", "y", "verdict", "rule"),
    [
        (2, "dried", 0.30, "pass", "pass"),
        (2, "dried", 0.73, "fail", "still no pass"),
        (2, "dried", 1.00, "fail", "still no pass"),
        (2, "", 0.30, "none", "retest without a change"),
        (2, "  ", 1.00, "none", "retest without a change"),
        (2, "", 2.00, "fail", "above the fail limit"),
        (3, "dried", 0.30, "none", "one retest only"),
        (3, "dried", 1.00, "fail", "still no pass"),
        (1, "dried", 1.00, "none", "retest"),
    ],
)
def test_retests(attempt: int, change: str, y: float, verdict: str, rule: str) -> None:
    got = _verdict(replace(GOOD, y_ma=y), attempt=attempt, change=change)
    assert (got.verdict, got.rule) == (verdict, rule), got.reason


def test_a_retest_that_proves_nothing_does_not_condemn_the_part() -> None:
    """A bench that can't tell is no finding about the part."""
    for doubtful in (replace(GOOD, u_ma=0.2), replace(GOOD, control_seen=False)):
        assert _verdict(doubtful, attempt=2, change="cleaned").verdict == "none"


def test_many_parts_at_once_are_decided_as_each_alone() -> None:
    y = np.array([0.3, 0.7, 1.0, 1.6, math.nan, 0.3])
    u = np.array([0.05, 0.08, 0.05, 0.05, 0.05, 0.05])
    no = np.zeros(6, dtype=bool)
    rejected = np.array([False, False, False, False, False, True])
    got = decide_arrays(y, u, no, rejected, ~no, no, np.ones(6))
    names = [RULES[code].name for code in got]
    assert names == [
        "pass",
        "too close to call",
        "retest",
        "above the fail limit",
        "not proved",
        "rejected",
    ]


def test_one_value_under_many_attempts() -> None:
    got = decide_arrays(
        1.0, 0.05, False, False, True, False, [1, 2, 3], changed=[True, True, False]
    )
    names = [RULES[code].name for code in got]
    assert names == ["retest", "still no pass", "retest without a change"]


NUMBERS = st.floats(0.0, 5.0) | st.just(math.nan) | st.just(math.inf)


@given(NUMBERS, NUMBERS, *[st.booleans()] * 5, st.integers(0, 4))
def test_a_pass_is_never_given_for_less(
    y: float,
    u: float,
    above: bool,
    rejected: bool,
    proved: bool,
    rising: bool,
    changed: bool,
    attempt: int,
) -> None:
    code = decide_arrays(y, u, above, rejected, proved, rising, attempt, changed=changed)[0]
    may_pass = y + u <= 0.75 and u <= 0.10 and proved and not (above or rejected or rising)
    may_pass = may_pass and (attempt < 2 or (attempt == 2 and changed))
    assert bool(code == CODES["pass"]) is may_pass


@given(st.floats(0.0, 3.0), st.floats(0.0, 3.0), st.floats(0.0, 0.2))
def test_more_leakage_never_makes_a_better_verdict(y: float, more: float, u: float) -> None:
    grade = {"fail": 0, "none": 1, "pass": 2}
    less_code, more_code = decide_arrays([y, y + more], u, False, False, True, False, 1)
    assert grade[RULES[more_code].verdict] <= grade[RULES[less_code].verdict]


@pytest.mark.parametrize("words", [UNREAD, f"{NOT_BELIEVED}: it reads 3 of a known 5"])
def test_a_check_that_its_meter_gave_nothing_to_believe_for_proves_nothing(words: str) -> None:
    silent = Check("insulation, dry", None, "Mohm", ">= 1", None, words)
    got = _verdict(COLD, GOOD, checks=[BOND, silent])
    assert (got.verdict, got.rule) == ("none", "not proved")
    assert words in got.reason
    recorded = Check("ohms", None, "ohm", "recorded", None, "the plate gives no resistance")
    assert _verdict(COLD, GOOD, checks=[BOND, recorded]).verdict == "pass"


# ---- guard band, probability, what would settle it ---------------------------------------------------


@pytest.mark.parametrize(
    ("share", "y", "rule"),
    [
        (0.0, 0.75, "pass"),
        (0.0, 0.76, "too close to call"),
        (0.83, 0.667, "pass"),
        (0.83, 0.668, "too close to call"),
        (1.0, 0.65, "pass"),
        (1.0, 0.651, "too close to call"),
        (1.5, 0.601, "too close to call"),
        (1.5, 0.60, "pass"),
    ],
)
def test_the_guard_band_that_the_shop_has_chosen(share: float, y: float, rule: str) -> None:
    chosen = {**LIMITS, "guard_band_u": replace(LIMITS["guard_band_u"], value=share)}
    code = decide_arrays(y, 0.10, False, False, True, False, 1, limits=chosen)[0]
    assert RULES[code].name == rule


def test_without_a_choice_the_whole_of_u_is_kept_off_the_limit() -> None:
    without = {name: limit for name, limit in LIMITS.items() if name != "guard_band_u"}
    code = decide_arrays([0.65, 0.651], 0.10, False, False, True, False, 1, limits=without)
    assert [RULES[one].name for one in code] == ["pass", "too close to call"]


def test_the_verdict_says_how_probable_it_is_that_the_worst_is_within() -> None:
    """0.70 ± 0.05 (k = 2): two standard uncertainties below 0.75."""
    got = _verdict(COLD, replace(GOOD, y_ma=0.70, u_ma=0.05))
    assert got.conformity == pytest.approx(0.97725, abs=5e-6)
    above = replace(GOOD, basis="above", y_ma=3.5, u_ma=0.0, after_s=1.0)
    assert _verdict(COLD, above).conformity is None
    assert _verdict(replace(GOOD, u_ma=math.inf)).conformity is None
    assert _verdict(replace(GOOD, y_ma=math.nan)).conformity is None
    assert decide([], ["hot, wet"], [BOND], LIMITS).conformity is None


def test_too_close_to_call_says_what_would_settle_it() -> None:
    lines = [
        Line("noise", 0.73, 0.02, "mA", "normal", 4.0, 1.0),
        Line("fixture", 0.0, 0.001, "mA", "rectangular", math.inf, 1.0),
    ]
    close = replace(GOOD, y_ma=0.73, u_ma=0.04, budget=budget(0.73, lines, "mA"))
    got = _verdict(COLD, close)
    assert got.rule == "too close to call"
    assert got.reason.startswith("hot, wet: 0.730 mA ± 0.040 is too close to 0.75 mA to call")
    assert "; what would settle it: more samples: a longer soak (" in got.reason
    assert got.conformity == pytest.approx(NormalDist().cdf(0.02 / math.hypot(0.02, 0.001)))
    bare = _verdict(COLD, replace(close, budget=None))
    assert bare.reason == "hot, wet: 0.730 mA ± 0.040 is too close to 0.75 mA to call"
    assert "settle" not in _verdict(COLD, replace(close, y_ma=0.85)).reason


def test_a_check_that_was_met_by_other_means_lacks_nothing() -> None:
    """A meter that gave no reading, and a hand instrument that did."""
    by_hand = Check("insulation, dry", 40.0, "Mohm", ">= 1", True, UNREAD)
    assert _verdict(COLD, GOOD, checks=[BOND, by_hand]).verdict == "pass"
