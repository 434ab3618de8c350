"""Questions to the records: attempts, parts, serials, and closing what a crash left open."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from results.errors import BadRecord
from results.history import Attempt
from results.journal import Journal
from results.store import Store
from tests.results.world import INTAKE, closing, opening


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path, simulated=True) as opened:
        yield opened


def register(store: Store, serial: str = "OF55-0117") -> str:
    """One part; its number."""
    return str(store.append("intake", "", {**INTAKE, "serial": serial}).body["part"])


def begin(store: Store, part: str = "", bench: str = "b1") -> str:
    """An opening; its number."""
    return store.append("opening", bench, opening(part)).number


def end(store: Store, number: str, verdict: str, bench: str = "b1") -> str:
    """Its closing; the opening's number."""
    store.append("closing", bench, closing(number, verdict))
    return number


def test_history_joins_opening_closing_and_plate_newest_first(store: Store) -> None:
    part = register(store)
    passed = end(store, begin(store, part), "pass")
    still_open = begin(store, part)
    newest, first = store.history()
    assert (newest.number, newest.verdict, newest.worst_ua) == (still_open, None, None)
    assert (first.number, first.closing, first.verdict) == (passed, "R-000003", "pass")
    assert (first.serial, first.model, first.family) == ("OF55-0117", "Otterfall", "heater")
    assert (first.worst_ua, first.u_ua, first.basis) == (212, 31, "measured")
    assert (first.condition, first.simulated) == ("hot-wet", True)


def test_history_is_filtered_by_part_verdict_bench_and_place(store: Store) -> None:
    parts = [register(store, f"S{n}") for n in range(3)]
    made = [
        end(store, begin(store, part, bench), verdict, bench)
        for part, verdict, bench in (
            (parts[0], "fail", "b1"),
            (parts[1], "pass", "b2"),
            (parts[0], "pass", "b1"),
            (parts[2], "aborted", "b1"),
        )
    ]
    assert _numbers(store.history()) == made[::-1]
    assert _numbers(store.history(2)) == made[:1:-1]
    assert _numbers(store.history(part=parts[0])) == [made[2], made[0]]
    assert _numbers(store.history(verdict="pass")) == [made[2], made[1]]
    assert _numbers(store.history(bench="b2")) == [made[1]]
    assert _numbers(store.history(part=parts[0], verdict="fail")) == [made[0]]
    assert _numbers(store.history(before=made[2])) == [made[1], made[0]]
    assert _numbers(store.history(limit=None)) == made[::-1]
    assert store.history(verdict="interrupted") == []


def _numbers(attempts: list[Attempt]) -> list[str]:
    return [attempt.number for attempt in attempts]


def test_the_newest_of_a_kind_by_bench_and_by_what_its_body_says(store: Store) -> None:
    for bench, name, version in (("", "pass", "1"), ("", "fail", "1"), ("b1", "pass", "2")):
        body = {"name": name, "version": version, "by": "R. Tarn"}
        store.append("limit_approval", bench, body)
    newest = store.newest("limit_approval", where={"name": "pass"})
    assert newest is not None
    assert newest.body["version"] == "2"
    first = store.newest("limit_approval", where={"name": "pass", "version": "1"})
    assert first is not None
    assert first.number == "R-000001"
    assert store.newest("limit_approval", "b1", where={"name": "fail"}) is None
    assert store.newest("unlock") is None
    assert [r.number for r in store.every("limit_approval", "")] == ["R-000002", "R-000001"]


# ---- parts -------------------------------------------------------------------------------------------


def test_part_numbers_follow_one_another_past_four_digits(store: Store) -> None:
    assert store.next_part_number() == "P-0001"
    assert [register(store), register(store)] == ["P-0001", "P-0002"]
    store.append("intake", "", {**INTAKE, "part": "P-9999"})
    assert register(store) == "P-10000"
    assert register(store) == "P-10001"
    assert [r.body["part"] for r in store.parts()][-2:] == ["P-10000", "P-10001"]


def test_a_taken_number_is_refused_and_amending_names_the_newest_intake(store: Store) -> None:
    part = register(store)
    with pytest.raises(BadRecord, match="newest intake is R-000001"):
        store.append("intake", "", {**INTAKE, "part": part})
    amended = {**INTAKE, "part": part, "model": "Otterfall II", "amends": "R-000001"}
    store.append("intake", "", amended)
    assert store.part(part).body["model"] == "Otterfall II"
    assert [r.number for r in store.parts()] == ["R-000002"]
    with pytest.raises(BadRecord, match="newest intake is R-000002"):
        store.append("intake", "", amended)
    with pytest.raises(BadRecord, match="newest intake is none"):
        store.append("intake", "", {**INTAKE, "amends": "R-000001"})


