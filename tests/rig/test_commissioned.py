"""May a bench energise? Every row of the table attacked, then the same over home and state."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import RealClock
from results.store import Store
from rig.bench import OpenBench
from rig.bench_file import load_bench
from rig.commissioned import LEAST_TRIES, Drill, NotCommissioned, Standing, counts, lacks, refuse
from rig.errors import Exit
from rig.home import read_drill, write_drill
from rig.proving import Place, prepare, prove_bench
from rig.scan_loop import Tender
from rig.standing import permit, permit_commissioning, standing_of

EXAMPLE = Path(__file__).parents[2] / "rig" / "examples" / "split_phase.toml"
BENCH = load_bench(EXAMPLE, datetime.date(2026, 6, 1))
DRILL = Drill("1.0", passed=True, count=LEAST_TRIES, seed=1)
RECORD: dict[str, Any] = {"passed": True, "digest": "d", "version": "1.0"}
GOOD = Standing(False, "d", "1.0", DRILL, RECORD)


def test_a_real_bench_with_everything_may() -> None:
    assert lacks(GOOD) == []


def test_a_virtual_bench_needs_neither() -> None:
    assert lacks(Standing(True, "d", "1.0")) == []


@pytest.mark.parametrize(
    ("standing", "words"),
    [
        (replace(GOOD, drill=None), "no fault drill on this machine"),
        (replace(GOOD, drill=replace(DRILL, passed=False)), "fault drill did not pass"),
        (replace(GOOD, drill=replace(DRILL, version="0.9")), "drill was of another version"),
        (replace(GOOD, drill=replace(DRILL, count=LEAST_TRIES - 1)), "fewer than 2000 tries"),
        (replace(GOOD, commissioning=None), "no commissioning on record"),
        (replace(GOOD, commissioning={}), "commissioning did not pass"),
        (replace(GOOD, commissioning={**RECORD, "passed": False}), "commissioning did not pass"),
        (replace(GOOD, commissioning={**RECORD, "passed": 1}), "commissioning did not pass"),
        (replace(GOOD, digest="e"), "bench file has changed since it was commissioned"),
        (replace(GOOD, version="1.1"), "commissioned with another version"),
        (replace(GOOD, commissioning={"passed": True}), "bench file has changed"),
    ],
)
def test_each_lack_alone_refuses_and_says_what_to_run(standing: Standing, words: str) -> None:
    missing = lacks(standing)
    with pytest.raises(NotCommissioned, match=words) as caught:
        refuse("b", "b.toml", missing)
    assert caught.value.exit_code is Exit.NOT_READY
    about = {lack.about for lack in missing}
    assert ("drill --count 2000" in str(caught.value)) is ("drill" in about)
    assert ("bench commission --bench b.toml" in str(caught.value)) is ("commissioning" in about)


def test_both_are_named_in_the_order_in_which_to_run_them() -> None:
    missing = lacks(Standing(False, "d", "1.0"))
    with pytest.raises(NotCommissioned) as caught:
        refuse("b", "b.toml", missing)
    words = str(caught.value)
    assert words.index("no fault drill") < words.index("no commissioning")
    assert words.index("milliproof drill") < words.index("milliproof bench commission")


# ---- over home and state ---------------------------------------------------------------------------


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    """A real bench, not opened: whatever would touch a line fails the test."""
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))
    monkeypatch.setattr("rig.standing.version", lambda _name: "1.0")
    (tmp_path / "home").mkdir()
    store = Store.open(tmp_path / "home", simulated=False)
    yield Place(OpenBench(BENCH, {}, RealClock(), None, False, {}), store, tmp_path / "home")
    store.close()


def _record(place: Place, **changes: Any) -> None:
    body = {"passed": True, "reason": "", "digest": BENCH.digest, "version": "1.0", "by": "R. Tarn"}
    place.store.append("commissioning", BENCH.id, {**body, "stages": [], "checks": [], **changes})


def test_a_real_bench_is_permitted_by_drill_and_commissioning_only(place: Place) -> None:
    assert not place.ours.facts(1, True).commissioned
    for drilled in (False, True):
        if drilled:
            write_drill(DRILL)
        with pytest.raises(NotCommissioned):
            permit(place)
        assert not place.ours.facts(1, True).commissioned
    _record(place)
    permit(place)
    assert place.ours.facts(1, True).commissioned


@pytest.mark.parametrize(
    "changes", [{"passed": False}, {"digest": "another"}, {"version": "0.9"}], ids=str
)
def test_the_newest_record_counts(place: Place, changes: dict[str, Any]) -> None:
    write_drill(DRILL)
    _record(place)
    _record(place, **changes)
    with pytest.raises(NotCommissioned):
        permit(place)


def test_another_benchs_commissioning_is_none(place: Place) -> None:
    write_drill(DRILL)
    body = {"passed": True, "reason": "", "digest": BENCH.digest, "version": "1.0", "by": "R"}
    place.store.append("commissioning", "other", {**body, "stages": [], "checks": []})
    with pytest.raises(NotCommissioned, match="no commissioning on record"):
        permit(place)


def test_neither_proof_nor_part_goes_before_it(place: Place) -> None:
    """Refused before the first output: this bench has no lines at all."""
    with pytest.raises(NotCommissioned):
        prove_bench(place, 1, Tender())
    with pytest.raises(NotCommissioned):
        prepare(place, None, {})  # type: ignore[arg-type]


def test_commissioning_itself_needs_the_drill(place: Place) -> None:
    with pytest.raises(NotCommissioned, match="no fault drill on this machine"):
        permit_commissioning(place)
    write_drill(DRILL)
    permit_commissioning(place)
    assert not place.ours.facts(1, True).commissioned  # the guard knows it by its declaration


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "null",
        '{"passed": true}',
        json.dumps({"version": "1.0", "passed": 1, "count": 2000, "seed": 1, "at": "now"}),
        json.dumps({"version": "1.0", "passed": True, "count": "2000", "seed": 1, "at": "now"}),
        "\x00\xff",
    ],
)
def test_a_damaged_drill_file_is_no_drill(place: Place, tmp_path: Path, text: str) -> None:
    write_drill(DRILL)
    assert read_drill() is not None
    (tmp_path / "state" / "drill.json").write_text(text, "latin-1")
    assert read_drill() is None
    assert standing_of(place).drill is None


@pytest.mark.parametrize(
    ("new", "kept"),
    [
        (replace(DRILL, count=200), DRILL),  # shows less of the same
        (replace(DRILL, count=200, passed=False), None),
        (replace(DRILL, count=200, version="1.1"), None),
        (replace(DRILL, count=5000), None),
    ],
)
def test_a_shorter_pass_takes_nothing_away(new: Drill, kept: Drill | None) -> None:
    assert counts(DRILL, new) == (kept or new)
    assert counts(None, new) == new
    assert counts(replace(DRILL, passed=False), new) == new


def test_the_newest_drill_counts_passed_or_not(place: Place) -> None:
    write_drill(DRILL)
    write_drill(replace(DRILL, passed=False))
    found = read_drill()
    assert found is not None
    assert not found.passed
    assert found.at
