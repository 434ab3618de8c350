"""On which line of a TOML text each key stands, for messages that name it.

``tomllib`` keeps no positions. The text is known to be valid TOML when this runs, so the scan may be
lenient; grammar after TOML 1.0.0 (https://toml.io/en/v1.0.0).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

Path = tuple[str | int, ...]

_TOKEN = re.compile(
    r'''(?P<text>"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')'''
    r"""|(?P<skip>[ \t\r]+|\#[^\n]*)|(?P<end>\n)|(?P<mark>[\[\]{}=,.])"""
    r"""|(?P<bare>[^\s\[\]{}=,.#"']+)|(?P<odd>.)""",
    re.DOTALL,
)


class _Token(NamedTuple):
    kind: str
    text: str
    line: int


def _tokens(text: str) -> Iterator[_Token]:
    line = 1
    for match in _TOKEN.finditer(text):
        kind, found = match.lastgroup or "odd", match.group()
        if kind != "skip":
            yield _Token(kind, found, line)
        line += found.count("\n")
    yield _Token("end", "", line)


def _plain(token: _Token) -> str:
    """The key without its quotes. Escapes stay as they are: such a key only loses its line."""
    return token.text[1:-1] if token.kind == "text" else token.text


class _Walk:
    """A recursive descent over the tokens, noting where each key starts."""

    def __init__(self, text: str) -> None:
        self.tokens = list(_tokens(text))
        self.at = 0
        self.lines: dict[Path, int] = {}

    def peek(self) -> _Token:
        return self.tokens[min(self.at, len(self.tokens) - 1)]

    def take(self) -> _Token:
        token = self.peek()
        self.at += 1
        return token

    def note(self, path: Path, line: int) -> None:
        self.lines.setdefault(path, line)

    def key(self, base: Path) -> Path:
        """A possibly dotted key up to its ``=`` or ``]``; each prefix is noted."""
        path = base
        while self.peek().kind in ("bare", "text") or self.peek().text == ".":
            token = self.take()
            if token.text != ".":
                path = (*path, _plain(token))
                self.note(path, token.line)
        return path

    def document(self) -> None:
        base: Path = ()
        while self.at < len(self.tokens):
            if self.peek().text == "[":
                base = self.header()
            elif self.peek().kind in ("bare", "text"):
                self.pair(base)
            else:
                self.take()

    def header(self) -> Path:
        while self.peek().text == "[":
            self.take()
        path = self.key(())
        while self.peek().text == "]":
            self.take()
        return path

    def pair(self, base: Path) -> None:
        path = self.key(base)
        if self.take().text == "=":
            self.value(path)

    def value(self, path: Path) -> None:
        opening = self.peek().text
        if opening == "{":
            self.table(path)
        elif opening == "[":
            self.array(path)
        else:
            while self.peek().kind != "end" and self.peek().text not in (",", "}", "]"):
                self.take()

    def table(self, path: Path) -> None:
        self.take()
        while self.at < len(self.tokens) and self.peek().text != "}":
            if self.peek().kind in ("bare", "text"):
                self.pair(path)
            else:
                self.take()
        self.take()

    def array(self, path: Path) -> None:
        self.take()
        index = 0
        while self.at < len(self.tokens) and self.peek().text != "]":
            if self.peek().kind == "end" or self.peek().text == ",":
                self.take()
                continue
            before = self.at
            self.note((*path, index), self.peek().line)
            self.value((*path, index))
            index += 1
            self.at = max(self.at, before + 1)  # never stand still
        self.take()


def key_lines(text: str) -> dict[Path, int]:
    """Path of each key, table and array element to its line number, counted from 1."""
    walk = _Walk(text)
    walk.document()
    return walk.lines


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of ``path`` or of its nearest ancestor that stands in the text, else 1."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)
