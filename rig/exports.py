"""Attempts as files for other programs: CSV, JSON lines, Parquet. What is missing stays empty."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from results.history import Attempt
from rig.errors import RigError
from rig.home import write_new

COLUMNS = tuple(field.name for field in dataclasses.fields(Attempt))
WHOLE = frozenset({"opened_ms", "closed_ms", "worst_ua", "u_ua", "duration_ms"})
YES_NO = frozenset({"simulated"})
# a spreadsheet takes a cell that begins so for a formula: an apostrophe in front keeps it text
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def export(path: Path, rows: Sequence[Attempt]) -> None:
    """Write ``rows`` into a new file; its ending says how. Raises RigError."""
    ending = path.suffix.lower()
    if ending not in WRITERS:
        known = ", ".join(WRITERS)
        raise RigError(f"--out {path}", f"unknown ending {ending!r}", f"use one of {known}")
    write_new(path, WRITERS[ending]([dataclasses.asdict(one) for one in rows]))


def in_csv(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """RFC 4180, UTF-8, a row of names first."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
    return out.getvalue().encode()


def _cell(value: object) -> object:
    if isinstance(value, str) and value.startswith(FORMULA):
        return "'" + value
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else value


def in_json_lines(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """One JSON object a line, UTF-8."""
    lines = (json.dumps(row, ensure_ascii=False, allow_nan=False) for row in rows)
    return "".join(f"{line}\n" for line in lines).encode()


def in_parquet(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Typed columns: 64 bit integers, yes or no, text; null where nothing is known."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as fault:
        remedy = "install milliproof[parquet], or write .csv"
        raise RigError("--out", "pyarrow is not installed", remedy) from fault
    kinds = {
        name: pyarrow.int64()
        if name in WHOLE
        else pyarrow.bool_()
        if name in YES_NO
        else pyarrow.string()
        for name in COLUMNS
    }
    table = pyarrow.Table.from_pylist([dict(row) for row in rows], schema=pyarrow.schema(kinds))
    out = io.BytesIO()
    parquet.write_table(table, out)
    return out.getvalue()


WRITERS: Mapping[str, Callable[[Sequence[Mapping[str, Any]]], bytes]] = {
    ".csv": in_csv,
    ".jsonl": in_json_lines,
    ".parquet": in_parquet,
}
