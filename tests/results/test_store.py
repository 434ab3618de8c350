"""The store: what it keeps, what it refuses, what nobody can change."""

from __future__ import annotations

import hashlib
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from results import trace
from results.errors import BadRecord, ChainBroken, MixedHome, NotFound, StoreUnavailable
from results.store import Store
from results.tables import METADATA
from tests.results.world import INTAKE, closing, opening

TRACE = trace.encode({"t_ms": [0, 100], "leakage_ua": [None, 212]})
AT_MS = 1_700_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path, simulated=True) as opened:
        yield opened


def attempt(store: Store, part: str, verdict: str = "pass", bench: str = "b1") -> str:
    """One attempt, opening and closing; the opening's number."""
    number = store.append("opening", bench, opening(part)).number
    store.append("closing", bench, closing(number, verdict), trace=TRACE)
    return number


def register(store: Store, serial: str = "OF55-0117") -> str:
    """One part; its number."""
    return str(store.append("intake", "", {**INTAKE, "serial": serial}).body["part"])


def raw(store: Store) -> sqlite3.Connection:
    """What somebody else with a database tool would use."""
    return sqlite3.connect(store.path, isolation_level=None)


# ---- keeping ----------------------------------------------------------------------------------------


def test_what_is_appended_is_there_after_reopening(tmp_path: Path) -> None:
    with Store.open(tmp_path, simulated=True) as store:
        number = store.append("opening", "b1", opening(), at_ms=AT_MS)
        closed = store.append("closing", "b1", closing(number.number), trace=TRACE)
    with Store.open(tmp_path) as store:
        assert store.simulated is True
        assert store.get("r-000001") == number
        assert number.at_ms == AT_MS
        assert store.closing_of(number.number) == closed
        assert store.trace(closed.number) == {"t_ms": [0, 100], "leakage_ua": [None, 212]}
        assert closed.body["trace"] == {
            "sha256": hashlib.sha256(TRACE).hexdigest(),
            "columns": ["t_ms", "leakage_ua"],
            "rows": 2,
        }
        assert store.verify() == []


def test_numbers_count_in_the_home_and_places_in_each_bench(store: Store) -> None:
    for bench in ("b1", "b2", "b1", "b2", "b1"):
        store.append("lockout", bench, {"reason": "x"})
    found = [store.get(f"R-{n:06d}") for n in range(1, 6)]
    assert [(r.bench, r.seq) for r in found] == [
        ("b1", 1),
        ("b2", 1),
        ("b1", 2),
        ("b2", 2),
        ("b1", 3),
    ]
    assert found[2].prev == found[0].sha256
    assert found[1].prev == "0" * 64
    assert store.benches() == ["b1", "b2"]


def test_two_attempts_may_have_the_same_trace(store: Store) -> None:
    part = register(store)
    attempt(store, part)
    attempt(store, part)
    assert store.verify() == []


def test_an_outsider_repeats_the_chain_with_common_tools(store: Store) -> None:
    part = register(store)
    attempt(store, part)
    rows = raw(store).execute("SELECT json FROM records WHERE bench='b1' ORDER BY seq").fetchall()
    Path(store.path.parent / "one.json").write_text(rows[0][0], encoding="utf-8")
    said = subprocess.run(
        ["sha256sum", "one.json"], cwd=store.path.parent, capture_output=True, text=True, check=True
    )
    assert f'"prev":"{said.stdout.split()[0]}"' in rows[1][0]


def test_the_migration_makes_exactly_the_tables_that_the_store_uses(store: Store) -> None:
    with store._engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []


# ---- refusing ---------------------------------------------------------------------------------------


def test_exactly_one_closing(store: Store) -> None:
    number = attempt(store, "")
    with pytest.raises(BadRecord, match="closed already by R-000002"):
        store.append("closing", "b1", closing(number, "fail"))
    assert store.history()[0].verdict == "pass"


@pytest.mark.parametrize("number", ["R-000009", "R-000002", "what"])
def test_no_closing_without_its_opening(store: Store, number: str) -> None:
    store.append("opening", "b1", opening())
    store.append("lockout", "b1", {"reason": "x"})
    with pytest.raises(NotFound):
        store.append("closing", "b1", closing(number))


def test_no_closing_by_another_bench(store: Store) -> None:
    number = store.append("opening", "b1", opening()).number
    with pytest.raises(NotFound, match="bench b2"):
        store.append("closing", "b2", closing(number))


