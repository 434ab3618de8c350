"""Backup, restore, upgrade and the shop's store, as a person commands them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from results.store import Store
from results.upgrading import VERSIONS
from tests.postgresql import Server, server
from tests.rig.kept import attempted


@pytest.fixture(scope="module")
def postgresql() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine is no lost server."""
    monkeypatch.setattr("results.shop.PATIENCE_S", 60.0)


@pytest.fixture
def url(postgresql: Server) -> str:
    return postgresql.url(postgresql.database())


INTAKE = (
    "intake",
    "--family",
    "heater",
    "--serial",
    "OF55-0117",
    "--rated-v",
    "240",
    "--rated-w",
    "5500",
)


def test_backup_and_restore_of_a_home(cli: Any, tmp_path: Path) -> None:
    attempted(tmp_path / "home", "fail", True)
    made = cli("backup", tmp_path / "b.sqlite")
    assert (made.code, made.err) == (0, "")
    assert "3 records, 2 chains, newest 20" in made.out
    again = cli("backup", tmp_path / "b.sqlite")
    assert again.code == 2
    assert "exists already; name another file" in again.err
    refused = cli("restore", tmp_path / "b.sqlite")
    assert refused.code == 2
    assert "records.sqlite: exists already" in refused.err
    done = cli("restore", tmp_path / "b.sqlite", "--home", tmp_path / "new", "--json")
    assert done.code == 0
    assert (done.json["records"], done.json["problems"]) == (3, [])
    assert "bench proofs from before are void" in done.err
    assert (
        cli("history", "--home", tmp_path / "new", "--json").json["attempts"][0]["verdict"]
        == "fail"
    )


def test_a_shops_store_from_nothing(cli: Any, tmp_path: Path, url: str) -> None:
    first = cli(*INTAKE, "--store", url)
    assert first.code == 2
    assert "no tables of this program yet; run: milliproof upgrade --store URL" in first.err
    made = cli("upgrade", "--store", url)
    assert made.code == 0
    assert made.out.endswith(f"version {VERSIONS[-1]}, made\n")
    assert "nothing to do" in cli("upgrade", "--store", url).out
    assert "P-A0001" in cli(*INTAKE, "--store", url).out
    other = tmp_path / "other"
    seen = cli(*INTAKE, "--store", url, "--home", other)
    assert "serial OF55-0117 was here before: it is P-A0001" in seen.err
    fresh = (*INTAKE[:4], "OF55-0118", *INTAKE[5:])
    assert "P-B0001" in cli(*fresh, "--store", url, "--home", other).out
    shown = cli("show", "P-A0001", "--store", url, "--home", other)
    assert shown.code == 0
    assert cli("backup", tmp_path / "shop.sqlite", "--store", url).code == 0
    with Store.open(url) as shop:
        assert shop.benches() == ["shop-A", "shop-B"]


def test_without_the_server_the_home_goes_on_and_says_so(
    cli: Any, url: str, postgresql: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = postgresql
    monkeypatch.setenv("MILLIPROOF_STORE", url)
    try:
        assert cli("upgrade").code == 0
        assert "P-A0001" in cli(*INTAKE).out
        own.kill()
        offline = cli(*INTAKE[:4], "OF55-0118", *INTAKE[5:])
        assert offline.code == 0
        assert "P-A0002" in offline.out
        assert "kept in this home, to be handed over later" in offline.err
        assert own.password not in offline.err
    finally:
        if own.process is None:
            own.start()
    assert cli("history").code == 0
    with Store.open(url) as shop:
        assert [part.body["part"] for part in shop.parts()] == ["P-A0001", "P-A0002"]


def test_the_option_is_of_one_command_only(cli: Any, url: str) -> None:
    cli("upgrade", "--store", url)
    assert "P-A0001" in cli(*INTAKE, "--store", url).out
    assert "P-A0002" in cli(*INTAKE[:4], "OF55-0119", *INTAKE[5:]).out
    with Store.open(url) as shop:
        assert len(shop.parts()) == 1


@pytest.mark.parametrize("bad", ["", "nonsense", "mysql://x:secret@y/z"])
def test_a_wrong_url_is_refused(cli: Any, bad: str) -> None:
    refused = cli(*INTAKE, "--store", bad)
    assert refused.code == 2
    assert "like postgresql://user@server/database" in refused.err
    assert "secret" not in refused.err
