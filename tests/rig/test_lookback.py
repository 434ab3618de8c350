"""A meter that was off: attempts are decided again from their records, and nothing is guessed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from results.store import Store
from rig.errors import Exit
from rig.lookback import NONE, REJECTED, Off, _judge, redecided
from rig.outcome_record import closing_body
from rig.recording import part_to_body
from tests.procedures.test_demo_parts import outcome_of, part_of
from tests.rig.kept import closing

LIMITS = {"pass_ma": 0.75, "fail_ma": 1.5, "too_wide_u_ma": 0.1}


def line(name: str, value: float, sensitivity: float) -> dict[str, Any]:
    return {
        "input": name,
        "value_millionths": round(value * 1e6),
        "sensitivity_millionths": round(sensitivity * 1e6),
    }


def condition(y_ma: float, u_ma: float = 0.03, **more: Any) -> dict[str, Any]:
    """One that was measured at 120 V: the sensitivity to the meter is 1, to the volts -y/V."""
    lines = [line("meter accuracy", y_ma, 1.0), line("supply voltage", 120.0, -y_ma / 120.0)]
    amounts = {"y_ua": round(y_ma * 1e3), "u_ua": round(u_ma * 1e3)}
    return {**closing("pass")["worst"], **amounts, "budget": {"lines": lines}, **more}


def record(
    store: Store, verdict: str, rule: str, one: dict[str, Any], **more: Any
) -> tuple[str, str]:
    """An attempt on a part of its own; its part and its closing."""
    count = len(store.parts())
    intake = store.append("intake", "", {"family": "heater", "serial": f"S{count}"})
    body = {"part": intake.body["part"], "family": "heater", "attempt": 1, "change": ""}
    opening = store.append("opening", "b1", body)
    limits = [
        {"name": n, "value_millionths": round(v * 1e6), "unit": "mA", "mark": "P", "source": "shop"}
        | {"version": "1"}
        for n, v in LIMITS.items()
    ]
    ended = {**closing(verdict), "rule": rule, "conditions": [one], "worst": one, "limits": limits}
    done = store.append("closing", "b1", {**ended, "opening": opening.number, **more})
    return str(intake.body["part"]), done.number


@pytest.fixture
def store(tmp_path: Path) -> Any:
    with Store.open(tmp_path / "home", simulated=False) as opened:
        yield opened


def looked(cli: Any, *options: object) -> Any:
    return cli("lookback", "--since", "2020-01-01", *options, "--json")


@pytest.mark.parametrize(
    ("y_ma", "verdict", "rule", "off_ma", "would_be"),
    [
        (0.70, "pass", "pass", 0.0, "pass"),
        (0.70, "pass", "pass", -0.01, "pass"),
        (0.70, "pass", "pass", -0.021, "none"),  # 0.721 + 0.030 > 0.75: too close to call
        (0.70, "pass", "pass", -0.1, "none"),
        (0.70, "pass", "pass", -0.9, "fail"),  # 1.6 is above 1.5
        (1.60, "fail", "above the fail limit", 0.05, "fail"),
        (1.60, "fail", "above the fail limit", 0.2, "none"),
        (1.60, "fail", "above the fail limit", 0.95, "pass"),
        (0.76, "none", "too close to call", 0.05, "pass"),
    ],
)
def test_a_leakage_meter_that_was_off_by_some_milliamps(
    cli: Any, store: Store, y_ma: float, verdict: str, rule: str, off_ma: float, would_be: str
) -> None:
    """By the verdict rules, worked out by hand: pass y + U <= 0.75, fail y > 1.5, else none."""
    part, number = record(store, verdict, rule, condition(y_ma))
    ran = looked(cli, "--reading", "leakage", "--off", off_ma)
    (found,) = ran.json["attempts"]
    assert (found["record"], found["was"], found["would_be"]) == (number, verdict, would_be)
    assert ran.code == (Exit.DONE if verdict == would_be else Exit.FAIL)
    assert (f"{part} had passed" in ran.err) == (verdict == "pass" and would_be != "pass")


def test_percent_is_of_the_true_value() -> None:
    assert Off("leakage", percent=25).error(1.0) == pytest.approx(0.2)
    assert Off("leakage", by=0.1).error(1.0) == pytest.approx(0.1)


def test_volts_that_were_off_move_the_figure_by_its_own_sensitivity(cli: Any, store: Store) -> None:
    """y goes with 1/V: volts read 12 too high (of 120) had y 0.70 for what is 0.70 · 1.1."""
    record(store, "pass", "pass", condition(0.70))
    ran = looked(cli, "--reading", "supply", "--off", 12)
    assert ran.json["attempts"][0]["would_be"] == "none"
    assert looked(cli, "--reading", "supply", "--off", -12).json["attempts"][0]["change"] == (
        "unchanged"
    )


def bond(value: float, met: bool, allowed: str = "<= 0.1") -> dict[str, Any]:
    return {
        "name": "ground bond",
        "value_millionths": round(value * 1e6),
        "unit": "ohm",
        "allowed": allowed,
        "met": met,
        "words": "",
    }


@pytest.mark.parametrize(
    ("value", "met", "allowed", "off", "would_be"),
    [
        (0.09, True, "<= 0.1", -0.005, "pass"),
        (0.09, True, "<= 0.1", -0.02, "fail"),
        (0.11, False, "<= 0.1", 0.02, "pass"),
        (9.4, True, "9.3 to 12.0", 0.2, "fail"),
        (7.1, True, ">= 7", 0.2, "fail"),
        (0.09, True, "nothing loose", -0.02, None),
    ],
)
def test_a_check_is_judged_again_by_what_was_allowed(
    cli: Any, store: Store, value: float, met: bool, allowed: str, off: float, would_be: str | None
) -> None:
    verdict, rule = ("pass", "pass") if met else ("fail", "dead test")
    record(store, verdict, rule, condition(0.3), checks=[bond(value, met, allowed)])
    ran = looked(cli, "--reading", "ground bond", "--off", off)
    assert ran.json["attempts"][0]["would_be"] == would_be
    if would_be is None:
        assert ran.code == Exit.NO_VERDICT


@pytest.mark.parametrize(
    ("verdict", "rule", "more"),
    [
        ("fail", "above the cut-off", {"basis": "above", "u_ua": None, "budget": None}),
        ("aborted", "ended by a person", {}),
        ("pass", "pass", {"y_ua": 1600}),  # a record that doesn't give its own verdict
    ],
)
def test_what_a_record_can_t_decide_is_said_and_not_guessed(
    cli: Any, store: Store, verdict: str, rule: str, more: dict[str, Any]
) -> None:
    record(store, verdict, rule, condition(0.7, **more))
    ran = looked(cli, "--reading", "leakage", "--off", "0.05")
    assert ran.json["attempts"][0]["change"] == "can't be said"
    assert ran.code == Exit.NO_VERDICT


def test_what_was_not_proved_stays_unproved(cli: Any, store: Store) -> None:
    record(store, "none", "not proved", condition(0.8))
    ran = looked(cli, "--reading", "leakage", "--off", "0.7")
    assert ran.json["attempts"][0]["would_be"] == "none"


def test_only_what_leans_on_it_since_then_is_looked_at(cli: Any, store: Store) -> None:
    record(store, "pass", "pass", condition(0.3))
    assert looked(cli, "--reading", "insulation", "--off", 1).json["attempts"] == []
    ran = cli("lookback", "--reading", "leakage", "--off", 1, "--since", "2999-01-01", "--json")
    assert (ran.code, ran.json["attempts"]) == (Exit.DONE, [])
    assert "missing --off" in cli("lookback", "--reading", "leakage", "--since", "2020-01-01").err


@pytest.mark.parametrize(
    "serial", ["LK01-2201", "CM05-7715", "MB60-5521", "DP12-8801", "DP12-9107"]
)
def test_a_record_as_the_bench_makes_it_gives_its_own_verdict_again(serial: str) -> None:
    """What procedures decided from their floats, and what follows from the record's integers."""
    outcome, _ = outcome_of(serial)
    body = closing_body(outcome)
    found = redecided(part_to_body(part_of(serial)), body, NONE)
    rule = "rejected" if body["rule"] in REJECTED else body["rule"]
    assert (found.verdict, found.rule) == (body["verdict"], rule)
    for check in body["checks"]:
        judged = _judge(check)
        if (
            judged is not None
            and check["met"] is not None
            and check["value_millionths"] is not None
        ):
            assert judged[0](check["value_millionths"] / 1e6, judged[1]) == check["met"], check
