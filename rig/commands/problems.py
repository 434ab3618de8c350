"""A command that tells everything that is wrong with what it was given, not only the first thing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import click

READ = (str, int, float, tuple)  # what an option reads to; click marks one not given in its own way
Also = Callable[[Mapping[str, Any], frozenset[str]], Iterable[str]]


class Problems(click.UsageError):
    """Several things that are wrong with a command's options, a line each."""

    def __init__(self, lines: Iterable[str], ctx: click.Context | None = None) -> None:
        self.lines = tuple(lines)
        super().__init__("\n".join(self.lines), ctx)


class EveryProblem(click.Command):
    """click stops at the first bad option; this goes on to the last.

    ``also(values, bad)``: what is wrong besides, with the values that could be read, and the names of
    those that couldn't.
    """

    def __init__(self, *args: Any, also: Also | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.also = also

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        given = list(args)
        try:
            rest = super().parse_args(ctx, args)
        except click.BadParameter as first:
            raise Problems(self._all(ctx, given) or [first.format_message()], ctx) from first
        lines = self._besides(ctx, ctx.params, frozenset())
        if lines:
            raise Problems(lines, ctx)
        return rest

    def _all(self, ctx: click.Context, args: list[str]) -> list[str]:
        """A second pass, only for the words: each option by itself."""
        values, bad, lines = dict[str, Any](), set[str](), list[str]()
        options, _, _ = self.make_parser(ctx).parse_args(args=args)
        for param in self.get_params(ctx):
            name = str(param.name)
            try:
                value, _ = param.consume_value(ctx, options)
                value = param.process_value(ctx, value)
                values[name] = value if isinstance(value, READ) else None
            except click.BadParameter as fault:
                fault.param = fault.param or param
                fault.ctx = fault.ctx or ctx
                bad.add(name)
                lines.append(fault.format_message())
        return lines + self._besides(ctx, values, frozenset(bad))

    def _besides(
        self, ctx: click.Context, values: Mapping[str, Any], bad: frozenset[str]
    ) -> list[str]:
        if self.also is None or ctx.resilient_parsing:
            return []
        return list(self.also(values, bad))
