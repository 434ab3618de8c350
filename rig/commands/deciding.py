"""What the commands share that record what people decide about a part."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from rig.commands.options import F, Words
from rig.commands.output import emit, say


def with_by(command: F) -> F:
    """--by, required."""
    by = click.option("--by", type=Words(80, least=1), required=True, help="Who answers for it.")
    return by(command)


def with_override(command: F) -> F:
    """--override and --second."""
    reason = click.option(
        "--override", "reason_to_override", type=Words(500), help="Why, against what was proposed."
    )
    second = click.option("--second", type=Words(80), help="The second person, with --override.")
    return reason(second(command))


def overriding(values: Mapping[str, Any], _bad: frozenset[str]) -> list[str]:
    """An override has a reason and a second person, or there is none."""
    given = [bool(values.get(name)) for name in ("reason_to_override", "second")]
    return ["--override and --second belong together"] if given[0] != given[1] else []


def override_of(given: dict[str, Any]) -> dict[str, str] | None:
    """The body's override, taken out of what was given; None where there is none."""
    reason, second = given.pop("reason_to_override"), given.pop("second")
    return {"reason": reason, "second": second} if reason else None


def keep(
    kind: str,
    home: Path | None,
    as_json: bool,
    body: Mapping[str, Any],
    words: str,
    more: Callable[[Mapping[str, Any]], str] = lambda _: "",
) -> None:
    """Append a record of the shop's chain, and say so. Empty values are left out, never 0."""
    from rig.recording import SHOP
    from rig.shop import open_store

    given = {name: value for name, value in body.items() if value not in (None, (), [])}
    with open_store(home) as store:
        record = store.append(kind, SHOP, given)
    if as_json:
        emit({"record": record.number, "kind": kind, **dict(record.body)})
    else:
        click.echo(record.number)
    say(f"{words.format_map(record.body)}: {record.number}")
    if told := more(record.body):
        say(told)
