"""A clock that isn't set gives no verdict; an upgrade or a restored backup voids the bench proof."""

from __future__ import annotations

import datetime
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import RealClock
from results import backup
from results.places import in_home
from results.store import Store
from rig import proof
from rig.bench import OpenBench
from rig.clock_set import ClockNotSet, refuse_unset, set_back
from rig.errors import Exit, NotProved
from rig.outcome_record import ended_body
from rig.proving import Place
from rig.run import Result, _note_clock
from rig.standing import permit, permit_commissioning
from tests.rig.test_commissioned import BENCH

NOW_S = 1_790_000_000.0  # 2026-09-21


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "home", simulated=False) as opened:
        yield opened


@pytest.mark.parametrize(
    ("now_s", "words"),
    [
        (0.0, "says 1970-01-01 00:00 UTC, before this program was built"),
        (-1e18, "before this program was built"),
        (datetime.datetime(2024, 12, 31, tzinfo=datetime.UTC).timestamp(), "2024-12-31"),
    ],
)
def test_a_clock_from_before_this_program_is_refused(
    store: Store, now_s: float, words: str
) -> None:
    with pytest.raises(ClockNotSet, match=words) as caught:
        refuse_unset(store, "b1", now_s)
    assert caught.value.exit_code == Exit.NO_VERDICT
    assert "set the clock" in str(caught.value)


def test_a_clock_from_before_the_benchs_newest_record_is_refused(store: Store) -> None:
    refuse_unset(store, "b1", NOW_S)
    store.append("lockout", "b1", {"reason": "x"}, at_ms=round((NOW_S + 3600) * 1e3))
    with pytest.raises(ClockNotSet, match="before record R-000001 of bench b1"):
        refuse_unset(store, "b1", NOW_S)
    refuse_unset(store, "b2", NOW_S)  # another bench's clock may be wrong, this one's isn't
    refuse_unset(store, "b1", NOW_S + 3600 - 59)
    with pytest.raises(ClockNotSet):
        refuse_unset(store, "b1", NOW_S + 3600 - 61)


def test_nothing_energises_with_a_clock_that_is_not_set(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))
    monkeypatch.setattr("rig.clock_set.time.time", lambda: 0.0)
    place = Place(OpenBench(BENCH, {}, RealClock(), None, True, {}), store, tmp_path / "home")
    for ask in (permit, permit_commissioning):
        with pytest.raises(ClockNotSet):
            ask(place)


@pytest.mark.parametrize(
    ("verdict", "after"), [("pass", "none"), ("none", "none"), ("fail", "fail")]
)
def test_a_clock_set_back_during_the_attempt_leaves_no_pass(
    store: Store, verdict: str, after: str
) -> None:
    hour_ms = 3_600_000
    body = {"part": "", "family": "bench proof"}
    ahead = store.append("opening", "b1", body, at_ms=round(time.time() * 1e3) + hour_ms)
    result = Result(ended_body(verdict, "rule", "reason", ()), outcome=object())  # type: ignore[arg-type]
    _note_clock(result, ahead)
    assert result.closing["verdict"] == after
    assert ("clock was set back" in result.closing["reason"]) == (after == "none")


def test_a_clock_that_goes_on_says_nothing() -> None:
    assert set_back(round(NOW_S * 1e3), NOW_S + 5) == ""
    assert set_back(round(NOW_S * 1e3), NOW_S - 30) == ""
    assert "2026-09-21" in set_back(round(NOW_S * 1e3), NOW_S - 3600)


# ---- upgrade and restore void the bench proof ------------------------------------------------------


def proved(store: Store, **changes: Any) -> None:
    good = {"passed": True, "reason": "", "digest": BENCH.digest, "checks": [], "fixture_ua": {}}
    store.append("bench_proof", BENCH.id, {**good, **proof.made_with(), **changes})


@pytest.mark.parametrize(
    "changes", [{"version": "0.0.9"}, {"tables": "0001"}, {"version": None}, {"tables": None}]
)
def test_a_proof_of_before_an_upgrade_does_not_hold(store: Store, changes: dict[str, Any]) -> None:
    proved(store)
    proof.proof_in_force(store, BENCH)
    proved(store, **changes)
    with pytest.raises(NotProved, match="upgraded since proof R-000002"):
        proof.proof_in_force(store, BENCH)


def test_a_proof_of_before_a_restored_backup_does_not_hold(store: Store, tmp_path: Path) -> None:
    proved(store)
    backup.backup(store, tmp_path / "backup.sqlite")
    proof.void_proof(store, BENCH, "the bench's GFCI tripped")
    backup.restore(tmp_path / "backup.sqlite", in_home(tmp_path / "new"))
    shutil.copytree(tmp_path / "home" / "keys", tmp_path / "new" / "keys")
    with Store.open(tmp_path / "new") as restored:
        with pytest.raises(NotProved, match="came back from a backup since proof R-000001"):
            proof.proof_in_force(restored, BENCH)
        proved(restored)
        proof.proof_in_force(restored, BENCH)
