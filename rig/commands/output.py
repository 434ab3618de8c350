"""How commands speak: results on stdout, words for people on stderr when --json has stdout."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Sequence
from typing import IO, Any

import click

PIPE_WIDTH = 200  # columns when nobody watches: wide enough not to cut a line in two
UNICODE = ("utf-8", "utf8")


def emit(data: Any) -> None:
    """One JSON document on stdout. Refuses NaN: it would be no JSON."""
    plain = (sys.stdout.encoding or "").lower() not in UNICODE  # else ± would end as ?
    click.echo(json.dumps(data, ensure_ascii=plain, allow_nan=False, indent=1))


def say(words: str) -> None:
    """Words for a person, on stderr. Nobody there is no reason to leave a bench half switched off."""
    try:
        click.echo(words, err=True)
    except OSError:
        silence(sys.stderr)


def silence(stream: IO[str]) -> None:
    """Let a stream whose reader is gone (closed pipe or terminal) lead nowhere from here on."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def show_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table on stdout. Cells are plain text: nothing in them is taken for markup."""
    from rich.console import Console
    from rich.markup import escape

    from rig.screen import table

    watched = sys.stdout.isatty()
    console = Console(highlight=False, width=None if watched else PIPE_WIDTH)
    console.print(table(escape(title), heads, [[escape(cell) for cell in row] for row in rows]))
