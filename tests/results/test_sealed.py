"""Reports read again: whose seal, over what, and whether pages, record and log agree."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from results import keys, opened
from results.answers import overall
from results.errors import KeyUnusable, NoBundle
from results.issuing import Issued
from results.report import making, seal, sealed
from results.report.cover import cover_of
from results.report.seal import Seal
from results.store import Store
from tests.results.evidence import mark_of
from tests.results.papers import BENCH, attempted, issued, registered


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sealed") / "home"


@pytest.fixture(scope="module")
def kept(home: Path) -> Iterator[tuple[Issued, Seal, bytes]]:
    """What was issued about a part that passed, its seal, and the paper."""
    with Store.open(home, simulated=True) as store:
        part = registered(store)
        attempted(store, part, "fail")
        made = issued(store, attempted(store, part).number)
        sealing = seal.seal_of(store.keyring, BENCH)
        yield made, sealing, making.paper(made, sealing)


def asked(data: bytes, *trusted: str) -> dict[str, tuple[bool | None, str]]:
    found = sealed.answers(data, "x.pdf", trusted, ())
    return {one.question: (one.good, " ".join((one.words, *one.problems))) for one in found}


def bad(data: bytes) -> dict[str, str]:
    """The questions that are answered no, and how."""
    return {name: words for name, (good, words) in asked(data).items() if good is False}


def test_a_report_answers_six_questions(home: Path, kept: tuple[Issued, Seal, bytes]) -> None:
    made, _, data = kept
    said = asked(data, mark_of(home, BENCH))
    assert {good for good, _ in said.values()} == {True}
    assert "the seal over the file and the issue record" in said["signature"][1]
    good, words = asked(data)["key"]
    assert good is None
    assert words.startswith(f"key unknown to you: {made.head.head.key} signed for {BENCH}")
    assert asked(data, "0" * 64)["key"][0] is None


def test_an_appended_revision_is_caught(kept: tuple[Issued, Seal, bytes]) -> None:
    """A valid update of the file, as anyone's PDF program writes it."""
    writer = IncrementalPdfFileWriter(BytesIO(kept[2]))
    writer.root["/Note"] = writer.root["/Lang"]
    writer.update_root()
    out = BytesIO()
    writer.write(out)
    for data in (out.getvalue(), kept[2] + b" ", kept[2] + b"\n%%EOF\n"):
        assert "bytes after what the seal covers: a revision was appended" in bad(data)["whole"]


def test_a_second_seal_is_caught(kept: tuple[Issued, Seal, bytes]) -> None:
    """Sealed once more, by the bench's own key: one paper has one seal."""
    again = sealed_again(kept[2], kept[1])
    assert "more than one seal: a revision was appended" in bad(again)["signature"]


def sealed_again(data: bytes, by: Seal) -> bytes:
    return seal.sealed(data, by, "Seal2")


def test_what_was_cut_or_changed_is_caught(kept: tuple[Issued, Seal, bytes]) -> None:
    _, _, data = kept
    assert "cut or edited" in bad(data[:-1])["whole"]
    changed = data.replace(b"/Title (Used", b"/Title (Usex")
    assert changed != data
    assert "is not what was sealed: edited" in bad(changed)["signature"]
    assert "is not sealed" in bad(kept[2].replace(b"/ByteRange", b"/ByteRangx"))["signature"]


def test_a_seal_by_another_key_is_caught(kept: tuple[Issued, Seal, bytes], tmp_path: Path) -> None:
    """The same pages under a certificate with the same name: a forger's own root."""
    forged = seal.seal_of(keys.Keyring(tmp_path / "keys"), BENCH)
    assert forged.certificate.subject == kept[1].certificate.subject
    data = seal.sealed(making.unsealed(kept[0]), forged)
    assert cover_of(data).good
    assert "names another certificate than sealed the file: forged" in bad(data)["signature"]


