"""The tag on a part: the verdict in words as well as in colour, mA, date, number, code. 62 mm tape."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from results.issuing import Issued
from results.report import typeset
from results.report.evidence_blocks import TAG_DIGITS, payload
from results.report.making import code_svg
from results.report.part_blocks import intake_of
from results.report.words import amount, day, plain, spaced

FORM, PAPER = "tag", "62 mm"
RESALE = "resale"  # the statement that says whether the part may be sold
FOR_RESALE = "FOR RESALE"
NOT_RELEASED = "NOT RELEASED FOR RESALE"
NOT_FOR_RESALE = "NOT FOR RESALE"
SIMULATED = "SIMULATED - NOT FOR RESALE"
DPI = (203, 300)  # what label printers print
# verdict: word, what to do about it, colour
WORDS: Mapping[str, tuple[str, str, str]] = {
    "pass": ("PASS", "", "pass"),
    "fail": ("FAIL", "DO NOT ENERGISE", "fail"),
    "none": ("NO VERDICT", "DO NOT USE: NOT PROVED", "open"),
    "aborted": ("ABORTED", "DO NOT USE: NOT PROVED", "open"),
    "interrupted": ("INTERRUPTED", "DO NOT USE: NOT PROVED", "open"),
}
SMALL = "Measured on this sample in the conditions of its report; no listing, no warranty."
SIZES = (8.5,)


def tag(issued: Issued, dpi: int) -> tuple[bytes, bytes]:
    """The tag as PDF and as PNG of so many dots per inch. Raises ReportImpossible."""
    told = payload(issued, TAG_DIGITS)
    data = {**document(issued), "alt": f"QR code: {told}", "ppi": dpi}
    found = typeset.begin("tag.typ", data, {"code.svg": code_svg(told)}).finish()
    return found["out.pdf"], found["out.png"]


def document(issued: Issued) -> dict[str, Any]:
    """All that the template reads."""
    body, plate = issued.closing.body, intake_of(issued).body
    word, order, colour = WORDS[body["verdict"]]
    resale = str(issued.record.body["statements"].get(RESALE, NOT_FOR_RESALE))
    worst = body.get("worst") or {}
    lines = (
        f"{issued.record.body['part']}  {spaced(str(plate['family']))}",
        str(plate.get("model") or ""),
        f"serial {plate['serial']}" if plate.get("serial") else "",
        f"worst: {worst['name']}, {worst['basis']}" if worst else body["reason"],
        f"{day(issued.closing.at_ms)}  {issued.closing.number}",
    )
    return {
        "title": f"Tag {issued.record.number}",
        "sizes": list(SIZES),
        "at_s": issued.record.at_ms // 1000,
        "colour": colour,
        "word": word,
        "orders": [one for one in (order, resale) if one],
        "amount": f"{amount(worst)} mA" if worst.get("y_ua") is not None else "no reading",
        "lines": [plain(_cut(one)) for one in lines if one],
        "small": SMALL,
    }


LONGEST = 60  # characters of a line: more is on the report


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
