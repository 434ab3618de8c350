"""The guard's tables, written down a second time: a row that goes, or a rule, is noticed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields

import pytest

from rig.guard_seen import Decision, Facts, Memory, Seen
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


CONSTANTS = {  # what no limit or procedure can raise; P proposal, D derived, S standard
    "gate_ma": 3.0,  # P, the trade's order of energising, 4: full voltage at 3.0 mA prospective at most
    "cutoff_ma": 3.5,  # P, the same: software cut-off 3.5 mA
    "quiet_ma": 0.5,  # P: more than this with nothing on is a sensor that lies
    "water_max_c": 45.0,  # P, the hazard table: 45 degrees at most
    "dead_v": 10.0,  # P: pick-up below it, every supply and the 24 V source above it
    "discharged_v": 30.0,  # P: 34 V within 1 s is IEC 60335-1's (S, from memory); not above it
    "no_load_a": 0.2,  # P: what a load meter may read about zero
    "check_v": 24.0,  # D: the bench's known source, extra-low voltage
    "off_proof_s": 8.0,  # P: discharge through the bleed, and the meters' updates
    "check_s": 3.0,  # P: a few updates of the voltage meter for each step of live-dead-live
    "close_s": 2.0,  # P: pull-in, a slow voltage meter's update, a few scans
    "skew_s": 0.15,  # D: one scan and a half at 10 Hz; the bench file's scan sets it
    "confirm_s": 0.5,  # D: two updates of a meter that reads five times a second, and a scan
    "arm_hold_s": 10.0,  # P, the design: arm is held at most 10 s
    "lease_s": 0.4,  # D: 0.4 of a 1 s watchdog; the bench file's watchdog sets it
    "refusal_s": 15.0,  # P: a refusal that lasts so long will not go away by itself
    "person_s": 600.0,  # P: nobody is waited for longer than ten minutes
}


def test_the_guards_constants_are_these_and_no_others() -> None:
    assert defaults(Facts) == CONSTANTS


def defaults(of: type) -> dict[str, object]:
    return {f.name: f.default for f in fields(of) if f.default is not MISSING}


def test_what_is_not_said_of_a_scan_is_neither_a_number_nor_a_fault() -> None:
    assert defaults(Seen) == {
        "dirty_s": 0.0,
        "recorder_ok": True,
        "contradiction": "",
        "worst_leakage_ma": None,
        "leakage_apart": False,
        "over": frozenset(),
    }


def test_a_decision_says_nothing_that_was_not_decided() -> None:
    silent = dict.fromkeys(("waiting", "person_needed", "ended", "lockout"), "")
    assert defaults(Decision) == {**silent, "event": None, "person": False}


def test_a_guard_begins_with_nothing_proved_nothing_armed_and_nothing_on() -> None:
    times = ("since_s", "arm_s", "stage_s", "on_s", "refused_s", "last_beat_s", "decided_s")
    words = ("stage", "ended", "lockout")
    nothing = ("feed", "source", "bus_v", "split_s", "doubted")
    assert asdict(Memory()) == {
        **dict.fromkeys(times, 0.0),
        **dict.fromkeys(words, ""),
        **dict.fromkeys(nothing),
        **dict.fromkeys(("spent_event", "person", "proof_void"), False),
        "state": "unproved",
        "route": frozenset(),
        "contactors": {1, 2},
        "been_live_v": frozenset(),
        "lead": 1,
        "arm": "none",
    }


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
