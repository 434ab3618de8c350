"""Heads of one bench from several bundles: one log, a forked one, another shop's."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from results import bundle, log
from results.errors import ChainBroken
from results.judged import judged
from results.log import GivenHead
from results.opened import head_in, opened
from results.store import Store
from tests.results.evidence import attempt, files_in, force, made, some_home


def given(data: bytes) -> GivenHead:
    section = opened(data, "x").sections[0]
    assert section.head is not None
    return GivenHead(section.keys[0].mark, section.head)


def test_a_later_bundle_shows_that_its_log_goes_on_from_the_earlier(tmp_path: Path) -> None:
    old = made(tmp_path, some_home(tmp_path, 1))
    with Store.open(tmp_path) as store:
        number = attempt(store, "P-0001").number
    new = made(tmp_path, number)
    assert judged(opened(new, "x"), (), [given(old)])[-1].good is True
    assert judged(opened(old, "x"), (), [given(new)])[-1].good is True  # the newer one's to prove
    assert len(opened(new, "x").sections[0].older) == 1


def test_since_proves_what_is_not_among_the_newest(tmp_path: Path) -> None:
    old = made(tmp_path, some_home(tmp_path, 1))
    force(tmp_path, "DELETE FROM heads")  # given away by another copy of the store, say
    with Store.open(tmp_path) as store:
        number = attempt(store, "P-0001").number
    apart = made(tmp_path, number)
    untold = judged(opened(apart, "x"), (), [given(old)])[-1]
    assert untold.good is None
    assert "--since" in untold.words
    joined = made(tmp_path, number, since=[head_in(old, "x")])
    assert judged(opened(joined, "x"), (), [given(old)])[-1].good is True


def test_two_heads_of_a_forked_log_are_named(tmp_path: Path) -> None:
    home, copy = tmp_path / "home", tmp_path / "copy"
    some_home(home, 1)
    subprocess.run(["cp", "-r", home, copy], check=True)  # with its keys: two that say they are one
    for place, verdict in ((home, "fail"), (copy, "pass")):
        with Store.open(place) as store:
            attempt(store, "P-0001", verdict)
    one, other = made(home, "R-000005"), made(copy, "R-000005")
    found = judged(opened(one, "x"), (), [given(other)])[-1]
    assert found.good is False
    assert "the log was forked" in found.words
    with Store.open(home) as store:
        number = attempt(store, "P-0001").number
        with pytest.raises(ChainBroken, match="not of the log that is here"):
            bundle.bundle(store, number, since=[head_in(other, "x")])
    later = judged(opened(made(home, number), "x"), (), [given(other)])[-1]
    assert later.good is False


def test_benches_of_the_same_name_in_two_shops_are_not_compared(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    data, theirs = made(one, some_home(one)), made(other, some_home(other, 2))
    assert judged(opened(data, "x"), (), [given(theirs)])[-1].good is True


def test_an_older_head_that_was_made_up_is_found(tmp_path: Path) -> None:
    made(tmp_path, some_home(tmp_path, 1))
    with Store.open(tmp_path) as store:
        number = attempt(store, "P-0001").number
        files = files_in(bundle.bundle(store, number))
        told = json.loads(files["chain-1/older.json"])
        told["older"][0]["root"] = "0" * 64
        files["chain-1/older.json"] = json.dumps(told).encode()
        with store._reading() as connection:
            signer = store.keyring.load("b1", log.head_of(connection, "b1").key)
    files[bundle.SUMS] = bundle.listed(files)
    files[bundle.SUMS_SIGNATURE] = signer.sign(files[bundle.SUMS])  # by the shop itself
    found = {one.question: one.good for one in judged(opened(bundle.zipped(files), "x"), ())}
    assert found["heads"] is False
    assert found["signature"] is found["whole"] is True
