"""Bundles: what is in them, what a stranger can check, and that no changed bit gets through."""

from __future__ import annotations

import hashlib
import json
import random
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from results import bundle, keys
from results.answers import overall
from results.errors import BadRecord, KeyUnusable, NoBundle, NotFound
from results.judged import judged
from results.opened import opened
from results.rekeying import replace, rotate
from results.store import Store
from tests.results.evidence import (
    PHOTO,
    attempt,
    files_in,
    listed_again,
    made,
    mark_of,
    register,
    some_home,
)

PHOTO_NAME = f"photos/{hashlib.sha256(PHOTO).hexdigest()}.jpg"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, bytes]:
    """A home, a closing in it, and the bundle about that."""
    home = tmp_path_factory.mktemp("home")
    number = some_home(home)
    return home, number, made(home, number)


def answers(data: bytes, *trusted: str) -> dict[str, bool | None]:
    return {one.question: one.good for one in judged(opened(data, "a bundle"), trusted)}


def problems(data: bytes) -> str:
    return "\n".join(words for one in judged(opened(data, "x"), ()) for words in one.problems)


# ---- what is in it --------------------------------------------------------------------------------


def test_each_question_is_answered_apart(kept: tuple[Path, str, bytes]) -> None:
    home, _, data = kept
    without = answers(data)
    assert without.pop("key") is None  # unknown to whoever names none
    assert set(without.values()) == {True}
    assert set(answers(data, mark_of(home, "b1")).values()) == {True}
    other = judged(opened(data, "x"), ["0" * 64])
    assert [one.words[:12] for one in other if one.question == "key"] == ["another key "]
    assert overall(other) is None


def test_the_same_records_give_the_same_bytes(kept: tuple[Path, str, bytes]) -> None:
    home, number, data = kept
    assert made(home, number) == data
    assert made(home, number.lower()) == data


def test_every_attempt_of_the_part_is_in_it_and_no_other_parts(
    kept: tuple[Path, str, bytes],
) -> None:
    home, number, data = kept
    records = [
        json.loads(raw)
        for name, raw in files_in(data).items()
        if "/R-" in name and name.endswith("json")
    ]
    verdicts = [one["body"]["verdict"] for one in records if one["kind"] == "closing"]
    assert verdicts == ["fail", "fail", "pass"]
    assert {one["body"]["part"] for one in records if one["kind"] != "closing"} == {"P-0001"}
    assert b"MW10-4410" not in data  # another customer's part
    with Store.open(home) as store:
        assert store.get(number).body["opening"] in {one["number"] for one in records}


def test_a_gap_in_a_trace_is_empty_and_never_nought(kept: tuple[Path, str, bytes]) -> None:
    _, number, data = kept
    assert files_in(data)[f"trace/{number}.csv"] == b"t_ms,leakage_ua\r\n0,\r\n100,212\r\n200,0\r\n"


@pytest.mark.parametrize("name", ["CHECK.txt", "../x", "chain-1/R-000001.json", "/photos/x", ""])
def test_nothing_attached_takes_the_place_of_what_is_proved(tmp_path: Path, name: str) -> None:
    number = some_home(tmp_path, 1)
    with pytest.raises(BadRecord, match="no place in a bundle"):
        made(tmp_path, number, attached={name: b"x"})


def test_no_bundle_without_the_record_or_without_the_benchs_key(tmp_path: Path) -> None:
    number = some_home(tmp_path, 1)
    with pytest.raises(NotFound, match="R-000099"):
        made(tmp_path, "R-000099")
    for path in (tmp_path / "keys").glob("key-b1-*.pem"):
        path.unlink()
    with pytest.raises(KeyUnusable, match="not there"):
        made(tmp_path, number)


# ---- by common tools ------------------------------------------------------------------------------


def commands(text: str) -> list[str]:
    """Exactly what CHECK.txt says."""
    return [line.removeprefix("    $ ") for line in text.splitlines() if line.startswith("    $ ")]


