"""The kinds of block that ``templates/paper.typ`` can set, each as the data that it reads."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from results.report.words import plain

Block = dict[str, Any]
Row = Sequence[object]


def pairs(title: str, rows: Iterable[Row], columns: int = 2) -> Block:
    """Names and values, ``columns`` of them side by side; a row without a value is left out."""
    kept = [[plain(name), plain(value)] for name, value in rows if value not in (None, "")]
    return {"kind": "pairs", "title": title, "rows": kept, "columns": columns}


def table(
    title: str,
    heads: Sequence[str],
    rows: Iterable[Row],
    widths: Sequence[float],
    right: Sequence[int] = (),
) -> Block:
    """A table. ``widths``: shares of the room, 0 for as wide as its text; ``right``: columns of
    numbers."""
    cells = [[plain(cell) for cell in row] for row in rows]
    spread = {"widths": list(widths), "right": list(right)}
    return {"kind": "rows", "title": title, "heads": list(heads), "rows": cells, **spread}


def lines(title: str, texts: Iterable[object]) -> Block:
    """Paragraphs."""
    return {"kind": "lines", "title": title, "lines": [plain(text) for text in texts]}


def points(title: str, texts: Iterable[object]) -> Block:
    """A list."""
    return {"kind": "list", "title": title, "lines": [plain(text) for text in texts]}


def verdict(word: str, against: str, reason: str, banner: str, scale: float = 3.4) -> Block:
    """The verdict, ``scale`` times as large as the text."""
    said = {"word": plain(word), "against": plain(against), "reason": plain(reason)}
    return {"kind": "verdict", "title": "", **said, "banner": banner, "scale": scale}


def code(rows: Iterable[Row], alt: str, width_mm: float = 27) -> Block:
    """The QR code in code.svg, and what is printed beside it."""
    beside = [[plain(name), plain(value)] for name, value in rows]
    return {"kind": "code", "title": "", "rows": beside, "alt": alt, "width": width_mm}


def photos(title: str, files: Iterable[tuple[str, str]], columns: int = 3) -> Block:
    """Pictures: (file beside the document, what it is)."""
    shown = [{"file": name, "alt": plain(alt)} for name, alt in files]
    return {"kind": "photos", "title": title, "files": shown, "columns": columns}
