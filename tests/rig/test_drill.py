"""The drill: what it draws, how it judges, that it stands on this rig and falls on a broken one."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator

import pytest
from click.testing import CliRunner

import rig.guard
from drivers.virtual.faults import KINDS as BENCH_KINDS
from rig.commands.drill import drill as drill_command
from rig.drill import Seen, Stand, stand
from rig.drill_draw import Fault, Moment, Try, Wish, again, draw
from rig.drill_kinds import CELLS, KINDS, NOT_DRAWN, PARTS, STATES, state_of
from rig.drill_strike import Struck, Visits
from rig.drill_table import false_stop, is_bad, judge, story, sum_up, table, try_json
from rig.drill_try import Books, Ended
from rig.guard_table import BY_STATE

SHORT = "CM05-7715"  # 34 simulated seconds, most of the guard's states
STROKE = Struck("lid", "lid", "live", 12.0)

# ---- drawing -----------------------------------------------------------------------------------------


def test_two_thousand_tries_meet_each_fault_five_times_in_each_state() -> None:
    tries = draw(2000, 1)
    met = Counter(
        (t.faults[0].kind, t.moment.state) for t in tries if t.group == "single" and t.moment
    )
    assert len(tries) == 2000
    assert min(met[cell] for cell in CELLS) >= 5
    assert sum(t.group == "faultless" for t in tries) == 500
    assert sum(t.group == "one bad frame" for t in tries) >= 100
    assert sum(t.group == "pair" for t in tries) >= 100


def test_the_same_seed_draws_the_same_tries() -> None:
    assert draw(300, 7) == draw(300, 7)
    assert draw(300, 7) != draw(300, 8)


def test_every_fault_of_the_bench_is_drawn_and_no_other() -> None:
    ours = {name for name, kind in KINDS.items() if kind.side != "program"}
    assert ours == BENCH_KINDS.keys() - set(NOT_DRAWN)
    for name in ours:
        assert KINDS[name].places == BENCH_KINDS[name].where


def test_the_drills_states_are_the_guards() -> None:
    assert {state_of(name) for name in BY_STATE} == {*STATES, "locked out"}


def test_a_pair_is_two_kinds_and_a_broken_program_comes_last() -> None:
    for one in draw(2000, 3):
        if one.group == "pair":
            first, second = (KINDS[fault.kind] for fault in one.faults)
            assert first.name != second.name or first.side == second.side == "program"
            assert first.side != "program" or second.side == "program"


def test_one_bad_frame_is_one_frame() -> None:
    frames = [t for t in draw(400, 2) if t.group == "one bad frame"]
    assert frames
    assert all(f.faults[0].count == 1 and KINDS[f.faults[0].kind].side == "bus" for f in frames)


def test_only_what_was_asked_for_is_drawn() -> None:
    tries = draw(60, 1, Wish(parts=(SHORT,), kinds=("welded",)))
    assert {t.part for t in tries} == {SHORT}
    assert {f.kind for t in tries for f in t.faults} == {"welded"}
    assert not any(t.group in ("pair", "one bad frame") for t in tries)


def test_no_part_is_struck_in_a_state_that_it_never_enters() -> None:
    for one in draw(2000, 5):
        assert one.moment is None or one.moment.state not in PARTS[one.part].never


def test_a_moment_is_a_scan_of_a_visit() -> None:
    visits = [3, 10, 2]
    assert Moment("live", 0.0, 0.0).scan(visits) == (0, 0)
    assert Moment("live", 0.5, 0.5).scan(visits) == (1, 5)
    assert Moment("live", 0.999, 0.999).scan(visits) == (2, 1)
    assert Moment("live", 0.999, 0.0, early=3).scan(visits) == (2, 1)


def test_a_moment_that_did_not_come_is_drawn_again_earlier() -> None:
    one = Try(1, "single", SHORT, Moment("live", 0.8, 0.9), (Fault("lid", "lid"),))
    assert again(one).moment == Moment("live", 0.4, 0.0, 0)
    assert again(one).fresh == 1


def test_visits_are_counted_by_state() -> None:
    visits = Visits()
    places = [visits.note(state) for state in ("off", "off", "live", "off")]
    assert places == [(0, 0), (0, 1), (0, 0), (1, 0)]
    assert visits.scans == {"off": [2, 1], "live": [1]}


# ---- judging -----------------------------------------------------------------------------------------


def seen(ended: Ended, **what: object) -> Seen:
    """A single lid fault on a part that fails without faults."""
    one = Try(1, "single", SHORT, Moment("live", 0.0, 0.0), (Fault("lid", "lid"),))
    return Seen(one, **{"struck": (STROKE,), "ended": ended, **what})  # type: ignore[arg-type]


JUDGED = [
    (Ended("fail", "limit", "too much"), "harmless"),
    (Ended("none", "ended by the guard", "lid"), "detected"),
    (Ended("aborted", "ended by the guard", "lid"), "detected"),
    (Ended("fail", "limit", "too much", lockout="welded"), "detected"),
    (Ended(refused="the line is gone"), "detected"),
    (Ended("pass", "limit", "little"), "undetected"),
    (Ended(defect="KeyError: 'x'"), "undetected"),
]


@pytest.mark.parametrize(("ended", "word"), JUDGED)
def test_a_try_is_judged_by_what_the_controller_said(ended: Ended, word: str) -> None:
    assert judge(seen(ended)) == word


def test_a_fault_that_was_not_struck_says_nothing() -> None:
    missed = seen(Ended("fail"), struck=())
    assert judge(missed) == "missed"
    assert table([missed]) == []
    assert sum_up(1, [missed]).missed == 1


def test_a_killed_program_is_detected_by_what_is_left() -> None:
    killed = seen(Ended(), gone="killed by signal 9", books=Books((), ("interrupted",)))
    assert judge(killed) == "detected"
    assert "interrupted" in "".join(story(killed))


def test_any_stop_without_a_fault_is_false() -> None:
    good = Seen(Try(1, "faultless", SHORT), ended=Ended("fail"))
    stopped = Seen(Try(2, "faultless", SHORT), ended=Ended("none", reason="supply"))
    assert not false_stop(good)
    assert false_stop(stopped)
    assert sum_up(2, [good]).stood
    assert not sum_up(2, [good, stopped]).stood


@pytest.mark.parametrize(
    "what",
    [
        {"hazards": ("lid: live with the lid open",)},
        {"books": Books(("R-000002 has no closing",))},
    ],
)
def test_a_hazard_or_a_lost_record_fails_the_drill(what: dict[str, object]) -> None:
    bad = seen(Ended("none"), **what)
    assert is_bad(bad)
    assert not sum_up(1, [bad]).stood


def test_too_few_runs_that_survive_a_bad_frame_fail_the_drill() -> None:
    one = Try(1, "one bad frame", SHORT, Moment("live", 0, 0), (Fault("crc", "relays", 1),))
    stroke = (Struck("crc", "relays", "live", 1.0),)
    finished, ended = Seen(one, stroke, Ended("fail")), Seen(one, stroke, Ended("none"))
    assert sum_up(100, [finished] * 99 + [ended]).stood
    assert not sum_up(100, [finished] * 98 + [ended] * 2).stood


def test_the_table_counts_by_fault_and_state() -> None:
    ended = [seen(Ended("none"), off_s=(s,)) for s in (0.2, 0.4)]
    rows = table([*ended, seen(Ended("fail"), off_s=(9.0,))])  # the last died when it was done
    assert [(r.fault, r.state, r.tries, r.detected, r.harmless) for r in rows] == [
        ("lid", "live", 3, 2, 1)
    ]
    assert (rows[0].median_off_s, rows[0].worst_off_s) == (0.3, 0.4)
    # 1 - 0.05**(1/3), by hand
    assert rows[0].bound == pytest.approx(0.6316, abs=1e-4)
    assert json.loads(json.dumps(rows[0].as_json()))["records_lost"] == 0
    assert json.loads(json.dumps(try_json(seen(Ended("none")))))["judgement"] == "detected"


# ---- on a bench --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def here() -> Iterator[Stand]:
    with stand(1) as made:
        yield made


@pytest.fixture(scope="module")
def learned(here: Stand) -> dict[str, list[int]]:
    return dict(here.run(Try(0, "faultless", SHORT), {}).ended.visits)


def single(kind: str, where: str, state: str, within: float = 0.2) -> Try:
    return Try(1, "single", SHORT, Moment(state, 0.5, within), (Fault(kind, where),))


def test_a_lid_forced_open_is_seen_and_harms_nobody(
    here: Stand, learned: dict[str, list[int]]
) -> None:
    found = here.run(single("lid", "lid", "live"), learned)
    assert found.struck[0].state == "live"
    assert judge(found) == "detected"
    assert not found.hazards
    assert 0.0 < found.off_s[0] <= 0.5


def test_a_guard_that_does_not_look_at_the_lid_is_caught(
    here: Stand, learned: dict[str, list[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    blind = tuple(rule for rule in rig.guard.STAY_ON if not rule.name.startswith("lid"))
    monkeypatch.setattr(rig.guard, "STAY_ON", blind)
    found = here.run(single("lid", "lid", "live"), learned)
    assert any(words.startswith("lid:") for words in found.hazards)
    assert is_bad(found)


def test_a_killed_program_leaves_a_dead_bench_and_all_its_rows(
    here: Stand, learned: dict[str, list[int]]
) -> None:
    found = here.run(single("kill", "", "live", 0.2), learned)
    assert found.gone == "killed by signal 9"
    assert found.books.closed == ("interrupted",)
    assert not found.lost
    assert not found.hazards
    assert 0.5 < found.off_s[0] <= 1.2  # the relay board's watchdog: 1.0 s


def test_a_full_disk_loses_no_record(here: Stand, learned: dict[str, list[int]]) -> None:
    found = here.run(single("disk_full", "", "testing"), learned)
    assert judge(found) == "detected"
    assert found.books.closed == ("interrupted",)
    assert not found.lost


def test_books_that_lack_a_closing_are_found(
    here: Stand, learned: dict[str, list[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("results.store.Store.close_interrupted", lambda *_: [])
    found = here.run(single("kill", "", "off"), learned)
    assert any("has no closing" in words for words in found.lost)


def test_a_small_drill_stands() -> None:
    parts = ["--part", SHORT, "--part", "MW10-3987", "--part", "DP12-8801"]
    done = CliRunner().invoke(drill_command, ["--count", "30", "--seed", "1", "--json", *parts])
    said = json.loads(done.stdout)
    bad = [one for one in said["tries"] if one["judgement"] == "undetected" or one["hazards"]]
    assert said["stood"], bad
    assert said["tries_done"] >= 28
    assert said["hazards"] == 0