def followed(where: Path, files: dict[str, bytes]) -> list[subprocess.CompletedProcess[str]]:
    """Unzip, then each command in a shell."""
    for name, data in files.items():
        (where / name).parent.mkdir(parents=True, exist_ok=True)
        (where / name).write_bytes(data)
    said = commands(files["CHECK.txt"].decode())
    return [
        subprocess.run(["sh", "-c", one], cwd=where, capture_output=True, text=True, check=False)
        for one in said
    ]


def test_check_txt_does_what_it_says(tmp_path: Path) -> None:
    home = tmp_path / "home"
    number = some_home(home, 2)
    with Store.open(home) as store:
        rotate(store, "b1", "R. Tarn", "yearly")
        number = attempt(store, "P-0001").number
    files = files_in(made(home, number))
    ran = followed(tmp_path / "out", files)
    assert [one for one in ran if one.returncode] == []
    said = "".join(one.stdout for one in ran)
    text = files["CHECK.txt"].decode()
    printed = re.findall(r"must print ([0-9a-f]{64})", text)
    assert printed == [mark_of(home, "b1"), mark_of(home, "shop")]
    assert all(f"{mark}  -" in said or f"{mark} *-" in said for mark in printed)
    signatures = sum(name.endswith(".sig") for name in files)
    assert said.count("Signature Verified Successfully") == signatures
    records = sum(bool(re.fullmatch(r"chain-\d/R-\d+\.json", name)) for name in files)
    traces = sum(name.endswith(".bin") for name in files)
    assert [one.stdout for one in ran].count("1\n") == records + traces
    assert said.count(": OK") == len(files) - 2


BY_HAND: list[tuple[str, Callable[[bytes], bytes], str]] = [
    ("chain-1/R-000010.json", lambda raw: raw.replace(b'"pass"', b'"fail"'), "FAILED"),
    ("chain-1/R-000009.json", lambda raw: raw.replace(b'"bay":1', b'"bay":2'), "Failure"),
    ("SHA256SUMS", lambda raw: raw.replace(b"0", b"1", 1), "FAILED"),
    ("chain-1/R-000010.path", lambda raw: bytes(len(raw)), "0\n"),
    ("chain-1/head.json", lambda raw: raw.replace(b'"size":8', b'"size":9'), "Failure"),
    ("trace/R-000010.bin", lambda raw: raw[:-1], "0\n"),
]


@pytest.mark.parametrize(("name", "change", "words"), BY_HAND)
def test_check_txt_finds_what_was_changed(
    tmp_path: Path, name: str, change: Callable[[bytes], bytes], words: str
) -> None:
    files = files_in(made(tmp_path / "home", some_home(tmp_path / "home", 2)))
    changed = change(files[name])
    assert changed != files[name]
    ran = followed(tmp_path / "out", {**files, name: changed})
    bad = [one for one in ran if one.returncode]
    assert bad
    assert any(words in one.stdout + one.stderr for one in bad)


# ---- no changed bit -------------------------------------------------------------------------------


