"""milliproof limits: every limit set with source and mark; approval by name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.history import when
from rig.commands.options import OneOf, Words, with_home, with_json
from rig.commands.output import emit, say, show_table

if TYPE_CHECKING:
    from procedures.limits import Limit, LimitSet
    from results.record import Record

HEADS = ("limit", "value", "source", "mark", "approved", "approve as")
REFERENCE_HEADS = ("standard", "edition", "what", "limit", "source", "mark")
REFERENCES_TITLE = "For comparison beside a verdict, never deciding it"
EPILOG = """\b
Examples:
  milliproof limits
  milliproof limits approve pass_ma fail_ma heater.soak_min_s --by "R. Tarn"

\b
The resale gate decides; a supplier's warranty gate says only whether a claim may follow; what protects
the bench and people is apart from both. Standards' limits are shown for comparison.
Marks: S a published standard, D derived, C common practice without a source, P a proposal, MEMORY
remembered without the text seen. On a real bench P and MEMORY give no verdict until someone approves
the limit by name; an approval is recorded and holds for one set, version and value of the limit.
Exit codes: 0 done, 2 unknown limit or the home can't be used."""


@cache
def approvable() -> Mapping[str, Limit]:
    """The limits that need an approval by set.name, and by bare name where only one has it."""
    from procedures.limits import needs_approval, sets

    needing = [limit for one in sets() for limit in one.limits if needs_approval(limit)]
    names = [limit.name for limit in needing]
    alone = {limit.name: limit for limit in needing if names.count(limit.name) == 1}
    return {**alone, **{limit.key: limit for limit in needing}}


class LimitName(OneOf):
    """A limit that needs an approval: its name, or set.name where several sets have it."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        keys = [key for key in self.known() if key.endswith(f".{value}")]
        if value not in self.known() and keys:
            words = f"{value!r} stands in several sets; allowed: {', '.join(keys)}"
            self.fail(words, param, ctx)
        return super().convert(value, param, ctx)


def _approved_words(records: Sequence[Record], limit: Limit) -> str:
    from procedures.limits import needs_approval
    from rig.approvals import approval_of

    if not needs_approval(limit):
        return "not needed"
    found = approval_of(records, limit)
    return f"{found.body['by']}, {when(found.at_ms)}" if found else "NO"


def _json(records: Sequence[Record], one: LimitSet, limit: Limit) -> dict[str, Any]:
    from procedures.limits import limit_words

    keys = ("name", "value", "unit", "source", "mark", "version", "set", "key")
    more = {"words": limit_words(limit.name), "approved": _approved_words(records, limit)}
    return {"family": one.family, **{key: getattr(limit, key) for key in keys}, **more}


def _row(records: Sequence[Record], limit: Limit) -> tuple[str, ...]:
    from procedures.limits import limit_words, needs_approval

    value = f"{limit.value:g} {limit.unit}"
    key = limit.name if limit.name in approvable() else limit.key
    words, told = limit_words(limit.name), _approved_words(records, limit)
    return (words, value, limit.source, limit.mark, told, key if needs_approval(limit) else "")


def _references() -> list[dict[str, Any]]:
    from procedures.limit_references import REFERENCES

    keys = ("set", "version", "words", "source", "mark", "measured")
    return [
        {**{key: getattr(one, key) for key in keys}, "limit": one.rule(), "decides": False}
        for one in REFERENCES
    ]


@click.group(invoke_without_command=True, epilog=EPILOG)
@with_home
@with_json
@click.pass_context
def limits(ctx: click.Context, home: Path | None, as_json: bool) -> None:
    """List the limits with source and mark; approve those that need it."""
    ctx.obj = (home, as_json)
    if ctx.invoked_subcommand is None:
        _list(home, as_json)


def _list(home: Path | None, as_json: bool) -> None:
    from procedures.limits import sets
    from rig.approvals import approvals
    from rig.shop import open_store

    with open_store(home) as store:
        records = approvals(store)
    if as_json:
        rows = [_json(records, one, limit) for one in sets() for limit in one.limits]
        emit({"limits": rows, "references": _references()})
        return
    for one in sets():
        if one.limits:
            listed = [_row(records, limit) for limit in one.limits]
            show_table(f"{one.words}, version {one.version}", HEADS, listed)
    keys = ("set", "version", "words", "limit", "source", "mark")
    compared = [tuple(str(one[key]) for key in keys) for one in _references()]
    show_table(REFERENCES_TITLE, REFERENCE_HEADS, compared)


APPROVE_EPILOG = """\b
Examples:
  milliproof limits approve pass_ma fail_ma --by "R. Tarn"
  milliproof limits approve heater.soak_min_s --by "R. Tarn"

\b
Name each limit, with its set where several sets have one of that name: there is no way to approve all
of them unseen.
Exit codes: 0 recorded, 2 unknown limit or the home can't be written."""


@limits.command(epilog=APPROVE_EPILOG)
@click.argument(
    "names", nargs=-1, required=True, type=LimitName("limit", lambda: list(approvable()))
)
@click.option("--by", required=True, type=Words(), help="Who approves; a qualified person.")
@with_home
@with_json
@click.pass_context
def approve(
    ctx: click.Context, names: tuple[str, ...], by: str, home: Path | None, as_json: bool
) -> None:
    """Approve limits by name. Recorded, with who did it and which values it was."""
    from rig.approvals import approve as record
    from rig.shop import open_store

    if not by:
        raise click.UsageError("--by is empty; allowed: a person's name")
    outer_home, outer_json = ctx.obj or (None, False)
    chosen = {name: approvable()[name] for name in dict.fromkeys(names)}
    with open_store(home or outer_home) as store:
        done = {name: [record(store, limit, by).number] for name, limit in chosen.items()}
    if as_json or outer_json:
        emit({"by": by, "approved": done})
    for name, records in done.items():
        say(f"{name} approved by {by}: {', '.join(records)}")
