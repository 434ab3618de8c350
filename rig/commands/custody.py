"""milliproof custody, amend: where a part is, and what has to be put right about a record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.commands.deciding import keep, with_by
from rig.commands.options import Words, with_home, with_json
from rig.commands.problems import EveryProblem

CUSTODY_EPILOG = """\b
Examples:
  milliproof custody P-0002 --to "shelf 3" --by "R. Tarn"
  milliproof custody P-0002 --to "Quillmere Parts" --by "R. Tarn" --note "parcel 4411"

\b
Each move is a record of its own; milliproof show P-0002 lists them.
Exit codes: 0 recorded, 2 wrong use, no such part, or the home can't be written."""
AMEND_EPILOG = """\b
Examples:
  milliproof amend R-000012 --words "the water was 24 °C, not 42" --by "R. Tarn"

\b
Nothing is changed: the record stays as it is, and the amendment stands beside it in show and in a bundle.
Exit codes: 0 recorded, 2 wrong use, no such record, or the home can't be written."""


@click.command(cls=EveryProblem, epilog=CUSTODY_EPILOG)
@click.argument("part", type=Words())
@click.option("--to", type=Words(least=1), required=True, help="Who or which place has it now.")
@with_by
@click.option("--note", type=Words(500), default="", help="Such as a parcel's number.")
@with_home
@with_json
def custody(part: str, home: Path | None, as_json: bool, **given: Any) -> None:
    """Record that a part changes hands or place."""
    keep("custody", home, as_json, {"part": part, **given}, "{part} is with {to} now")


@click.command(cls=EveryProblem, epilog=AMEND_EPILOG)
@click.argument("record", type=Words())
@click.option("--words", type=Words(500, least=1), required=True, help="What has to be put right.")
@with_by
@with_home
@with_json
def amend(record: str, home: Path | None, as_json: bool, **given: Any) -> None:
    """Put something right about a record, by another record."""
    keep("amendment", home, as_json, {"amends": record, **given}, "{amends} is amended")
