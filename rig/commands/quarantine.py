"""milliproof quarantine, release, recall: what keeps parts from being sold."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.deciding import keep, override_of, overriding, with_by, with_override
from rig.commands.intake_fields import ISO_DAY
from rig.commands.options import OneOf, Words, family_names, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.commands.problems import EveryProblem

if TYPE_CHECKING:
    from results.record import Record

QUARANTINE_EPILOG = """\b
Examples:
  milliproof quarantine                (what is there, the soonest recheck first)
  milliproof quarantine P-0003 --reason "smells burnt" --recheck 2026-12-01 --by "R. Tarn"

\b
A part in quarantine can't be resold until it passed again or two persons released it (milliproof
release). A closing proof that fails (bench prove --closing) puts every pass since the last good proof
there. A date to check it again is a must.
Exit codes: 0 recorded or listed, 2 wrong use, no such part, or the home can't be written."""
RELEASE_EPILOG = """\b
Examples:
  milliproof release P-0003 --reason "passed again" --by "R. Tarn"
  milliproof release P-0003 --reason "wrong part" --by "R. Tarn" \\
      --override "P-0004 was meant" --second "M. Fenn"

\b
A pass since it was put there releases a part; without one it takes two persons.
Exit codes: 0 recorded, 2 wrong use or refused, or the home can't be written."""
RECALL_EPILOG = """\b
Examples:
  milliproof recall --family heater --model "Otterfall heater 4 kW" --date-code 2214 \\
      --reason "notice of the maker, 3 May: end seals" --by "R. Tarn"
  milliproof recall --family pump --serial MW10-44 --reason "notice of the maker" --by "R. Tarn"

\b
Whatever the notice names must fit; a plate that doesn't say may be one of them. Recalled parts can't be
resold, and intake says so at once.
Exit codes: 0 recorded, 2 wrong use, or the home can't be written."""
HEADS = ("part", "recheck by", "since", "why")


def _wanted(values: Mapping[str, Any], bad: frozenset[str]) -> list[str]:
    """A part needs all three; without one there is nothing to put anywhere."""
    given = [name for name in ("reason", "recheck", "by") if values.get(name) or name in bad]
    if not values.get("part"):
        return ["name the part that these are about"] if given else []
    lacking = [name for name in ("reason", "recheck", "by") if name not in given]
    return [f"missing --{name}" for name in lacking]


@click.command(cls=EveryProblem, also=_wanted, epilog=QUARANTINE_EPILOG)
@click.argument("part", type=Words(), required=False)
@click.option("--reason", type=Words(500), help="Why.")
@click.option("--recheck", type=ISO_DAY, help="By which day it is checked again.")
@click.option("--by", type=Words(80), help="Who answers for it.")
@with_home
@with_json
def quarantine(part: str | None, home: Path | None, as_json: bool, **given: Any) -> None:
    """Put a part into quarantine; without one, list what is there."""
    if part is None:
        _list(home, as_json)
        return
    words = "{part} is in quarantine, recheck by {recheck}"
    keep("quarantine", home, as_json, {"part": part, **given}, words)


def _list(home: Path | None, as_json: bool) -> None:
    from results.quarantine import standing_now
    from rig.shop import open_store

    with open_store(home) as store:
        held = standing_now(store)
    today = datetime.datetime.now(datetime.UTC).date().isoformat()
    late = [one for one in held if one.body["recheck"] < today]
    if as_json:
        emit({"quarantine": [_json(one, today) for one in held]})
    elif held:
        show_table("In quarantine", HEADS, [_row(one, today) for one in held])
    say(f"{len(held)} in quarantine, {len(late)} with the recheck overdue")


def _row(one: Record, today: str) -> tuple[str, ...]:
    due = str(one.body["recheck"])
    since = f"{one.number}, {_day(one)}"
    return one.body["part"], due + (" OVERDUE" if due < today else ""), since, one.body["reason"]


def _day(one: Record) -> str:
    return datetime.datetime.fromtimestamp(one.at_ms / 1000, datetime.UTC).date().isoformat()


def _json(one: Record, today: str) -> dict[str, Any]:
    return {"record": one.number, "overdue": one.body["recheck"] < today, **dict(one.body)}


@click.command(cls=EveryProblem, also=overriding, epilog=RELEASE_EPILOG)
@click.argument("part", type=Words())
@click.option("--reason", type=Words(500, least=1), required=True, help="Why it may leave.")
@with_by
@with_override
@with_home
@with_json
def release(part: str, home: Path | None, as_json: bool, **given: Any) -> None:
    """Let a part out of quarantine: after a pass, or by two persons."""
    override = override_of(given)
    body = {"part": part, **given, "override": override}
    keep("release", home, as_json, body, "{part} is out of quarantine")


@click.command(cls=EveryProblem, epilog=RECALL_EPILOG)
@click.option(
    "--family", type=OneOf("family", family_names), required=True, help="Of which family."
)
@click.option("--model", type=Words(), default="", help="Of which model.")
@click.option("--date-code", type=Words(60), default="", help="Of which date code or lot.")
@click.option("--serial", type=Words(), default="", help="How their serial numbers begin.")
@click.option("--reason", type=Words(500, least=1), required=True, help="What the notice says.")
@with_by
@with_home
@with_json
def recall(home: Path | None, as_json: bool, **given: Any) -> None:
    """Enter a recall notice: parts that it names can't be resold."""
    keep("recall", home, as_json, given, "{family} {model} {date_code} {serial} recalled")