def test_five_thousand_flipped_bits_are_all_caught(kept: tuple[Path, str, bytes]) -> None:
    """Signatures of Ed25519 have no padding: no bit of a bundle is free."""
    home, _, data = kept
    mark, draw = mark_of(home, "b1"), random.Random(8032)
    places = draw.sample(range(len(data) * 8), 5000)
    missed = []
    for place in places:
        changed = bytearray(data)
        changed[place // 8] ^= 1 << place % 8
        if not caught(bytes(changed), mark):
            missed.append(place)
    assert missed == []


def caught(data: bytes, mark: str) -> bool:
    try:
        read = opened(data, "x")
    except NoBundle:
        return True
    return bool(read.flaws) or overall(judged(read, [mark])) is False


@pytest.mark.parametrize("place", range(0, 64, 9))
def test_a_flipped_bit_in_a_signature_is_named_so(
    kept: tuple[Path, str, bytes], place: int
) -> None:
    _, number, data = kept
    files = files_in(data)
    for name in (f"chain-1/{number}.sig", "SHA256SUMS.sig", "chain-1/head.sig"):
        signature = bytearray(files[name])
        signature[place] ^= 1 << place % 8
        assert answers(bundle.zipped({**files, name: bytes(signature)}))["signature"] is False


def test_bytes_of_the_zip_that_belong_to_no_file_are_found(kept: tuple[Path, str, bytes]) -> None:
    _, _, data = kept
    for other in (data + b"x", data[:-1], data[:4000] + data[4001:], data + data):
        assert answers(other)["whole"] is False
    with pytest.raises(NoBundle, match="is no bundle"):
        opened(b"%PDF-1.7", "x")


# ---- forgers --------------------------------------------------------------------------------------

Files = dict[str, bytes]


def edited_record(files: Files) -> Files:
    name = "chain-1/R-000014.json"
    return {**files, name: files[name].replace(b'"resell"', b'"scrap!"')}


def edited_trace(files: Files) -> Files:
    return {**files, "trace/R-000014.bin": files["trace/R-000006.bin"][:-3] + b"abc"}


def edited_csv(files: Files) -> Files:
    return {**files, "trace/R-000014.csv": files["trace/R-000014.csv"].replace(b"212", b"112")}


def replaced_photo(files: Files) -> Files:
    return {**files, PHOTO_NAME: b"another photo"}


def unknown_photo(files: Files) -> Files:
    return {**files, f"photos/{hashlib.sha256(b'x').hexdigest()}.jpg": b"x"}


def removed_record(files: Files) -> Files:
    return {name: raw for name, raw in files.items() if "R-000009" not in name}


def forged_root(files: Files) -> Files:
    head = files["chain-1/head.json"]
    root = json.loads(head)["root"].encode()
    return {**files, "chain-1/head.json": head.replace(root, root[::-1])}


def reordered(files: Files) -> Files:
    """Two records change places, each with the proof and the signature of the other."""
    raws = {n: files[f"chain-1/{n}.json"] for n in ("R-000005", "R-000009")}
    swapped = [
        raws["R-000005"].replace(b'"seq":3', b'"seq":7'),
        raws["R-000009"].replace(b'"seq":7', b'"seq":3'),
    ]
    return {**files, "chain-1/R-000005.json": swapped[0], "chain-1/R-000009.json": swapped[1]}


def reused_number(files: Files) -> Files:
    again = files["chain-1/R-000009.json"].replace(b"R-000009", b"R-000001")
    moved = {
        n.replace("R-000009", "R-000001"): raw
        for n, raw in files.items()
        if "chain-1/R-000009" in n
    }
    return {**files, **moved, "chain-1/R-000001.json": again}


def unsigned(files: Files) -> Files:
    return {name: raw for name, raw in files.items() if name != "chain-1/R-000014.sig"}


def added(files: Files) -> Files:
    return {**files, "certificate.txt": b"all is well"}


def without_head(files: Files) -> Files:
    return {
        n: raw
        for n, raw in files.items()
        if n not in ("chain-1/head.json", "chain-1/head.sig", "chain-1/older.json")
    }


def missing_trace(files: Files) -> Files:
    return {name: raw for name, raw in files.items() if name != "trace/R-000014.bin"}


FORGED: list[tuple[Callable[[Files], Files], str, str]] = [
    (edited_record, "signature", "R-000014: its signature doesn't fit: edited or forged"),
    (edited_record, "log", "R-000014: is not in the log"),
    (edited_trace, "whole", "R-000014: its trace is not the one that the record names: edited"),
    (edited_csv, "whole", "R-000014.csv doesn't say what the trace says: edited"),
    (replaced_photo, "whole", "is not the photo that a record names: replaced"),
    (unknown_photo, "whole", "is not the photo that a record names: replaced"),
    (removed_record, "whole", "R-000009.json is in the signed list and not in the bundle: removed"),
    (forged_root, "signature", "the signature of its head doesn't fit: forged root"),
    (forged_root, "log", "edited, re-ordered or forged root"),
    (reordered, "log", "R-000005: is not in the log"),
    (reordered, "signature", "R-000009: its signature doesn't fit"),
    (reused_number, "chain", "R-000001: is there twice: a number used again"),
    (unsigned, "signature", "R-000014: its signature was removed"),
    (added, "whole", "certificate.txt: is nothing that a bundle holds: added"),
    (without_head, "log", "has no signed head in it: removed"),
    (missing_trace, "whole", "R-000014: its trace is missing"),
]


@pytest.mark.parametrize(("forge", "question", "words"), FORGED)
@pytest.mark.parametrize("again", [bundle.zipped, listed_again])
def test_what_a_forger_without_the_key_does_is_named(
    kept: tuple[Path, str, bytes],
    forge: Callable[[Files], Files],
    question: str,
    words: str,
    again: Callable[[Files], bytes],
) -> None:
    _, _, data = kept
    forged = forge(files_in(data))
    assert forged != files_in(data)
    if "signed list" in words and again is listed_again:
        words = "the signature of the list of files doesn't fit"
        question = "signature"
    found = {one.question: one for one in judged(opened(again(forged), "x"), ())}
    assert found[question].good is False
    assert any(words in one for one in found[question].problems), found[question].problems
    if again is listed_again:  # a list that is right again is no longer the shop's
        assert found["signature"].good is False


def test_a_photo_that_a_record_names_is_covered(tmp_path: Path) -> None:
    name = hashlib.sha256(PHOTO).hexdigest()
    with Store.open(tmp_path, simulated=True) as store:
        number = attempt(store, register(store, photos=[{"sha256": name}])).number
    files = files_in(made(tmp_path, number, attached={PHOTO_NAME: PHOTO}))
    assert answers(bundle.zipped(files), mark_of(tmp_path, "b1"))["whole"] is True
    found = problems(bundle.zipped({**files, PHOTO_NAME: PHOTO + b"x"}))
    assert "is not the photo that a record names: replaced" in found


def test_all_made_anew_with_another_key_is_a_key_unknown(tmp_path: Path) -> None:
    """Whoever writes all of it anew can sign it only with a key of their own."""
    first, second = tmp_path / "theirs", tmp_path / "forged"
    some_home(first)
    data = made(second, some_home(second))
    assert set(answers(data, mark_of(second, "b1")).values()) == {True}
    found = answers(data, mark_of(first, "b1"))
    assert found["key"] is None
    assert overall(judged(opened(data, "x"), [mark_of(first, "b1")])) is None


# ---- keys that follow one another -----------------------------------------------------------------


def test_a_rotated_key_is_vouched_for_and_a_replaced_one_is_not(tmp_path: Path) -> None:
    number = some_home(tmp_path, 1)
    first = mark_of(tmp_path, "b1")
    with Store.open(tmp_path) as store:
        rotate(store, "b1", "R. Tarn", "yearly")
        second = mark_of(tmp_path, "b1")
        data = bundle.bundle(store, number)
    assert answers(data, first)["key"] is answers(data, second)["key"] is True
    for path in (tmp_path / "keys").glob("key-b1-*.pem"):
        path.unlink()
    with Store.open(tmp_path) as store:
        announced = replace(store, "b1", "R. Tarn", "the disk died").number
        third = mark_of(tmp_path, "b1")
        data = bundle.bundle(store, number)
    assert answers(data, first)["key"] is answers(data, second)["key"] is None
    said = judged(opened(data, "x"), [third])[2]
    assert f"not vouched for by the key before: {announced}" in said.words
    assert set(answers(data, third).values()) == {True}
    assert len({first, second, third}) == 3


def test_a_key_that_no_record_announces_is_no_key(kept: tuple[Path, str, bytes]) -> None:
    _, _, data = kept
    files = files_in(data)
    own = keys.PrivateKey.generate()
    more = {**files, "chain-1/key-2.pem": keys.pem(keys.raw_public(own))}
    assert "2 keys, but 0 records that announce one" in problems(listed_again(more))
    other = {**files, "chain-1/key-1.pem": keys.pem(keys.raw_public(own))}
    assert answers(listed_again(other))["signature"] is False
