"""Killed, crowded, full, read-only: nothing announced is lost and every refusal has words."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from sqlalchemy import Connection, event

from results import database
from results.errors import StoreUnavailable
from results.store import Store
from tests.results.world import INTAKE, started

KILLS = 20
NOBODY = 65534
HERE = Path(__file__).resolve().parents[2]


def test_killed_at_any_moment_it_loses_nothing_that_was_announced(tmp_path: Path) -> None:
    chance = random.Random(20)
    announced: dict[str, str] = {}
    for _ in range(KILLS):
        announced |= _until_killed(tmp_path, chance.uniform(0.0, 0.08))
    with Store.open(tmp_path) as store:
        assert store.verify() == []
        assert len(announced) >= KILLS
        kept = {record.number: record.sha256 for record in store.every("lockout")}
        assert announced.items() <= kept.items()
        # at most one record a kill was stored and not announced any more
        assert len(kept) - len(announced) <= KILLS


def _until_killed(home: Path, after_s: float) -> dict[str, str]:
    """What one process announced before SIGKILL; a torn last line was not announced."""
    with started("announce", str(home), "b1") as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        first = process.stdout.readline()
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        lines = (first + process.stdout.read()).split("\n")[:-1]
    assert process.returncode == -signal.SIGKILL
    return dict(line.split(" ") for line in lines)


def test_killed_while_a_home_is_made_it_can_be_opened_afterwards(tmp_path: Path) -> None:
    for place in range(6):
        home = tmp_path / str(place)
        with started("append", str(home), "b1", "1") as process:
            deadline_s = time.monotonic() + 30
            while not (home / database.FILE).exists() and time.monotonic() < deadline_s:
                time.sleep(0.001)
            time.sleep(0.01 * place)
            process.kill()
        with Store.open(home, simulated=True) as store:
            store.append("lockout", "b2", {"reason": "x"})
            assert store.verify() == []


def test_benches_that_make_and_fill_one_home_at_once_keep_their_chains_whole(
    tmp_path: Path,
) -> None:
    count = 60
    crowd = [started("append", str(tmp_path / "home"), bench, str(count)) for bench in ("b1", "b2")]
    for process in crowd:
        with process:
            pass
        assert process.returncode == 0
    with Store.open(tmp_path / "home") as store:
        assert store.verify() == []
        for bench in ("b1", "b2"):
            reasons = [r.body["reason"] for r in store.every("lockout", bench)]
            assert reasons == [str(n) for n in range(count)][::-1]


def test_parts_registered_at_once_get_different_numbers(tmp_path: Path) -> None:
    Store.open(tmp_path, simulated=True).close()
    crowd = [started("intake", str(tmp_path), "25") for _ in range(2)]
    numbers = [number for process in crowd for number in process.communicate()[0].split()]
    assert sorted(numbers) == [f"P-{n:04d}" for n in range(1, 51)]


# ---- the disk refuses --------------------------------------------------------------------------------


def test_every_commit_is_synced_to_the_disk(tmp_path: Path) -> None:
    with Store.open(tmp_path, simulated=True) as store, store._engine.connect() as connection:
        # SQLite's own names: synchronous 2 is FULL
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_a_full_disk_is_refused_in_words_and_stores_nothing(tmp_path: Path) -> None:
    with Store.open(tmp_path, simulated=True) as store:
        store.append("lockout", "b1", {"reason": "x"})
        event.listen(store._engine, "begin", _no_more_pages)
        with pytest.raises(StoreUnavailable, match=r"disk full.*free space"):
            store.append("lockout", "b1", {"reason": "x" * 100_000})
    with Store.open(tmp_path) as store:
        assert [r.number for r in store.every("lockout")] == ["R-000001"]
        assert store.append("lockout", "b1", {"reason": "room again"}).seq == 2
        assert store.verify() == []


def _no_more_pages(connection: Connection) -> None:
    connection.exec_driver_sql("PRAGMA max_page_count=1")


LIMITED = """
import pathlib, resource, signal, sys
from results.errors import StoreUnavailable
from results.store import Store
store = Store.open(pathlib.Path(sys.argv[1]), simulated=True)
store.append("lockout", "b1", {"reason": "x"})
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
try:
    store.append("lockout", "b1", {"reason": "x" * 400_000})
except StoreUnavailable as refusal:
    print(refusal)
"""


def test_a_write_that_the_kernel_refuses_is_put_in_words(tmp_path: Path) -> None:
    said = _said(LIMITED, tmp_path)
    assert "records.sqlite: the disk refuses to read or write; check free space" in said
    with Store.open(tmp_path) as store:
        assert len(store.every("lockout")) == 1
        assert store.verify() == []


READ_ONLY = """
import os, pathlib, sys
from results.errors import StoreUnavailable
from results.store import Store
home = pathlib.Path(sys.argv[1])
Store.open(home, simulated=True).close()
for path in (*home.iterdir(), home):
    path.chmod(0o555 if path.is_dir() else 0o444)
if os.geteuid() == 0:
    os.setuid({nobody})  # for root nothing is read-only
for simulated in (True, None):
    try:
        Store.open(home, simulated=simulated)
    except StoreUnavailable as refusal:
        print(refusal)
try:
    Store.open(home / "new", simulated=True)
except StoreUnavailable as refusal:
    print(refusal)
"""


def test_a_read_only_home_is_refused_in_words() -> None:
    with tempfile.TemporaryDirectory() as above:  # not tmp_path: another user must get there
        os.chmod(above, 0o755)
        home = Path(above) / "home"
        lines = _said(READ_ONLY.replace("{nobody}", str(NOBODY)), home).splitlines()
        home.chmod(0o755)
    assert len(lines) == 3
    for line in lines[:2]:
        assert "records.sqlite: read-only for this user; give this user the right" in line
    assert "no permission; give this user the right" in lines[2]


def _said(program: str, home: Path) -> str:
    command = [sys.executable, "-c", program, str(home)]
    done = subprocess.run(command, cwd=HERE, capture_output=True, text=True, check=True)
    return done.stdout


def test_a_store_held_too_long_by_another_program_is_refused_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Store.open(tmp_path, simulated=True).close()
    pragmas = tuple(p.replace("10000", "50") for p in database.PRAGMAS)
    assert pragmas != database.PRAGMAS
    monkeypatch.setattr(database, "PRAGMAS", pragmas)
    holder = sqlite3.connect(tmp_path / database.FILE, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="held by another program"):
        Store.open(tmp_path, simulated=True)
    holder.close()
    with Store.open(tmp_path) as store:
        store.append("intake", "", INTAKE)


def test_reading_goes_on_while_another_bench_writes(tmp_path: Path) -> None:
    with Store.open(tmp_path, simulated=True) as store:
        store.append("lockout", "b1", {"reason": "x"})
        holder = sqlite3.connect(store.path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        assert store.get("R-000001").seq == 1
        holder.close()


def test_a_file_where_the_home_should_be_is_refused(tmp_path: Path) -> None:
    (tmp_path / "home").write_text("a file")
    with pytest.raises(StoreUnavailable, match="a file of that name"):
        Store.open(tmp_path / "home", simulated=True)
