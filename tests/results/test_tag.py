"""Tags: what they say, and that a scanner reads them at what label printers print."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from results import issuing
from results.errors import ReportImpossible
from results.issuing import Issued, Order
from results.report import tag
from results.report.evidence_blocks import payload
from results.report.making import code_svg
from results.report.words import day
from results.store import Store
from tests.results.papers import attempted, registered, text_of, with_readers

pytestmark = with_readers

# the alphanumeric mode of a QR code: ISO/IEC 18004 table 5, from memory
ALPHANUMERIC = re.compile(r"[0-9A-Z $%*+\-./:]+")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    with Store.open(tmp_path / "home", simulated=False) as opened:
        yield opened


def tagged(store: Store, verdict: str, line: str = tag.NOT_RELEASED, **more: object) -> Issued:
    closing = attempted(store, registered(store, **more), verdict).number
    order = Order(tag.FORM, tag.PAPER, "R. Tarn", "test", "", statements={tag.RESALE: line})
    return issuing.issued(store, issuing.issue(store, closing, order).number)


def scanned(path: Path) -> str:
    """What zbar reads, an implementation that nobody here wrote."""
    command = ["zbarimg", "-q", "--raw", "--nodbus", str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip()


@pytest.mark.parametrize("dpi", tag.DPI)
def test_zbar_reads_it_back(store: Store, tmp_path: Path, dpi: int) -> None:
    made = tagged(store, "fail")
    _, png = tag.tag(made, dpi)
    path = tmp_path / "tag.png"
    path.write_bytes(png)
    said = scanned(path)
    assert said == payload(made, 16)
    number, closing = made.record.number, made.closing
    assert said == f"MILLIPROOF:{number}:{closing.number}:FAIL:{closing.sha256[:16].upper()}"
    assert ALPHANUMERIC.fullmatch(said)
    width = int.from_bytes(png[16:20], "big")  # of the IHDR chunk: ISO/IEC 15948 11.2.2
    assert width == pytest.approx(62 / 25.4 * dpi, abs=1)


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("pass", ("PASS", "0.196 ± 0.019 mA")),
        ("fail", ("FAIL", "DO NOT ENERGISE", "2.010 ± 0.019 mA")),
        ("none", ("NO VERDICT", "DO NOT USE: NOT PROVED")),
        ("aborted", ("ABORTED", "DO NOT USE: NOT PROVED")),
    ],
)
def test_the_verdict_stands_in_words(
    store: Store, tmp_path: Path, verdict: str, words: tuple[str, ...]
) -> None:
    made = tagged(store, verdict)
    path = tmp_path / "tag.pdf"
    path.write_bytes(tag.tag(made, 203)[0])
    text = text_of(path)
    for one in (
        *words,
        day(made.closing.at_ms),
        "P-0001",
        made.closing.number,
        "OF55-0117",
        tag.NOT_RELEASED,
    ):
        assert one in text
    assert ("DO NOT ENERGISE" in text) is (verdict == "fail")


def test_long_and_hostile_names_stay_on_the_tape(store: Store, tmp_path: Path) -> None:
    made = tagged(store, "pass", model="W" * 200, serial='#panic("x") ' * 9)
    path = tmp_path / "tag.pdf"
    path.write_bytes(tag.tag(made, 203)[0])
    boxes = subprocess.run(["pdftotext", "-bbox", str(path), "-"], capture_output=True, check=True)
    ends = [float(x) for x in re.findall(r'xMax="([0-9.]+)"', boxes.stdout.decode())]
    assert max(ends) < 62 / 25.4 * 72 - 2
    assert "#panic" in text_of(path)


def test_a_code_is_never_a_micro_one() -> None:
    """Version 1 has 21 modules a side (ISO/IEC 18004), two more of border on each side here."""
    assert b'width="25"' in code_svg("A")


def test_a_report_is_no_tag(store: Store) -> None:
    from results.report import forms

    assert tag.FORM not in forms.FORMS
    with pytest.raises(ReportImpossible):
        forms.check("letter", "R-1", {"verdict": "fail"}, {"part": "P-1", "family": "heater"})
