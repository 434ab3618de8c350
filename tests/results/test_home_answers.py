"""A whole home verified: what somebody with a database tool does to it is found and named."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import tomllib
from pathlib import Path
from typing import Any

import pytest

from results import database, home_answers, signing, upgrading
from results.answers import Answer, overall
from results.errors import KeyUnusable, NotFound
from results.judged import judged
from results.log import GivenHead
from results.opened import opened
from results.places import in_home
from results.rekeying import replace, rotate
from results.store import Store
from tests.results.evidence import attempt, force, made, mark_of, register, some_home
from tests.results.world import INTAKE


def answers(home: Path, *trusted: str, others: tuple[GivenHead, ...] = ()) -> dict[str, Answer]:
    with Store.open(home) as store:
        found = home_answers.home_answers(store, trusted, others)
    return {one.question: one for one in found}


def given(data: bytes) -> GivenHead:
    section = opened(data, "x").sections[0]
    assert section.head is not None
    return GivenHead(section.keys[0].mark, section.head)


def test_a_home_answers_for_itself(tmp_path: Path) -> None:
    some_home(tmp_path)
    found = answers(tmp_path)
    assert {name: one.good for name, one in found.items()} == dict.fromkeys(found, True)
    assert mark_of(tmp_path, "b1") in found["key"].words
    assert found["signature"].words == "14 of 14 records"
    assert found["heads"].words.startswith("2 heads")  # one for each chain, beside the keys


TAMPERED = tomllib.loads((Path(__file__).parent / "tampering.toml").read_text("utf-8"))["done"]


@pytest.mark.parametrize("done", TAMPERED, ids=lambda done: done["words"])
def test_tampering_is_named(tmp_path: Path, done: dict[str, Any]) -> None:
    some_home(tmp_path)
    force(tmp_path, *done["changes"])
    found = answers(tmp_path)[done["question"]]
    assert found.good is False
    assert any(done["words"] in one for one in found.problems), found.problems


def test_a_forged_root_among_the_heads_given_away_is_named(tmp_path: Path) -> None:
    made(tmp_path, some_home(tmp_path))
    force(tmp_path, 'UPDATE heads SET json=replace(json,\'"root":"\',\'"root":"00\')')
    found = answers(tmp_path)["heads"]
    assert found.good is False
    assert "is not signed by a key of this chain: forged" in found.problems[0]


def test_all_made_anew_behind_a_head_that_left_the_shop_is_named(tmp_path: Path) -> None:
    """Everything re-signed by somebody who has the home, but not what was given away."""
    home, anew = tmp_path / "home", tmp_path / "anew"
    data = made(home, some_home(home))
    some_home(anew)
    found = answers(anew, others=(given(data),))
    assert found["signature"].good is True
    assert found["heads"].good is False
    assert "forged" in found["heads"].problems[0]
    assert answers(home, others=(given(data),))["heads"].good is True


def test_a_log_written_anew_with_the_benchs_own_key_is_named(tmp_path: Path) -> None:
    """The shop itself takes back a record and writes on: its own head speaks against it."""
    home, before = tmp_path / "home", tmp_path / "before"
    some_home(home, 1)
    shutil.copytree(home, before)
    with Store.open(home) as store:
        data = made(home, attempt(store, "P-0001", "fail").number)
    with Store.open(before) as store:
        attempt(store, "P-0001", "pass")
    found = answers(before, others=(given(data),))
    assert found["signature"].good is found["chain"].good is True
    assert "the log was written anew" in found["heads"].problems[0]


def test_records_of_another_bench_are_asked_for(tmp_path: Path) -> None:
    home, other = tmp_path / "home", tmp_path / "other"
    some_home(home, 1)
    with Store.open(other, simulated=True) as store:
        store.append("intake", "shop", INTAKE)
    with Store.open(home) as store:
        number = attempt(store, "P-0001").number
    found = answers(other, others=(given(made(home, number)),))
    assert found["heads"].good is None
    assert "no records of b1 are here" in found["heads"].words


# ---- the head beside the keys -----------------------------------------------------------------------


def test_a_cut_tail_stays_named_when_more_is_written(tmp_path: Path) -> None:
    some_home(tmp_path)
    force(tmp_path, "DELETE FROM records WHERE number IN (13, 14)")
    with Store.open(tmp_path) as store:
        for _ in range(3):
            attempt(store, "P-0001")
    words = "\n".join(answers(tmp_path)["heads"].problems)
    assert "the head of 12 records has another root than these records" in words


def test_a_head_beside_the_keys_that_was_altered_is_named(tmp_path: Path) -> None:
    some_home(tmp_path)
    path = next((tmp_path / "keys").glob("key-b1-*.head"))
    whole = path.read_text()
    path.write_text(whole.replace('\\"size\\":12', '\\"size\\":11'))
    assert "forged" in answers(tmp_path)["heads"].problems[0]
    path.write_text("{")
    assert "is no head" in answers(tmp_path)["heads"].problems[0]
    path.write_text(whole)
    assert answers(tmp_path)["heads"].good is True
    path.unlink()  # a crash before the first close leaves none
    assert answers(tmp_path)["heads"].good is True


# ---- keys -------------------------------------------------------------------------------------------


def test_rotation_and_loss_stand_in_the_chain(tmp_path: Path) -> None:
    some_home(tmp_path, 1)
    first = mark_of(tmp_path, "b1")
    with Store.open(tmp_path) as store:
        record = rotate(store, "b1", "R. Tarn", "yearly")
        attempt(store, "P-0001")
        with pytest.raises(KeyUnusable, match="not lost"):
            replace(store, "b1", "R. Tarn", "x")
    second = mark_of(tmp_path, "b1")
    assert record.body == {
        "public": record.body["public"],
        "fingerprint": second,
        "why": "rotation",
        "by": "R. Tarn",
        "reason": "yearly",
    }
    assert not list((tmp_path / "keys").glob(f"key-b1-{first[:16]}.pem"))
    assert overall(answers(tmp_path).values()) is True
    assert overall(answers(tmp_path, first, mark_of(tmp_path, "shop")).values()) is True
    next((tmp_path / "keys").glob(f"key-b1-{second[:16]}.pem")).unlink()
    with Store.open(tmp_path) as store:
        with pytest.raises(KeyUnusable, match="not there"):
            attempt(store, "P-0001")
        lost = replace(store, "b1", "R. Tarn", "the disk died")
        attempt(store, "P-0001")
    found = answers(tmp_path)
    assert overall(found.values()) is True
    assert f"not vouched for by the key before: {lost.number}" in found["key"].words
    assert answers(tmp_path, second, mark_of(tmp_path, "shop"))["key"].good is None
    with Store.open(tmp_path) as store, store._reading() as connection:
        listed = signing.keys_of(connection, "b1")
    # the old key signs the record that announces its successor, a lost one can't
    assert [(key.place, key.since) for key in listed] == [(1, 1), (2, 6), (3, 8)]


def test_a_chain_without_a_key_has_none_to_rotate(tmp_path: Path) -> None:
    with Store.open(tmp_path, simulated=True) as store, pytest.raises(NotFound, match="no key yet"):
        rotate(store, "b9", "R. Tarn", "yearly")


def test_a_home_whose_key_is_elsewhere_says_so(tmp_path: Path) -> None:
    some_home(tmp_path, 1)
    mark = mark_of(tmp_path, "b1")
    for path in (tmp_path / "keys").glob("key-b1-*.pem"):
        path.unlink()
    found = answers(tmp_path)["key"]
    assert found.good is None
    assert mark in found.words
    assert answers(tmp_path, mark, mark_of(tmp_path, "shop"))["key"].good is True


# ---- homes from before ------------------------------------------------------------------------------


def unsigned_home(home: Path) -> None:
    """A home as version 0002 of the tables left it."""
    some_home(home / "new", 1)
    engine = database.engine_of(in_home(home))
    with database.writer_of(engine).begin() as connection:
        upgrading.to_version(connection, "0002")
    engine.dispose()
    tool = sqlite3.connect(home / "records.sqlite", isolation_level=None)
    tool.execute("ATTACH ? AS new", (str(home / "new" / "records.sqlite"),))
    for table in ("home", "traces", "records"):
        names = ",".join(row[1] for row in tool.execute(f"PRAGMA main.table_info({table})"))
        tool.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM new.{table}")
    tool.close()
    shutil.rmtree(home / "new")


def test_records_from_before_signing_stay_unsigned_and_are_said_to_be(tmp_path: Path) -> None:
    unsigned_home(tmp_path)
    found = answers(tmp_path)
    assert overall(found.values()) is None
    assert "nothing is signed yet in b1, shop" in found["signature"].words
    assert {name for name, one in found.items() if one.good} == set(found) - {"signature"}
    with Store.open(tmp_path) as store:
        number = attempt(store, register(store, "new")).number
    found = answers(tmp_path)
    assert overall(found.values()) is True
    assert found["signature"].words == (
        "3 of 9 records; 6 records are older than signing, the heads cover them"
    )
    force(tmp_path, "UPDATE records SET json=replace(json,'resell','scrap!') WHERE number=4")
    assert answers(tmp_path)["log"].good is False  # the log covers them all the same
    assert number


def test_a_bundle_about_a_record_from_before_signing_says_what_it_rests_on(tmp_path: Path) -> None:
    unsigned_home(tmp_path)
    with Store.open(tmp_path) as store:
        attempt(store, "P-0001")
        store.append("intake", "shop", {**INTAKE, "serial": "new"})
    data = made(tmp_path, "R-000006")
    said = {one.question: one for one in judged(opened(data, "x"), [mark_of(tmp_path, "b1")])}
    assert said["signature"].good is None
    assert "R-000006" in said["signature"].words
    assert "older than signing, covered by the head alone" in said["signature"].words
    assert {name for name, one in said.items() if one.good} == set(said) - {"signature"}
    with Store.open(tmp_path) as store:
        raw = store.get("R-000006").json
    assert hashlib.sha256(raw).hexdigest() == json.loads(store_next(tmp_path, "R-000006"))["prev"]


def store_next(home: Path, number: str) -> bytes:
    """The record after one in its chain."""
    with Store.open(home) as store:
        return store.get(f"R-{int(number[2:]) + 1:06d}").json
