"""Reports: what stands on them, that the same issue gives the same bytes, and what other readers say."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path

import pytest
from pyhanko.keys import load_cert_from_pemder
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko.sign.validation.status import SignatureCoverageLevel
from pyhanko_certvalidator import ValidationContext

from results import issuing, rekeying
from results.errors import BadRecord, NotFound, ReportImpossible
from results.report import forms, making, seal
from results.report.words import plain
from results.store import Store
from tests.results import papers
from tests.results.papers import (
    BENCH,
    asked,
    attempted,
    issued,
    paper,
    registered,
    text_of,
    with_readers,
)

pytestmark = with_readers

# domain words: a report never says of a part what a bench can't show
NEVER = re.compile(r"\b(safe|certified|compliant|certificate of|guaranteed?)\b", re.IGNORECASE)
SIZES = {"letter": "612 x 792 pts (letter)", "a4": "595.276 x 841.89 pts (A4)"}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    with Store.open(tmp_path / "home", simulated=False) as opened:
        yield opened


@pytest.fixture
def closing(store: Store) -> str:
    """A part that failed, was changed and passed; the pass."""
    part = registered(store)
    attempted(store, part, "fail")
    return attempted(store, part, opened={"attempt": 2, "change": "dried 24 h"}).number


def written(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "paper.pdf"
    path.write_bytes(data)
    return path


# ---- what other readers say ------------------------------------------------------------------------


def test_poppler_finds_the_seal_good_and_the_whole_document_under_it(
    store: Store, closing: str, tmp_path: Path
) -> None:
    """poppler's pdfsig, an implementation that nobody here wrote."""
    said = asked("pdfsig", written(tmp_path, paper(store, closing)))
    assert "Signature Validation: Signature is Valid." in said
    assert "Total document signed" in said
    assert "Signature Type: ETSI.CAdES.detached" in said  # PAdES, ETSI EN 319 142-1
    assert "Signing Hash Algorithm: SHA-256" in said
    assert said.count("Signature #") == 1


def test_pyhankos_own_validator_agrees(store: Store, closing: str, tmp_path: Path) -> None:
    data = paper(store, closing)
    sealing = seal.seal_of(store.keyring, BENCH)
    pem = tmp_path / "seal.crt"
    pem.write_bytes(sealing.certificate.public_bytes(seal.Encoding.PEM))
    root = load_cert_from_pemder(str(pem))
    found = PdfFileReader(BytesIO(data)).embedded_signatures
    status = validate_pdf_signature(
        found[0], ValidationContext(trust_roots=[root], allow_fetching=False)
    )
    assert (status.intact, status.valid, status.trusted) == (True, True, True)
    assert status.coverage is SignatureCoverageLevel.ENTIRE_FILE


def test_poppler_takes_out_what_is_attached(store: Store, closing: str, tmp_path: Path) -> None:
    made = issued(store, closing)
    path = written(tmp_path, making.paper(made, seal.seal_of(store.keyring, BENCH)))
    out = tmp_path / "out"
    out.mkdir()
    asked("pdfdetach", "-saveall", "-o", out, path)
    number = made.record.number
    found = {one.name: one.read_bytes() for one in out.iterdir()}
    wanted = {f"{closing}.{end}" for end in ("json", "csv", "zip")}
    assert found.keys() == wanted | {f"{number}.json", f"{number}.sig"}
    assert found[f"{closing}.json"] == store.get(closing).json
    assert found[f"{closing}.csv"].startswith(b"t_ms,feed,leakage_ua\r\n0,0,\r\n")  # a gap, not 0
    assert found[f"{closing}.zip"] == made.bundle
    assert found[f"{number}.json"] == store.get(number).json