@pytest.mark.parametrize("number", ["P-1", "p-0001", "1", "P-0000"])
def test_a_part_number_has_one_spelling_in_records(store: Store, number: str) -> None:
    with pytest.raises(BadRecord, match="another way"):
        store.append("intake", "", {**INTAKE, "part": number})


def test_serials_are_found_whole_and_by_their_beginning(store: Store) -> None:
    for serial in ("OF55-0117", "OF55-0231", "OF40-0312", "OF55", "of55-0117", "%_", ""):
        register(store, serial)
    assert _serials(store, "Of55-0117", False) == ["of55-0117", "OF55-0117"]
    assert _serials(store, "oF55", True) == ["of55-0117", "OF55", "OF55-0231", "OF55-0117"]
    assert _serials(store, "%", True) == ["%_"]
    assert len(store.by_serial("", prefix=True)) == 7
    assert _serials(store, "nothing", False) == []


def _serials(store: Store, serial: str, prefix: bool) -> list[str]:
    return [record.body["serial"] for record in store.by_serial(serial, prefix)]


def test_each_search_is_answered_by_an_index_without_sorting(store: Store) -> None:
    part = register(store)
    number = end(store, begin(store, part), "pass")
    asked: list[tuple[str, Any]] = []
    event.listen(
        store._engine,
        "before_cursor_execute",
        lambda _c, _cursor, words, values, *_: asked.append((words, values)),
    )
    store.history(part=part)
    store.history(verdict="pass")
    store.newest("closing")
    store.newest("closing", "b1")
    store.by_serial("OF55", prefix=True)
    store.part(part)
    store.closing_of(number)
    store.next_part_number()
    store.append("lockout", "b1", {"reason": "x"})
    plans = [_plan(store, *one) for one in asked if one[0].startswith("SELECT")]
    assert len(plans) > 10
    for plan in plans:
        # home has one row; a constant row is none of a table's
        scanned = plan.replace("SCAN home", "").replace("SCAN CONSTANT ROW", "")
        assert "SCAN" not in scanned, plan


def _plan(store: Store, words: str, values: Any) -> str:
    with store._engine.connect() as connection:
        rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {words}", values).all()
    return f"{words}: {[row[-1] for row in rows]}"


# ---- after a crash -----------------------------------------------------------------------------------


def test_what_a_crash_left_open_is_closed_with_its_readings(store: Store, tmp_path: Path) -> None:
    number = begin(store, register(store))
    journal = Journal(tmp_path / f"{number}.journal", number)
    journal.append({"t_ms": 0, "stage": "limited step"})
    journal.append({"row": {"t_ms": 0, "stage": 0, "leakage_ua": 2260}})
    journal.append({"row": {"t_ms": 100, "stage": 0, "leakage_ua": None}})
    journal.close()
    with journal.path.open("ab") as file:
        file.write(b'{"row":{"t_ms":20')
    assert [r.number for r in store.open_attempts("b1")] == [number]
    (closed,) = store.close_interrupted("b1", tmp_path)
    assert closed.body["verdict"] == "interrupted"
    assert "2 rows of readings kept, 1 torn" in closed.body["reason"]
    assert closed.body["stages"] == ["limited step"]
    assert store.trace(closed.number)["leakage_ua"] == [2260, None]
    assert not journal.path.exists()
    assert store.open_attempts() == []
    assert store.close_interrupted("b1", tmp_path) == []
    assert store.verify() == []


def test_another_benchs_open_attempt_and_journal_are_left_alone(
    store: Store, tmp_path: Path
) -> None:
    running = begin(store, bench="b2")
    journal = Journal(tmp_path / f"{running}.journal", running)
    begin(store, bench="b1")
    assert len(store.close_interrupted("b1", tmp_path)) == 1
    assert [r.number for r in store.open_attempts()] == [running]
    assert journal.path.exists()
    journal.close()


def test_a_journal_whose_attempt_is_closed_is_pruned(store: Store, tmp_path: Path) -> None:
    number = end(store, begin(store), "pass")
    journal = Journal(tmp_path / f"{number}.journal", number)
    journal.close()
    somebodys = tmp_path / "R-000002 copy.journal"
    somebodys.write_text("kept by a person")
    assert store.close_interrupted("b1", tmp_path) == []
    assert not journal.path.exists()
    assert somebodys.exists()


def test_without_a_journal_or_with_a_damaged_one_the_record_says_so(
    store: Store, tmp_path: Path
) -> None:
    begin(store)
    damaged = tmp_path / f"{begin(store)}.journal"
    damaged.write_bytes(b"\x00" * 100)
    first, second = store.close_interrupted("b1", tmp_path)
    assert "no rows of readings kept" in first.body["reason"]
    assert "can't be read and is kept" in second.body["reason"]
    store.close_interrupted("b1", tmp_path)
    assert damaged.exists()