def test_other_pages_than_the_record_gives_are_caught(
    kept: tuple[Issued, Seal, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever has the keys can't let the pages say something else than the attached record."""
    made, sealing, _ = kept
    altered = json.loads(json.dumps(making.document(made)).replace("0.196", "0.096"))
    with monkeypatch.context() as patched:
        patched.setattr(making, "document", lambda _: altered)
        data = making.paper(made, sealing)
    assert cover_of(data).good
    assert bad(data).keys() == {"whole"}
    assert "pages: don't say what the attached record says" in bad(data)["whole"]


def test_an_issue_record_that_the_bench_did_not_sign_is_caught(
    kept: tuple[Issued, Seal, bytes],
) -> None:
    made, sealing, _ = kept
    body = {**made.record.body, "references": ["claim 1"]}
    forged = replace(made, record=replace(made.record, body=body))
    data = making.paper(forged, sealing)
    assert "the bench did not sign this issue record: forged" in bad(data)["signature"]


def test_a_bundle_of_another_time_is_caught(kept: tuple[Issued, Seal, bytes]) -> None:
    """A record cut out of the bundle, though its list is made right again."""
    made, sealing, _ = kept
    files = {name: raw for name, raw in made.files.items() if "R-000003" not in name}
    said = bad(making.paper(replace(made, files=files), sealing))
    assert said.keys() >= {"whole"}


def test_a_pdf_that_is_no_report_is_no_answer(kept: tuple[Issued, Seal, bytes]) -> None:
    """Well sealed, but nothing is attached."""
    made, sealing, _ = kept
    from results.report import typeset
    from results.report.content import document
    from results.report.evidence_blocks import payload

    code = {"code.svg": making.code_svg(payload(made))}
    plain = typeset.begin("paper.typ", {**document(made), "attached": []}, code).finish()["out.pdf"]
    with pytest.raises(NoBundle, match="is no report"):
        sealed.answers(seal.sealed(plain, sealing), "x.pdf", (), ())
    assert bad(b"%PDF-1.7 nothing")["signature"].startswith("seal: is not sealed")


def test_five_thousand_flipped_bits_are_all_caught(kept: tuple[Issued, Seal, bytes]) -> None:
    """Not even the padding behind the seal is free: it is checked to be 0. A bit of the certificate
    makes it another one than the issue record names, which the answers hold against each other."""
    data, draw = kept[2], random.Random(19005)
    seal_at = data.rindex(b"/Contents <")
    places = draw.sample(range(len(data) * 8), 4000)
    places += draw.sample(range(seal_at * 8, (seal_at + 4200) * 8), 1000)  # the seal itself
    missed = []
    for place in places:
        changed = bytearray(data)
        changed[place // 8] ^= 1 << place % 8
        cover = cover_of(bytes(changed))
        if cover.good and cover.certificate == kept[0].record.body["certificate"]:
            missed.append(place)
    assert missed == []


def test_heads_of_a_report_are_held_against_others(kept: tuple[Issued, Seal, bytes]) -> None:
    made, _, data = kept
    heads = sealed.heads(data, "x.pdf")
    assert [one.head for one in heads if one.head.bench == BENCH] == [made.head.head]
    forked = replace(made.head.head, root="00" * 32)
    other = replace(heads[0], signed=replace(heads[0].signed, head=forked))
    found = sealed.answers(data, "x.pdf", (), [other])
    assert overall(found) is False
    assert sealed.heads(data + b"x", "x.pdf") == []


def test_the_bundle_inside_stands_on_its_own(home: Path, kept: tuple[Issued, Seal, bytes]) -> None:
    from results.judged import judged

    inside = sealed.attached(kept[2], "x.pdf")[f"{kept[0].closing.number}.zip"]
    assert overall(judged(opened.opened(inside, "x.zip"), [mark_of(home, BENCH)])) is True


# ---- the seal's key --------------------------------------------------------------------------------


def test_the_key_is_made_once_and_its_owners_alone(tmp_path: Path) -> None:
    place = tmp_path / "keys"
    first = seal.seal_of(keys.Keyring(place), BENCH)
    assert seal.seal_of(keys.Keyring(place), BENCH).sha256 == first.sha256
    assert seal.seal_of(keys.Keyring(place), "../b2").sha256 != first.sha256
    found = list(place.iterdir())
    assert len(found) == 2
    assert {one.stat().st_mode & 0o777 for one in found} == {0o600}
    found[0].chmod(0o644)
    found[1].chmod(0o640)
    with pytest.raises(KeyUnusable, match="others may read"):
        seal.seal_of(keys.Keyring(place), BENCH)


def test_a_passphrase_locks_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "keys"
    monkeypatch.setenv(keys.PASSPHRASE_VARIABLE, "otter")
    first = seal.seal_of(keys.Keyring(place, lambda _: b"otter"), BENCH)
    assert b"ENCRYPTED" in next(place.iterdir()).read_bytes()
    with pytest.raises(KeyUnusable, match="the passphrase doesn't open it"):
        seal.seal_of(keys.Keyring(place, lambda _: b"heron"), BENCH)
    with pytest.raises(KeyUnusable, match="is locked by a passphrase"):
        seal.seal_of(keys.Keyring(place, lambda _: b""), BENCH)
    assert seal.seal_of(keys.Keyring(place, lambda _: b"otter"), BENCH).sha256 == first.sha256


def test_a_damaged_key_is_said(tmp_path: Path) -> None:
    place = tmp_path / "keys"
    seal.seal_of(keys.Keyring(place), BENCH)
    path = next(place.iterdir())
    text = path.read_bytes()
    path.write_bytes(text.replace(b"\nM", b"\n*", 1))
    with pytest.raises(KeyUnusable, match="is damaged"):
        seal.seal_of(keys.Keyring(place), BENCH)
