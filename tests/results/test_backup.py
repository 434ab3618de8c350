"""Backup and restore of both kinds of store, upgrades with theirs, and files that are none."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import create_engine

from results import backup, upgrading
from results.errors import BadRecord, StoreUnavailable
from results.places import FILE, file_place, in_home, on_server
from results.store import Store
from tests.postgresql import Server
from tests.results.test_shop import attempt, everything, home, register
from tests.results.world import started


def fill(store: Store) -> None:
    attempt(store, register(store), "fail")
    attempt(store, "P-0001")


def tampered(path: Path, change: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as tool:
        rows = tool.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall()
        for (name,) in rows:
            tool.execute(f"DROP TRIGGER {name}")
        tool.execute(change)


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine is no lost server."""
    monkeypatch.setattr("results.shop.PATIENCE_S", 60.0)


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A backup of a home with five records; the home is lost, its keys aren't."""
    with Store.open(tmp_path / "home", simulated=True) as store:
        fill(store)
        backup.backup(store, tmp_path / "backup.sqlite")
    (tmp_path / "home" / FILE).unlink()
    return tmp_path / "backup.sqlite"


def test_a_backup_is_one_file_and_comes_back_whole(tmp_path: Path) -> None:
    with Store.open(tmp_path / "home", simulated=True) as store:
        fill(store)
        before = everything(store)
        said = backup.backup(store, tmp_path / "stick" / "backup.sqlite")
        assert (said.records, said.chains, list(said.problems)) == (5, 2, [])
        assert said.newest_ms == store.history()[0].closed_ms
        lost = store.append("lockout", "b1", {"reason": "after the backup"})
    assert [path.name for path in (tmp_path / "stick").iterdir()] == ["backup.sqlite"]
    (tmp_path / "home" / FILE).unlink()
    done = backup.restore(tmp_path / "stick" / "backup.sqlite", in_home(tmp_path / "home"))
    assert done.records == 5
    with Store.open(tmp_path / "home") as store:
        assert everything(store) == before
        assert store.verify() == []
        assert store.trace("R-000003")["leakage_ua"] == [None, 212]
        assert store.restored_over("R-000005")
        again = store.append("lockout", "b1", {"reason": "goes on"})
        assert again.number == lost.number
        assert not store.restored_over(again.number)


def test_a_backup_while_a_bench_writes_is_whole(tmp_path: Path) -> None:
    with started("announce", str(tmp_path / "home"), "b1") as process:
        assert process.stdout is not None
        for _ in range(5):
            process.stdout.readline()
        with Store.open(tmp_path / "home") as store:
            said = [backup.backup(store, tmp_path / f"{n}.sqlite") for n in range(3)]
        process.stdout.readline()
        process.kill()
    assert [list(one.problems) for one in said] == [[], [], []]
    assert 4 <= said[0].records <= said[1].records <= said[2].records


def test_a_servers_backup_is_the_same_kind_of_file(
    tmp_path: Path, shop_url: str, postgresql: Server
) -> None:
    with home(tmp_path, shop_url) as one:
        attempt(one, register(one))
    with Store.open(shop_url) as shop:
        before = everything(shop)
        said = backup.backup(shop, tmp_path / "shop.sqlite")
        assert (said.records, list(said.problems)) == (3, [])
    empty = postgresql.url(postgresql.database())
    backup.restore(tmp_path / "shop.sqlite", on_server(empty))
    backup.restore(tmp_path / "shop.sqlite", in_home(tmp_path / "copy"))
    with Store.open(empty) as shop, Store.open(tmp_path / "copy") as copy:
        assert everything(shop) == everything(copy) == before
        assert shop.verify() == copy.verify() == []
    with home(tmp_path, empty) as one:  # the home knows its shop again
        assert attempt(one, "P-A0001") == "R-A000004"
        assert one.shop is not None
        assert one.shop.words == ""


def test_a_home_of_before_begins_a_shops_store(
    tmp_path: Path, made: Path, postgresql: Server
) -> None:
    url = postgresql.url(postgresql.database())
    backup.restore(made, on_server(url))
    backup.restore(made, in_home(tmp_path / "home"))
    with Store.open(tmp_path / "home", simulated=True, shop=url) as store:
        assert register(store) == "P-A0001"
        assert store.part("P-0001").number == "R-000001"
        with Store.open(url) as shop:
            assert everything(shop) == everything(store)


def test_a_lost_shops_store_is_made_again_from_any_home(
    tmp_path: Path, shop_url: str, postgresql: Server
) -> None:
    with home(tmp_path, shop_url) as one:
        attempt(one, register(one))
    with home(tmp_path, shop_url, "two") as two:
        register(two)
        backup.backup(two, tmp_path / "two.sqlite")
    empty = postgresql.url(postgresql.database())
    backup.restore(tmp_path / "two.sqlite", on_server(empty))
    for name, part in (("one", "P-A0002"), ("two", "P-B0002"), ("three", "P-C0001")):
        with home(tmp_path, empty, name) as store:
            assert register(store) == part


# ---- refused -----------------------------------------------------------------------------------------