def test_no_opening_of_an_unregistered_part(store: Store) -> None:
    with pytest.raises(NotFound, match="P-0001"):
        store.append("opening", "b1", opening("P-0001"))


def test_a_refused_record_stores_nothing(store: Store) -> None:
    for body in ({"reason": 1.5}, {"reason": "x", "y": 0.75}, {}):
        with pytest.raises(BadRecord):
            store.append("lockout", "b1", body)
    with pytest.raises(BadRecord, match="no bench"):
        store.append("lockout", " ", {"reason": "x"})
    with pytest.raises(BadRecord, match="no trace"):
        store.append("lockout", "b1", {"reason": "x"}, trace=b"PK")
    with pytest.raises(BadRecord, match="store's to fill in"):
        store.append("lockout", "b1", {"reason": "x", "trace": {}})
    assert store.benches() == []


def test_what_is_not_there_is_not_found_in_words(store: Store) -> None:
    number = store.append("opening", "b1", opening()).number
    for ask in (
        lambda: store.get("R-000099"),
        lambda: store.part("P-0009"),
        lambda: store.part(""),
    ):
        with pytest.raises(NotFound):
            ask()
    with pytest.raises(NotFound, match="no trace"):
        store.trace(number)


# ---- a home is simulated or real --------------------------------------------------------------------


@pytest.mark.parametrize("first", [True, False])
def test_simulated_and_real_never_share_a_home(tmp_path: Path, first: bool) -> None:
    Store.open(tmp_path, simulated=first).close()
    with pytest.raises(MixedHome, match="choose another home"):
        Store.open(tmp_path, simulated=not first)
    with Store.open(tmp_path) as store:
        assert store.append("lockout", "b1", {"reason": "x"}).simulated is first