@pytest.mark.parametrize("size", sorted(SIZES))
def test_two_pages_tagged_of_the_size_asked_for(
    store: Store, closing: str, tmp_path: Path, size: str
) -> None:
    path = written(tmp_path, paper(store, closing, size=size))
    said, meta = asked("pdfinfo", path), asked("pdfinfo", "-meta", path)
    assert SIZES[size] in said
    assert re.search(r"^Tagged:\s+yes$", said, re.MULTILINE)
    assert re.search(r"^Pages:\s+[12]$", said, re.MULTILINE)
    assert re.search(r"^PDF version:\s+1\.7$", said, re.MULTILINE)  # what ISO 19005-3 builds on
    assert 'pdfaid:part="3"' in meta
    assert 'pdfaid:conformance="A"' in meta


# ---- what stands on it -----------------------------------------------------------------------------


def test_verdict_conditions_limits_and_every_earlier_attempt(
    store: Store, closing: str, tmp_path: Path
) -> None:
    made = issued(store, closing)
    text = text_of(written(tmp_path, making.unsealed(made)))
    for words in (
        "Used-part test report",
        "PASS against limit set resale 2026.1 in the conditions listed",
        "0.196 ± 0.019 measured",
        "0.176 ± 0.019 prospective",
        "Values marked prospective are calculated",
        "not a touch-current, dielectric-strength, listing or product-standard test",
        "behind a working GFCI",
        "Every attempt on this part: 2",
        "2.010 ± 0.019",  # of the attempt that failed
        "dried 24 h",
        "common practice, no source;",
        "R. Tarn",
        "leakage 2026-01-11, due 2027-01-11",
        "Never at heating voltage without level and flow inputs.",
    ):
        assert words in text, words
    squeezed = text.replace(" ", "")
    for figure in (made.closing.sha256, made.head.head.root, made.head.signature.hex()):
        assert figure in squeezed
    assert all(part.hex() in squeezed for part in made.stored[closing].path)
    assert "SIMULATED" not in text


ALLOWED = [
    (form, verdict)
    for form, one in sorted(forms.FORMS.items())
    for verdict in ("pass", "fail", "none")
    if verdict in one.verdicts
]


@pytest.mark.parametrize(("form", "verdict"), ALLOWED)
def test_no_paper_says_more_than_a_bench_can_show(
    store: Store, tmp_path: Path, form: str, verdict: str
) -> None:
    closing = attempted(store, registered(store), verdict).number
    text = text_of(written(tmp_path, making.unsealed(issued(store, closing, form))))
    assert not NEVER.search(text)
    if form == "claim":
        assert "that is no finding that the maker's limit was exceeded" in text
    if (form, verdict) == ("plain", "fail"):
        assert "DO NOT ENERGISE" in text


@pytest.mark.parametrize("form", sorted(forms.FORMS))
def test_simulated_stands_on_each_page(tmp_path: Path, form: str) -> None:
    with Store.open(tmp_path / "virtual", simulated=True) as store:
        verdict = "fail" if form == "claim" else "pass"
        closing = attempted(store, registered(store), verdict).number
        path = written(tmp_path, making.unsealed(issued(store, closing, form)))
    pages = asked("pdftotext", "-layout", path, "-").split("\f")[:-1]
    assert pages
    assert all(page.count("SIMULATED: no real part was tested") >= 2 for page in pages)


def test_a_claim_has_what_a_supplier_asks_for(store: Store, tmp_path: Path) -> None:
    water = {"ph": "7.2", "chlorine": "3 ppm"}
    part = registered(store, water=water, installed="2026-02-01", site="new spa, 50 A breaker")
    closing = attempted(store, part, "fail").number
    order = {"references": ("claim 4711", "order 99"), "statements": {"installed by": "the shop"}}
    text = text_of(written(tmp_path, making.unsealed(issued(store, closing, "claim", **order))))
    for words in (
        "claim 4711", "order 99", "shelved 14 months", "water, ph 7.2", "water, chlorine 3 ppm",
        "new spa, 50 A breaker", "installed 2026-02-01", "installed by: the shop", "Quillmere Parts",
    ):  # fmt: skip
        assert words in text, words


def test_a_missing_value_is_never_zero(store: Store, tmp_path: Path) -> None:
    closing = attempted(store, registered(store)).number
    text = text_of(written(tmp_path, making.unsealed(issued(store, closing))))
    assert re.search(r"rated run, hot wet both hot -- measured --", text)


