"""milliproof families: what each family's procedure does, needs, and decides by."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import OneOf, family_names, with_json
from rig.commands.output import emit, show_table

if TYPE_CHECKING:
    from procedures.family import Family
    from procedures.limits import Limit
    from rig.bench_file import Bench

EPILOG = """\b
Examples:
  milliproof families
  milliproof families heater
  milliproof families --bench my-bench.toml      (what your bench lacks for each)

\b
Marks: S a published standard, D derived, C common practice without a source, P a proposal that a
qualified person must approve, MEMORY remembered without the text seen.
Exit codes: 0 shown, 2 unknown family or wrong bench file."""


def _limits(family: Family) -> list[Limit]:
    from procedures.limits import limits_for
    from procedures.scan import Part

    return list(limits_for(family.name, Part("", family.name)).values())


def _lacks(family: Family, bench: Bench | None) -> list[str] | None:
    if bench is None:
        return None
    from rig.bench import setup_of

    return family.lacks(setup_of(bench, {}, dict.fromkeys(bench.hand_unit, 0.0)))


def _json(family: Family, bench: Bench | None) -> dict[str, Any]:
    keys = ("name", "value", "unit", "source", "mark", "version")
    return {
        "family": family.name,
        "title": family.title,
        "does": list(family.does),
        "required": list(family.required),
        "plate": list(family.plate),
        "cautions": list(family.cautions),
        "limits": [{key: getattr(limit, key) for key in keys} for limit in _limits(family)],
        "bench_lacks": _lacks(family, bench),
    }


def _show(family: Family, bench: Bench | None) -> None:
    click.echo(f"{family.name}: {family.title}")
    for number, step in enumerate(family.does, 1):
        click.echo(f"  {number}. {step}")
    click.echo(f"  required for a pass: {'; '.join(family.required) or 'never passed'}")
    click.echo(f"  from the plate: {', '.join(family.plate)}")
    for caution in family.cautions:
        click.echo(f"  caution: {caution}")
    lacks = _lacks(family, bench)
    if lacks is not None:
        click.echo(f"  this bench lacks: {', '.join(lacks) or 'nothing'}")


def _show_limits(family: Family) -> None:
    from procedures.limits import limit_words

    rows = [
        (limit_words(n.name), f"{n.value:g} {n.unit}", n.source, n.mark, n.version)
        for n in _limits(family)
    ]
    show_table(f"Limits, {family.name}", ("limit", "value", "source", "mark", "version"), rows)


@click.command(epilog=EPILOG)
@click.argument("family", required=False, type=OneOf("family", family_names))
@click.option(
    "--bench", "bench_path", type=click.Path(path_type=Path), help="Say what this bench lacks."
)
@with_json
def families(family: str | None, bench_path: Path | None, as_json: bool) -> None:
    """What each family's procedure does, required conditions, limits, cautions."""
    from procedures.catalog import FAMILIES
    from rig.bench_file import load_bench

    bench = load_bench(bench_path) if bench_path else None
    chosen = [FAMILIES[family]] if family else list(FAMILIES.values())
    if as_json:
        emit({"families": [_json(one, bench) for one in chosen]})
        return
    for one in chosen:
        _show(one, bench)
        _show_limits(one)
