"""milliproof limits: every limit with its source and mark; approval by name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.history import when
from rig.commands.options import OneOf, Words, with_home, with_json
from rig.commands.output import emit, say, show_table

if TYPE_CHECKING:
    from procedures.limits import Limit
    from results.record import Record
    from results.store import Store

    Row = tuple[str, Limit]

HEADS = ("limit", "family", "value", "source", "mark", "version", "approved")
EPILOG = """\b
Examples:
  milliproof limits
  milliproof limits approve pass_ma fail_ma --by "R. Tarn"

\b
Marks: S a published standard, D derived, C common practice without a source, P a proposal, MEMORY
remembered without the text seen. On a real bench P and MEMORY give no verdict until someone approves
the limit by name; an approval is recorded and holds for one version of the limit.
Exit codes: 0 done, 2 unknown limit or the home can't be used."""


def rows() -> Iterator[Row]:
    """(family, limit) of every limit there is, as they stand in the code."""
    from procedures.limits import COMMON, LIMITS

    for chosen in (COMMON, *LIMITS):
        for limit in chosen.limits:
            yield chosen.family, limit


def approvable() -> Sequence[str]:
    """Names of the limits that need an approval."""
    from procedures.limits import needs_approval

    return sorted({limit.name for _, limit in rows() if needs_approval(limit)})


def _approval(store: Store, limit: Limit) -> Record | None:
    where = {"name": limit.name, "version": limit.version}
    return store.newest("limit_approval", where=where)


def _approved_words(store: Store, limit: Limit) -> str:
    from procedures.limits import needs_approval

    if not needs_approval(limit):
        return "not needed"
    found = _approval(store, limit)
    return f"{found.body['by']}, {when(found.at_ms)}" if found else "NO"


def _json(store: Store, family: str, limit: Limit) -> dict[str, Any]:
    keys = ("name", "value", "unit", "source", "mark", "version")
    approved = _approved_words(store, limit)
    return {"family": family, **{key: getattr(limit, key) for key in keys}, "approved": approved}


def _row(store: Store, family: str, limit: Limit) -> tuple[str, ...]:
    value = f"{limit.value:g} {limit.unit}"
    words = _approved_words(store, limit)
    return (limit.name, family, value, limit.source, limit.mark, limit.version, words)


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
    from results.store import Store
    from rig.home import data_dir

    with Store.open(data_dir(home)) as store:
        if as_json:
            emit({"limits": [_json(store, family, limit) for family, limit in rows()]})
        else:
            listed = [_row(store, family, limit) for family, limit in rows()]
            show_table("Limits", HEADS, listed)


APPROVE_EPILOG = """\b
Examples:
  milliproof limits approve pass_ma fail_ma --by "R. Tarn"

\b
Name each limit: there is no way to approve all of them unseen.
Exit codes: 0 recorded, 2 unknown limit or the home can't be written."""


def _approve(store: Store, name: str, by: str) -> list[str]:
    """One record per version of the named limit; the numbers of the records."""
    from procedures.limits import needs_approval
    from rig.outcome_record import millionths
    from rig.recording import SHOP

    versions: dict[str, list[dict[str, Any]]] = {}
    for family, limit in rows():
        if limit.name == name and needs_approval(limit):
            value = {"family": family, "value_millionths": millionths(limit.value)}
            told = {"unit": limit.unit, "source": limit.source, "mark": limit.mark}
            versions.setdefault(limit.version, []).append({**value, **told})
    bodies = [
        {"name": name, "version": version, "by": by, "values": values}
        for version, values in versions.items()
    ]
    return [store.append("limit_approval", SHOP, body).number for body in bodies]


@limits.command(epilog=APPROVE_EPILOG)
@click.argument("names", nargs=-1, required=True, type=OneOf("limit", approvable))
@click.option("--by", required=True, type=Words(), help="Who approves; a qualified person.")
@with_home
@with_json
@click.pass_context
def approve(
    ctx: click.Context, names: tuple[str, ...], by: str, home: Path | None, as_json: bool
) -> None:
    """Approve limits by name. Recorded, with who did it and which values it was."""
    from results.store import Store
    from rig.home import data_dir

    if not by:
        raise click.UsageError("--by is empty; allowed: a person's name")
    outer_home, outer_json = ctx.obj or (None, False)
    with Store.open(data_dir(home or outer_home)) as store:
        done = {name: _approve(store, name, by) for name in dict.fromkeys(names)}
    if as_json or outer_json:
        emit({"by": by, "approved": done})
    for name, records in done.items():
        say(f"{name} approved by {by}: {', '.join(records)}")