def test_a_part_may_come_before_the_bench_but_no_measurement(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        assert store.append("intake", "", INTAKE).simulated is None
        with pytest.raises(MixedHome, match="not known"):
            store.append("opening", "b1", opening("P-0001"))
    with Store.open(tmp_path, simulated=False) as store:
        assert store.append("opening", "b1", opening("P-0001")).simulated is False
        assert store.verify() == []


# ---- append-only ------------------------------------------------------------------------------------

CHANGES = [
    "UPDATE records SET verdict = 'pass'",
    "UPDATE records SET json = '{}' WHERE id = 1",
    "DELETE FROM records WHERE id = 1",
    "DELETE FROM records",
    "INSERT OR REPLACE INTO records SELECT * FROM records WHERE id = 1",
    "REPLACE INTO records (id,bench,seq,kind,at_ms,sha256,json) VALUES (99,'b1',1,'x',1,'x','x')",
    "REPLACE INTO records (id,bench,seq,kind,at_ms,closes,sha256,json)"
    " VALUES (99,'b9',1,'closing',1,2,'x','x')",
    "UPDATE OR REPLACE records SET id = 2 WHERE id = 1",
    "UPDATE traces SET bytes = x'00'",
    "DELETE FROM traces",
    "REPLACE INTO traces SELECT sha256, x'00' FROM traces",
    "UPDATE home SET simulated = 0",
    "DELETE FROM home",
    "REPLACE INTO home VALUES (1, 0, 1)",
]


@pytest.mark.parametrize("change", CHANGES)
def test_no_statement_changes_what_is_stored(store: Store, change: str) -> None:
    attempt(store, register(store), "fail")
    tables = ("records", "traces", "home")
    tool = raw(store)
    before = [tool.execute(f"SELECT * FROM {table}").fetchall() for table in tables]
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        tool.execute(change)
    assert [tool.execute(f"SELECT * FROM {table}").fetchall() for table in tables] == before
    tool.close()


# (what somebody with the triggers out of the way does, in which record it is found, words)
TAMPERED = [
    (
        "UPDATE records SET json=replace(json,'\"fail\"','\"pass\"') WHERE id=3",
        "R-000003",
        "altered",
    ),
    ("UPDATE records SET verdict='pass' WHERE id=3", "R-000003", "column verdict"),
    ("UPDATE records SET serial='other' WHERE id=1", "R-000001", "column serial"),
    ("UPDATE records SET at_ms=1 WHERE id=2", "R-000002", "column at_ms"),
    ("UPDATE records SET json=replace(json,',',', ') WHERE id=3", "R-000003", "altered"),
    ("UPDATE records SET json='no JSON' WHERE id=3", "R-000003", "no valid JSON"),
    ("UPDATE records SET json='[]' WHERE id=3", "R-000003", "members"),
    ("UPDATE records SET seq=9 WHERE id=5", "R-000005", "place 9"),
    ("DELETE FROM records WHERE id=3", "R-000004", "place 3"),
    ("DELETE FROM records WHERE id=3", "R-000003", "missing"),
    ("DELETE FROM traces", "R-000003", "trace is missing"),
    ("UPDATE traces SET bytes=x'00'", "R-000003", "trace was altered"),
]


@pytest.mark.parametrize(("change", "number", "words"), TAMPERED)
def test_tampering_is_found(store: Store, change: str, number: str, words: str) -> None:
    part = register(store)
    attempt(store, part, "fail")
    attempt(store, part)
    assert store.verify() == []
    _force(store, change)
    problems = [str(problem) for problem in store.verify()]
    assert any(p.startswith(number) and words in p for p in problems), problems


def test_a_record_altered_with_its_own_hash_made_to_fit_breaks_the_next_one(store: Store) -> None:
    number = attempt(store, register(store), "fail")
    attempt(store, "P-0001")
    tool = raw(store)
    text = tool.execute("SELECT json FROM records WHERE id=3").fetchone()[0]
    forged = text.replace('"fail"', '"pass"')
    assert forged != text
    tool.close()
    sha256 = hashlib.sha256(forged.encode()).hexdigest()
    _force(
        store, f"UPDATE records SET json='{forged}', sha256='{sha256}', verdict='pass' WHERE id=3"
    )
    assert store.history()[1].number == number
    problems = store.verify_chain("b1")
    assert [one.number for one in problems if one.question == "chain"] == ["R-000004"]
    # and its own signature and place in the log tell it apart from what was written
    own = {one.question for one in problems if one.number == "R-000003"}
    assert own == {"signature", "log"}
    assert {one.number for one in problems} == {"R-000003", "R-000004"}


def test_an_altered_record_is_never_shown_as_if_it_were_whole(store: Store) -> None:
    attempt(store, register(store), "fail")
    _force(store, "UPDATE records SET json=replace(json,'\"fail\"','\"pass\"') WHERE id=3")
    with pytest.raises(ChainBroken, match="R-000003"):
        store.get("R-000003")
    with pytest.raises(ChainBroken):
        store.history()


def _force(store: Store, change: str) -> None:
    tool = raw(store)
    for (name,) in tool.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
        tool.execute(f"DROP TRIGGER {name}")
    tool.execute(change)
    tool.close()


# ---- files that are no store ------------------------------------------------------------------------


def test_a_damaged_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "records.sqlite").write_bytes(b"not a database, but a long enough text" * 40)
    with pytest.raises(StoreUnavailable, match="damaged"):
        Store.open(tmp_path, simulated=True)
    assert (tmp_path / "records.sqlite").read_bytes().startswith(b"not a database")


def test_damage_met_later_is_put_in_words(tmp_path: Path) -> None:
    with Store.open(tmp_path, simulated=True) as store:
        for _ in range(50):
            store.append("lockout", "b1", {"reason": "x" * 2000})
    path = tmp_path / "records.sqlite"
    data = bytearray(path.read_bytes())
    for page in range(20, len(data) // 4096):
        data[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    path.write_bytes(data)
    with Store.open(tmp_path, simulated=True) as store, pytest.raises(StoreUnavailable) as caught:
        store.verify()
    assert "damaged" in str(caught.value)


def test_another_programs_database_and_a_newer_version_are_refused(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "records.sqlite") as tool:
        tool.execute("CREATE TABLE theirs (x)")
    tool.close()
    with pytest.raises(StoreUnavailable, match="another program"):
        Store.open(tmp_path, simulated=True)
    newer = tmp_path / "newer"
    Store.open(newer, simulated=True).close()
    with sqlite3.connect(newer / "records.sqlite") as tool:
        tool.execute("UPDATE alembic_version SET version_num = '0999'")
    tool.close()
    with pytest.raises(StoreUnavailable, match=r"version 0999.*newer"):
        Store.open(newer, simulated=True)
