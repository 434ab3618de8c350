"""bundle, verify and keys as commands: exit codes, words, JSON."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from results import keys as keys_module
from results.bundle import zipped
from results.store import Store
from rig.errors import Exit
from tests.results.evidence import attempt, files_in, force, some_home


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The home that the command line uses, and a directory to write to."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(keys_module.PASSPHRASE_VARIABLE, raising=False)
    keys_module.asked.cache_clear()
    some_home(tmp_path / "home", 1)
    return tmp_path / "home"


def mark(cli: Any, chain: str = "b1") -> str:
    found = [one for one in cli("keys", "list", "--json").json["keys"] if one["chain"] == chain]
    return str(found[-1]["fingerprint"])


def goods(ran: Any, place: int = 0) -> dict[str, bool | None]:
    return {one["question"]: one["good"] for one in ran.json["verified"][place]["answers"]}


@pytest.mark.usefixtures("home")
def test_a_bundle_is_written_once_and_proves_what_it_can(cli: Any) -> None:
    ran = cli("bundle", "R-000006", "--json")
    assert ran.code == Exit.DONE
    assert ran.json["file"] == "R-000006.zip"
    assert ran.json["key"] == mark(cli)
    assert ran.json["bytes"] == Path("R-000006.zip").stat().st_size
    again = cli("bundle", "R-000006")
    assert again.code == Exit.WRONG_USE
    assert "exists already" in again.err
    unknown = cli("verify", "R-000006.zip", "--json")
    assert unknown.code == Exit.NO_VERDICT
    assert goods(unknown).pop("key") is None
    assert unknown.json["good"] is None
    known = cli("verify", "R-000006.zip", "--trust", mark(cli), "--json")
    assert known.code == Exit.DONE
    assert set(goods(known).values()) == {True}


@pytest.mark.usefixtures("home")
def test_a_person_reads_six_answers(cli: Any) -> None:
    cli("bundle", "R-000006", "--out", "a.zip")
    ran = cli("verify", "a.zip")
    for words in (
        "Is each signature good?",
        "Whose key is it? key unknown to you",
        "a.zip (bundle)",
    ):
        assert words in ran.out
    assert "not all can be told" in ran.err
    assert ran.out.count("   ?  ") == 1
    spaced = ":".join(mark(cli)[at : at + 2] for at in range(0, 64, 2)).upper()
    assert cli("verify", "a.zip", "--trust", spaced).code == Exit.DONE


def test_what_was_changed_ends_with_one(cli: Any, home: Path) -> None:
    cli("bundle", "R-000006", "--out", "a.zip")
    files = files_in(Path("a.zip").read_bytes())
    name = "chain-1/R-000006.json"
    files[name] = files[name].replace(b'"pass"', b'"fail"')
    Path("forged.zip").write_bytes(zipped(files))
    ran = cli("verify", "forged.zip", "--trust", mark(cli))
    assert ran.code == Exit.FAIL
    assert "R-000006: its signature doesn't fit: edited or forged" in ran.out
    assert "NOT as it was made" in ran.err
    force(home, "UPDATE records SET verdict='fail' WHERE number=6")
    ran = cli("verify", "--json")
    assert ran.code == Exit.FAIL
    assert [name for name, good in goods(ran).items() if not good] == ["whole"]


def test_a_home_is_held_to_what_left_the_shop(cli: Any, home: Path) -> None:
    assert cli("verify").code == Exit.DONE
    cli("bundle", "R-000006", "--out", "a.zip")
    assert (
        cli("verify", home, "a.zip", "--trust", mark(cli), "--trust", mark(cli, "shop")).code == 0
    )
    for path in (home / "keys").glob("*.head"):
        path.unlink()
    force(home, "DELETE FROM heads", "DELETE FROM records WHERE number=6", "DELETE FROM traces")
    assert goods(cli("verify", "--json"))["heads"] is True  # nothing here speaks of it any more
    ran = cli("verify", home, "a.zip")
    assert ran.code == Exit.FAIL
    assert "the head of 4 records was signed, and here are 3: the tail was cut off" in ran.out


def test_two_bundles_of_one_bench_agree_by_proof(cli: Any, home: Path) -> None:
    cli("bundle", "R-000006", "--out", "a.zip")
    with Store.open(home) as store:
        number = attempt(store, "P-0001").number
    cli("bundle", number, "--out", "b.zip", "--since", "a.zip")
    ran = cli("verify", "a.zip", "b.zip", "--trust", mark(cli), "--json")
    assert ran.code == Exit.DONE
    assert [goods(ran, place)["heads"] for place in (0, 1)] == [True, True]


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize("text", [b"", b"%PD", b"PK", b"x" * 5000])
def test_what_is_no_bundle_is_wrong_use(cli: Any, text: bytes) -> None:
    Path("x").write_bytes(text)
    ran = cli("verify", "x")
    assert ran.code == Exit.WRONG_USE
    assert "milliproof: x: is no" in ran.err
    assert cli("bundle", "R-000006", "--since", "x", "--out", "y.zip").code == Exit.WRONG_USE
    assert not Path("y.zip").exists()


@pytest.mark.usefixtures("home")
def test_wrong_use_is_said(cli: Any, tmp_path: Path) -> None:
    for args, words in (
        (("verify", tmp_path), "is no home"),
        (("verify", "nowhere"), "does not exist"),
        (("verify", "--trust", "12"), "64 hexadecimal digits"),
        (("bundle", "R-000099"), "not in this home"),
        (("bundle", "what"), "no such number"),
        (("bundle", "R-000006", "--out", "no/such/../../\0"), ""),
        (("keys", "rotate", "b9", "--by", "T", "--reason", "x"), "no key yet"),
        (("keys", "replace", "b1", "--by", "T", "--reason", "x"), "not lost"),
        (("keys", "rotate", "b1", "--by", "T"), "--reason"),
    ):
        ran = cli(*args)
        assert ran.code == Exit.WRONG_USE, args
        assert words in ran.err


def test_keys_are_listed_rotated_and_locked(
    cli: Any, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = mark(cli)
    assert first in cli("keys", "list").out
    ran = cli("keys", "rotate", "b1", "--by", "R. Tarn", "--reason", "yearly", "--json")
    assert (ran.code, ran.json["fingerprint"]) == (Exit.DONE, mark(cli))
    rows = {one["fingerprint"]: one for one in cli("keys", "list", "--json").json["keys"]}
    assert [rows[first]["in_force"], rows[first]["private_here"]] == [False, False]
    assert rows[mark(cli)]["from_record"] == 6
    assert rows[mark(cli)]["pem"].startswith("-----BEGIN PUBLIC KEY-----")
    monkeypatch.setenv(keys_module.PASSPHRASE_VARIABLE, "otter")
    assert len(cli("keys", "lock", "--json").json["locked"]) == 2
    assert all(b"ENCRYPTED" in path.read_bytes() for path in (home / "keys").glob("*.pem"))
    assert cli("verify").code == Exit.DONE  # reading takes no passphrase
    assert cli("bundle", "R-000006", "--out", "a.zip").code == Exit.DONE
    keys_module.asked.cache_clear()
    monkeypatch.delenv(keys_module.PASSPHRASE_VARIABLE)
    ran = cli(
        "intake", "--family", "heater", "--serial", "x", "--rated-v", "240", "--rated-w", "4000"
    )
    assert ran.code == Exit.WRONG_USE
    assert "is locked by a passphrase; set MILLIPROOF_PASSPHRASE" in ran.err


@pytest.mark.usefixtures("home")
def test_a_key_record_shows_like_any_other(cli: Any) -> None:
    cli("keys", "rotate", "b1", "--by", "R. Tarn", "--reason", "yearly")
    ran = cli("show", "R-000007")
    assert "R. Tarn" in ran.out
    assert mark(cli) in ran.out
