"""Options and value types that several commands share."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


class Finite(click.ParamType[float, Any]):
    """A finite number within bounds. click's own FloatRange lets ``nan`` through."""

    name = "number"

    def __init__(
        self, above: float | None = None, least: float | None = None, most: float | None = None
    ) -> None:
        self.above, self.least, self.most = above, least, most

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        try:
            number = float(value)
        except (TypeError, ValueError):
            self.fail(f"{value!r} is not a number; {self.allowed()}", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number; {self.allowed()}", param, ctx)
        if not self._within(number):
            self.fail(f"{value!r} is out of range; {self.allowed()}", param, ctx)
        return number

    def _within(self, number: float) -> bool:
        return (
            (self.above is None or number > self.above)
            and (self.least is None or number >= self.least)
            and (self.most is None or number <= self.most)
        )

    def allowed(self) -> str:
        """What is allowed, in words."""
        bounds = (("more than", self.above), ("at least", self.least), ("at most", self.most))
        said = [f"{words} {bound:g}" for words, bound in bounds if bound is not None]
        return "allowed: " + (" and ".join(said) or "any finite number")


class Words(click.ParamType[str, Any]):
    """A line of text: no control characters, which could disturb a screen or a printed tag."""

    name = "text"

    def __init__(self, most: int = 200, least: int = 0) -> None:
        self.most, self.least = most, least

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        text = str(value).strip()
        if len(text) < self.least:
            self.fail("is empty; allowed: some words", param, ctx)
        if len(text) > self.most:
            self.fail(f"is too long; allowed: {self.most} characters", param, ctx)
        if not text.isprintable():
            self.fail(f"{text!r} has control characters; allowed: one plain line", param, ctx)
        return text


class OneOf(click.ParamType[str, Any]):
    """One of the names that ``known`` returns when asked, with did-you-mean.

    Asked only when a value is given, so that help need not import where the names come from.
    """

    def __init__(self, kind: str, known: Callable[[], Sequence[str]]) -> None:
        self.name, self.known = kind, known

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        names = list(self.known())
        if value not in names:
            near = difflib.get_close_matches(str(value), names, n=1, cutoff=0.5)
            hint = f"; did you mean {near[0]}?" if near else ""
            words = f"unknown {self.name} {value!r}; allowed: {', '.join(names)}{hint}"
            self.fail(words, param, ctx)
        return str(value)


def family_names() -> Sequence[str]:
    """Every family that has a procedure."""
    from procedures.catalog import FAMILIES

    return sorted(FAMILIES)


def with_json(command: F) -> F:
    """--json."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Machine output on stdout, words on stderr."
    )(command)


class Folder(click.Path):
    """A directory. An empty one, from a variable that isn't set, would be wherever one stands."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not str(value):
            self.fail("is empty; allowed: a directory", param, ctx)
        return super().convert(value, param, ctx)


def _keep_store(ctx: click.Context, _param: click.Parameter, value: str | None) -> None:
    if value is not None:
        ctx.meta["milliproof.store"] = value  # rig/shop.py reads it


def with_home(command: F) -> F:
    """--home and --store."""
    home = click.option(
        "--home",
        type=Folder(path_type=Path),
        help="Directory of the records. Else MILLIPROOF_HOME, else your user data directory.",
    )
    store = click.option(
        "--store",
        metavar="URL",
        expose_value=False,
        callback=_keep_store,
        help="The shop's PostgreSQL that the home hands over to. Else MILLIPROOF_STORE, else none.",
    )
    return home(store(command))


def with_bench(command: F) -> F:
    """--bench, required."""
    return click.option(
        "--bench",
        "bench_path",
        required=True,
        type=click.Path(path_type=Path),
        help="Bench file. milliproof bench describe writes one to start from.",
    )(command)