def test_nothing_is_written_over(tmp_path: Path, made: Path, shop_url: str) -> None:
    with Store.open(tmp_path / "home", simulated=True) as store:
        with pytest.raises(StoreUnavailable, match="exists already"):
            backup.backup(store, made)
        with pytest.raises(StoreUnavailable, match="exists already"):
            backup.restore(made, in_home(tmp_path / "home"))
    (tmp_path / "home" / FILE).unlink()
    (tmp_path / "home" / f"{FILE}-wal").write_bytes(b"another file's log")
    with pytest.raises(StoreUnavailable, match=r"sqlite-wal: exists already"):
        backup.restore(made, in_home(tmp_path / "home"))
    with (
        Store.open(shop_url, simulated=True),
        pytest.raises(StoreUnavailable, match="holds records"),
    ):
        backup.restore(made, on_server(shop_url))


@pytest.mark.parametrize("damage", ["cut", "no database", "record", "missing"])
def test_what_is_no_whole_backup_is_refused(tmp_path: Path, made: Path, damage: str) -> None:
    data = made.read_bytes()
    match damage:
        case "cut":
            made.write_bytes(data[: len(data) // 2])
        case "no database":
            made.write_bytes(b"not a database, but a long enough text" * 40)
        case "record":
            tampered(made, "UPDATE records SET json=replace(json,'\"fail\"','\"pass\"')")
        case "missing":
            made.unlink()
    with pytest.raises((StoreUnavailable, BadRecord)):
        backup.restore(made, in_home(tmp_path / "home"))
    assert not (tmp_path / "home" / FILE).exists()
    assert not list((tmp_path / "home").glob(".*part"))


def test_a_damaged_backup_is_taken_only_when_it_is_asked_for(tmp_path: Path, made: Path) -> None:
    tampered(made, "DELETE FROM records WHERE id = 3")
    with pytest.raises(BadRecord, match=r"wrong in it.*--even-damaged"):
        backup.restore(made, in_home(tmp_path / "home"))
    done = backup.restore(made, in_home(tmp_path / "home"), damaged=True)
    assert done.problems


def test_a_disk_without_hard_links_gets_its_backup_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")  # what FAT says

    monkeypatch.setattr("results.copying.os.link", refuse)
    with Store.open(tmp_path / "home", simulated=True) as store:
        backup.backup(store, tmp_path / "backup.sqlite")
        with pytest.raises(StoreUnavailable, match="exists already"):
            backup.backup(store, tmp_path / "backup.sqlite")


# ---- upgrades ----------------------------------------------------------------------------------------

OLD = (
    "INSERT INTO home VALUES (1, {true}, 5)",
    "INSERT INTO records (id,bench,seq,kind,at_ms,sha256,json)"
    " VALUES (1,'b1',1,'lockout',5,'{sha256}','{json}')",
)
JSON = (
    '{"at_ms":5,"bench":"b1","body":{"reason":"x"},"format":1,"kind":"lockout","number":"R-000001",'
    '"prev":"' + "0" * 64 + '","seq":1,"simulated":true}'
)


def old_store(url: str) -> None:
    """A store as its first version left it."""
    engine = create_engine(url)
    true = "true" if "postgresql" in url else "1"
    values = {"true": true, "json": JSON, "sha256": hashlib.sha256(JSON.encode()).hexdigest()}
    with engine.begin() as connection:
        upgrading.to_version(connection, "0001")
        for statement in OLD:
            text = statement.replace("{true}", true)
            for name in ("json", "sha256"):
                text = text.replace(f"{{{name}}}", values[name])
            connection.exec_driver_sql(text)
    engine.dispose()


def version(path: Path) -> str:
    with closing(sqlite3.connect(path)) as tool:
        return str(tool.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def test_a_home_of_an_older_version_is_backed_up_and_upgraded_by_itself(tmp_path: Path) -> None:
    old_store(f"sqlite:///{tmp_path / FILE}")
    with Store.open(tmp_path) as store:
        assert store.get("R-000001").body["reason"] == "x"
        assert store.verify() == []
        assert store.append("lockout", "b1", {"reason": "y"}).number == "R-000002"
    [copy] = tmp_path.glob("before-upgrade-0001-*.sqlite")
    assert version(copy) == "0001"
    assert version(tmp_path / FILE) == upgrading.VERSIONS[-1]
    with Store.open(tmp_path):
        assert len(list(tmp_path.glob("before-upgrade-*"))) == 1


def test_an_upgrade_that_fails_leaves_the_old_version(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old_store(f"sqlite:///{tmp_path / FILE}")
    data = (tmp_path / FILE).read_bytes()

    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(upgrading, "copy_pages", refuse)
    with pytest.raises(StoreUnavailable, match="disk full"):
        Store.open(tmp_path)
    assert version(tmp_path / FILE) == "0001"
    monkeypatch.undo()
    shutil.rmtree(tmp_path)
    tmp_path.mkdir()
    (tmp_path / FILE).write_bytes(data)
    with Store.open(tmp_path) as store:
        assert store.verify() == []


def test_a_server_is_upgraded_on_command_after_a_backup(tmp_path: Path, postgresql: Server) -> None:
    url = postgresql.url(postgresql.database())
    old_store(url.replace("postgresql://", "postgresql+psycopg://"))
    with pytest.raises(StoreUnavailable, match=r"version 0001, this program needs .*upgrade"):
        Store.open(url)
    done = upgrading.prepare(url, tmp_path)
    assert done.before == "0001"
    assert done.backup is not None
    assert version(done.backup) == "0001"
    with Store.open(url) as store:
        assert store.verify() == []
    with Store.open_place(file_place(done.backup)) as copy:  # a copy of it could be gone on with
        assert copy.get("R-000001").body["reason"] == "x"
