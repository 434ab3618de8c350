"""Closing what a crash left open: an opening record and perhaps its journal become a closing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from results import journal, trace
from results.errors import ResultsError
from results.record import Record

SUFFIX = ".journal"
RULE = "interrupted"
EMPTY = journal.Journalled("", ())


def journal_path(work: Path, opening: str) -> Path:
    """Where the journal of an attempt is."""
    return work / f"{opening}{SUFFIX}"


def left_over(work: Path) -> Sequence[str]:
    """Numbers of the openings that have a journal in ``work``."""
    names = (path.name.removesuffix(SUFFIX) for path in work.glob(f"R-*{SUFFIX}"))
    return sorted(name for name in names if re.fullmatch(r"R-[A-Z]{0,2}[0-9]{6,15}", name))


def interrupted(opening: Record, work: Path) -> tuple[dict[str, Any], bytes | None]:
    """(body, trace) of the closing that ``opening`` lacks.

    ``journal_kept`` in the body: the journal can't be read, so it must stay for a person to look at.
    """
    path = journal_path(work, opening.number)
    try:
        kept = journal.read(path) if path.exists() and path.stat().st_size else EMPTY
        columns = journal.columns(kept.entries)
        blob = trace.encode(columns) if columns else None
    except ResultsError as fault:
        words = f"its journal can't be read and is kept: {fault.what}"
        return {**_body(opening, words, []), "journal_kept": True}, None
    rows = len(next(iter(columns.values()), []))
    torn = f", {kept.lost_lines} torn" if kept.lost_lines else ""
    words = f"{rows or 'no'} rows of readings kept{torn}"
    return _body(opening, words, journal.stages(kept.entries)), blob


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
        "journal_kept": False,
    }
