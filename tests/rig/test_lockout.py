"""A lockout stands outside any home, survives, and is cleared only by a person, on record."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from results.store import Store
from rig import home as home_of
from rig.bench_file import Bench, load_bench
from rig.commands.bench_unlock import unlock
from rig.errors import LockedOut, NotProved
from rig.lockout import NothingToUnlock, clear, lock_out, refuse_locked_out
from rig.proof import made_with, proof_in_force

EXAMPLE = Path(__file__).parents[2] / "rig" / "examples" / "split_phase.toml"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))
    return load_bench(EXAMPLE)


@pytest.fixture
def locked(bench: Bench, tmp_path: Path) -> Bench:
    with Store.open(tmp_path / "home", simulated=False) as store:
        good = {"passed": True, "reason": "", "digest": bench.digest, "checks": []}
        store.append("bench_proof", bench.id, {**good, **made_with(), "fixture_ua": {}})
        proof_in_force(store, bench)
        lock_out(store, bench, "off could not be proved")
    return bench


def test_a_lockout_stands_whatever_home_is_used(locked: Bench) -> None:
    for _ in range(2):  # reading it does not clear it
        with pytest.raises(LockedOut, match=r"off could not be proved.*test before touch"):
            refuse_locked_out(locked.id)


def test_the_first_reason_stays(locked: Bench) -> None:
    home_of.write_lockout(locked.id, "another one")
    with pytest.raises(LockedOut, match="off could not be proved"):
        refuse_locked_out(locked.id)


def test_a_damaged_lockout_file_still_locks_out(locked: Bench) -> None:
    (home_of.state_dir() / f"{locked.id}.lockout.json").write_text("{", "utf-8")
    with pytest.raises(LockedOut, match="can't be read"):
        refuse_locked_out(locked.id)


def test_a_person_clears_it_on_record_and_a_new_proof_is_needed(
    locked: Bench, tmp_path: Path
) -> None:
    record, was = clear(locked, tmp_path / "home", "contactor 2 replaced", "R. Tarn")
    assert was.reason == "off could not be proved"
    assert record.body["by"] == "R. Tarn"
    refuse_locked_out(locked.id)
    with Store.open(tmp_path / "home") as store:
        assert store.newest("lockout", locked.id) is not None
        with pytest.raises(NotProved, match="off could not be proved"):
            proof_in_force(store, locked)


def test_there_must_be_something_to_clear(bench: Bench, tmp_path: Path) -> None:
    with pytest.raises(NothingToUnlock):
        clear(bench, tmp_path / "home", "because", "R. Tarn")


@pytest.mark.parametrize("missing", ["--reason", "--by"])
def test_no_release_without_reason_and_name(locked: Bench, tmp_path: Path, missing: str) -> None:
    given = {"--bench": str(EXAMPLE), "--home": str(tmp_path / "home")}
    given |= {"--reason": "done", "--by": "R. Tarn", missing: "   "}
    words = [word for pair in given.items() for word in pair]
    assert CliRunner().invoke(unlock, words).exit_code != 0
    with pytest.raises(LockedOut):
        refuse_locked_out(locked.id)
