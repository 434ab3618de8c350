"""Which papers there are, on which sizes of paper, and what each refuses to say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from results.errors import ReportImpossible

Body = Mapping[str, Any]
PAPERS: Mapping[str, str] = {"letter": "us-letter", "a4": "a4"}
EVERY = ("pass", "fail", "none", "aborted", "interrupted")
SIZES = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)  # points; the first that fits its pages is taken


@dataclass(frozen=True, slots=True)
class Form:
    """A paper. ``pages``: at most so many; ``verdicts``: only about these; ``sizes`` of its text."""

    title: str
    pages: int
    verdicts: tuple[str, ...]
    refusal: str = ""
    sizes: tuple[float, ...] = SIZES


LARGE = (12.0, 11.0, 10.0, 9.0, 8.0, 7.0)
FORMS: Mapping[str, Form] = {
    "report": Form("Used-part test report", 2, EVERY),
    "claim": Form(
        "Warranty claim pack",
        3,
        ("fail",),
        "a claim is about a part that failed: issue a report",
    ),
    "letter": Form(
        "No-fault-found letter",
        1,
        ("pass",),
        "only a pass says that no fault was found: issue a report",
        LARGE,
    ),
    "plain": Form("Your part, in plain words", 1, EVERY, sizes=LARGE),
}


def check(form: str, closing: str, body: Body, opening: Body) -> Form:
    """The form. Raises ReportImpossible where it has nothing to say about this attempt."""
    found = FORMS[form]
    if not opening.get("part"):
        raise ReportImpossible(
            f"record {closing}", "is a bench proof, about no part", "`milliproof show` prints it"
        )
    if body["verdict"] not in found.verdicts:
        what = f"its verdict is {body['verdict']}: no {found.title.lower()}"
        raise ReportImpossible(f"record {closing}", what, found.refusal)
    if form == "letter" and opening["family"] == "gfci":
        what = "a breaker is diagnosed, never said to be without fault"
        raise ReportImpossible(f"record {closing}", what, "issue a report")
    return found