HOSTILE = (
    '#panic("owned")',
    "*bold* _it_ $x^2$ <label> @ref // /* \\ ` ``` = #import",
    "{{7*7}} ${HOME} %s ../../etc/passwd",
    "a" * 500,
    "水泵 مضخة 🔥 \u202e\u200b\ue000\ufffd",
    '"],"blocks":[]',
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_only_text(store: Store, tmp_path: Path, text: str) -> None:
    part = registered(store, model=text, complaint=text, source=text, serial=text)
    told = {"model": text, "complaint": text, "change": text, "operator": text}
    closing = attempted(store, part, "fail", opened=told, reason=text, cause=text).number
    order = {"references": (text,), "statements": {"note": text}}
    for form in ("claim", "plain"):
        path = written(tmp_path, making.unsealed(issued(store, closing, form, "a4", **order)))
        seen = text_of(path).replace(" ", "")
        assert plain(text).replace(" ", "")[:60] in seen
        assert "FAIL" in seen


def test_a_sign_that_the_font_lacks_is_named() -> None:
    assert plain("a\u6c34b\ud800") == "a<U+6C34>b<U+D800>"
    assert plain("Größe 5 kΩ ± 0,1 µA – ≤ 7 °C") == "Größe 5 kΩ ± 0,1 µA – ≤ 7 °C"


def test_very_many_attempts_still_all_show(store: Store, tmp_path: Path) -> None:
    part = registered(store)
    for _ in range(40):
        number = attempted(store, part, "fail").number
    path = written(tmp_path, making.unsealed(issued(store, number)))
    text = text_of(path)
    assert "Every attempt on this part: 40" in text
    assert text.count("2.010 ± 0.019") >= 40


# ---- issuing ---------------------------------------------------------------------------------------


def test_the_same_issue_gives_the_same_bytes_whatever_came_since(
    store: Store, closing: str
) -> None:
    first = issued(store, closing)
    before = making.unsealed(first), first.bundle
    attempted(store, first.record.body["part"], "fail")
    store.append("lockout", BENCH, {"reason": "x"})
    rekeying.rotate(store, BENCH, "R. Tarn", "yearly")
    attempted(store, first.record.body["part"], "fail")
    again = issuing.issued(store, first.record.number)
    assert (making.unsealed(again), again.bundle) == before
    assert again.record.body["earlier"] == [r for r in again.record.body["earlier"] if r < closing]
    assert len(again.record.body["earlier"]) == 1


def test_the_issue_record_follows_its_head(store: Store, closing: str) -> None:
    made = issued(store, closing)
    assert made.record.prev == made.head.head.last
    assert made.record.seq == made.head.head.size + 1
    assert store.verify() == []


def test_only_an_attempt_can_be_issued(store: Store, closing: str) -> None:
    opening = str(store.get(closing).body["opening"])
    with pytest.raises(BadRecord, match="no result but opening"):
        issuing.issue(store, opening, papers.order(store))
    with pytest.raises(NotFound, match="no such issue record"):
        issuing.issued(store, closing)
    with pytest.raises(NotFound):
        issuing.issue(store, "R-009999", papers.order(store))


@pytest.mark.parametrize(
    ("form", "verdict", "family", "words"),
    [
        ("claim", "pass", "heater", "no warranty claim pack; a claim is about a part that failed"),
        ("letter", "fail", "heater", "only a pass says that no fault was found"),
        ("letter", "pass", "gfci", "never said to be without fault"),
    ],
)
def test_what_a_form_can_not_say_is_refused(
    form: str, verdict: str, family: str, words: str
) -> None:
    with pytest.raises(ReportImpossible, match=words):
        forms.check(form, "R-1", {"verdict": verdict}, {"part": "P-0001", "family": family})


def test_a_bench_proof_is_about_no_part() -> None:
    with pytest.raises(ReportImpossible, match="is a bench proof"):
        forms.check("report", "R-1", {"verdict": "pass"}, {"part": "", "family": "bench proof"})
