"""The guard's tables, written down a second time: a row that goes, or a rule, is noticed."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from rig.guard_table import BY_STATE, GROUPS, ON_STATES, PERMITS, STAY_ON, TABLE, Rule, first_unmet
from tests.rig.guard_view import view

ROWS = {  # state: what is looked at, in this order, and where it leads
    "unproved": ["proved dead -> check live", "not proved dead in time -> locked out"],
    "check live": ["known source reads -> check dead", "check overdue -> locked out"],
    "check dead": ["bus dead -> check live again", "check overdue -> locked out"],
    "check live again": ["known source reads -> off", "check overdue -> locked out"],
    "off": ["route wanted -> routed ROUTE"],
    "routed": [
        "route no longer wanted -> opening",
        "source wanted -> testing SOURCE",
        "energising wanted -> closing ENERGISE",
    ],
    "closing": [
        "closed and live -> live",
        "live but a mirror open -> opening",
        "not closed in time -> opening",
    ],
    "live": ["no longer wanted -> breaking"],
    "breaking": ["one scan later -> opening"],
    "testing": ["source no longer wanted -> opening"],
    "opening": ["proved dead -> check live", "not proved dead in time -> locked out"],
    "locked out": [],
}
ALWAYS = ["declared", "fresh", "lines", "recorder"]
OPEN = ["contactors", "dead", "route"]
LID = ["lid", "lid closed", "stop"]
NEEDED = {
    "ROUTE": ["declared", *OPEN],
    "SOURCE": [
        *[*ALWAYS, "commissioned", *OPEN, "earth", "thermal", "hood", "supply", "agreement"],
        *["armed", *LID],
    ],
    "ENERGISE": [
        *[*ALWAYS, "commissioned", "bench proof", *OPEN, "gfci", "earth", "thermal"],
        *["hood", "ground"],
        *["limited step", "water", "supply", "agreement", "quiet", "armed", *LID],
    ],
    "STAY_ON": [
        *[
            "pace",
            *ALWAYS,
            *LID,
            "earth",
            "thermal",
            "hood",
            "water",
            "water temperature",
            "supply",
        ],
        *["agreement", "route", "feedback", "stage"],
    ],
}
BY_PERSON = {"lid", "lid closed", "stop", "gfci", "armed", "hood"}
RULES: Mapping[str, tuple[Rule, ...]] = {**PERMITS, "STAY_ON": STAY_ON}


def test_the_table_row_by_row() -> None:
    rows: dict[str, list[str]] = {state: [] for state in BY_STATE}
    for row in TABLE:
        rows[row.state].append(f"{row.when} -> {row.to} {row.needs}".strip())
    assert rows == ROWS
    assert {state: list(rows) for state, rows in BY_STATE.items()} == {
        state: [row for row in TABLE if row.state == state] for state in ROWS
    }


def test_what_may_be_on_in_which_state() -> None:
    assert {"closing", "live", "breaking", "testing"} == ON_STATES
    assert GROUPS == {
        "check live": ("check",),
        "check live again": ("check",),
        "routed": ("route",),
        "closing": ("route", "contactors"),
        "live": ("route", "contactors", "control"),
        "breaking": ("route", "last contactor"),
        "opening": ("route",),
        "testing": ("route", "source"),
        "locked out": ("route",),
    }


@pytest.mark.parametrize("table", NEEDED)
def test_no_rule_has_gone_or_changed_its_turn(table: str) -> None:
    """More rules may come; these stay, in this order, and are told to the same sort of cause."""
    names = [rule.name for rule in RULES[table]]
    assert len(names) == len(set(names))
    assert [name for name in names if name in NEEDED[table]] == NEEDED[table]
    known = [rule for rule in RULES[table] if rule.name in NEEDED[table]]
    assert {rule.name for rule in known if rule.person} == BY_PERSON & set(NEEDED[table])


def test_the_first_rule_that_does_not_hold_is_the_one_that_is_told() -> None:
    broken = view({"supply_v": None}, {"lid_closed": False, "stop_healthy": False})
    unmet = first_unmet(STAY_ON, broken)
    assert unmet is not None
    assert unmet.name == "fresh"
    assert first_unmet(STAY_ON, view()) is None
    recorder = next(rule for rule in STAY_ON if rule.name == "recorder")
    assert recorder.why(broken) == recorder.words  # no detail: no colon


def test_what_is_missing_is_told_by_name() -> None:
    rule = next(rule for rule in STAY_ON if rule.name == "fresh")
    whole = view()
    gone = {
        "values": {k: v for k, v in whole.seen.values.items() if k != "leakage_ma"},
        "inputs": {k: v for k, v in whole.seen.inputs.items() if k != "gfci_live"},
    }
    assert rule.why(view(seen=gone)) == f"{rule.words}: gfci_live, leakage_ma"


def test_a_contradiction_is_told_with_what_contradicts() -> None:
    rule = next(rule for rule in STAY_ON if rule.name == "agreement")
    assert rule.why(view(seen={"contradiction": "a against b"})) == f"{rule.words}: a against b"
