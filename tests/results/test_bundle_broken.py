"""Bundles broken at random by somebody who keeps the list right: always answers, never a crash."""

from __future__ import annotations

import random
import re
from pathlib import Path

from results import bundle
from results.answers import overall
from results.judged import judged
from results.opened import opened
from results.rekeying import rotate
from results.store import Store
from tests.results.evidence import files_in, listed_again, made, mark_of, some_home

TRIES = 600
VALUES = (
    b"0",
    b"-1",
    b"9" * 30,
    b"null",
    b"[]",
    b"{}",
    b'"x"',
    b"true",
    b"1e9",
    b'"%s"' % (b"f" * 64),
)
NAMES = (
    "chain-3/x",
    "photos/",
    "trace/x",
    "trace/R-000006.bin/x",
    "chain-1/R-9.json",
    "/",
    "../x",
    "a\\b",
    "é",
)
VALUE = re.compile(rb':("[^"]*"|-?\d+|null|true|false)')
Files = dict[str, bytes]


def another_value(draw: random.Random, raw: bytes) -> bytes:
    """One JSON value exchanged for one of another type or size."""
    found = list(VALUE.finditer(raw))
    if not found:
        return raw + b"{"
    one = draw.choice(found)
    return raw[: one.start(1)] + draw.choice(VALUES) + raw[one.end(1) :]


def broken(draw: random.Random, files: Files) -> Files:
    """One file changed, cut, exchanged or removed, or one added."""
    name = draw.choice(sorted(files.keys() - {"CHECK.txt", *bundle.UNLISTED}))
    raw = files[name]
    ways = {
        "value": lambda: {**files, name: another_value(draw, raw)},
        "cut": lambda: {**files, name: raw[: draw.randrange(len(raw))]},
        "exchanged": lambda: {**files, name: files[draw.choice(sorted(files))] + b" "},
        "removed": lambda: {other: kept for other, kept in files.items() if other != name},
        "longer": lambda: {**files, name: raw + draw.randbytes(1 + draw.randrange(40))},
        "added": lambda: {**files, draw.choice(NAMES): raw},
    }
    return ways[draw.choice(sorted(ways))]()


def test_whatever_is_broken_there_is_an_answer_and_it_is_no(tmp_path: Path) -> None:
    number, draw = some_home(tmp_path, 2), random.Random(6962)
    with Store.open(tmp_path) as store:
        rotate(store, "b1", "R. Tarn", "yearly")
    files, mark = files_in(made(tmp_path, number)), mark_of(tmp_path, "b1")
    assert overall(judged(opened(bundle.zipped(files), "x"), [mark])) is True
    for _ in range(TRIES):
        forged = listed_again(broken(draw, files))
        assert overall(judged(opened(forged, "x"), [mark])) is False
