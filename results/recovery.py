"""Closing what a crash left open: an opening record and perhaps its journal become a closing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from results import journal, trace
from results.errors import ResultsError
from results.record import Record

SUFFIX = ".journal"
RULE = "interrupted"


def journal_path(work: Path, opening: str) -> Path:
    """Where the journal of an attempt is."""
    return work / f"{opening}{SUFFIX}"


def left_over(work: Path) -> Sequence[str]:
    """Numbers of the openings that have a journal in ``work``."""
    return sorted(path.name.removesuffix(SUFFIX) for path in work.glob(f"R-*{SUFFIX}"))


def interrupted(opening: Record, work: Path) -> tuple[dict[str, Any], bytes | None, bool]:
    """(body, trace, whether the journal may go) of the closing that ``opening`` lacks.

    A journal that can't be read stays where it is, and the record says so.
    """
    path = journal_path(work, opening.number)
    if not path.exists():
        return _body(opening, "no readings were kept", []), None, False
    try:
        kept = journal.read(path)
        columns = journal.columns(kept.entries)
        blob = trace.encode(columns) if columns else None
    except ResultsError as fault:
        return _body(opening, f"its journal can't be read and stays: {fault.what}", []), None, False
    rows = len(next(iter(columns.values()), []))
    torn = f", {kept.lost_lines} torn" if kept.lost_lines else ""
    words = f"{rows} rows of readings kept{torn}"
    return _body(opening, words, journal.stages(kept.entries)), blob, True


def _body(opening: Record, kept: str, stages: list[str]) -> dict[str, Any]:
    return {
        "opening": opening.number,
        "verdict": "interrupted",
        "rule": RULE,
        "reason": f"the program or the machine stopped before the attempt was closed; {kept}",
        "worst": None,
        "conditions": [],
        "checks": [],
        "limits": [],
        "cause": "don't know",
        "disposition": "",
        "cautions": list(opening.body.get("cautions", [])),
        "facts": {},
        "stages": stages,
    }
