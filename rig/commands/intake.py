"""milliproof intake: register a part by its plate and print its number."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import Finite, OneOf, Words, family_names, with_home, with_json
from rig.commands.output import emit, say

if TYPE_CHECKING:
    from procedures.scan import Part
    from results.record import Record
    from results.store import Store

PLATE = {  # plate value: (what it may be, words)
    "rated_v": (Finite(above=0, most=600), "Rated voltage, V"),
    "rated_w": (Finite(above=0, most=20_000), "Rated power, W"),
    "rated_a": (Finite(above=0, most=100), "Rated current, A; at high speed if it has two"),
    "low_a": (Finite(above=0, most=100), "Rated current at low speed, A"),
    "rated_trip_ma": (Finite(above=0, most=500), "Rated trip current of a GFCI, mA"),
    "lead_ohm": (Finite(least=0, most=10), "Resistance of its lead, ohm; added to the bond limit"),
}
EPILOG = """\b
Examples:
  milliproof intake --family heater --model "Otterfall 5.5 kW" --serial OF55-0117 \\
      --rated-v 240 --rated-w 5500 --complaint "shelved 14 months"
  milliproof intake --family pump --serial MW10-4410 --rated-v 240 --rated-a 10 \\
      --speeds 2 --low-a 3.5 --source "Quillmere Parts" --warranty
  milliproof intake --family heater --serial OF55-0117 --rated-v 240 --rated-w 5500 \\
      --change "dried 24 h"

\b
A serial number that was here before keeps its part number, so that each attempt shows.
In a terminal, what is missing is asked for.
Exit codes: 0 registered, 2 wrong use or the home can't be written."""


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def _with_plate(command: Any) -> Any:
    for name, (kind, words) in reversed(PLATE.items()):
        command = click.option(_option(name), type=kind, help=words + ".")(command)
    return command


def _asked(given: dict[str, Any], name: str, kind: Any, words: str) -> None:
    """Ask for a missing value in a terminal; outside of one, say which option is missing."""
    if given.get(name) is not None:
        return
    if not sys.stdin.isatty():
        raise click.UsageError(f"missing {_option(name)}: {words}, as on the plate")
    given[name] = click.prompt(words, type=kind, err=True)


def _complete(given: dict[str, Any]) -> None:
    """Family first: it says which plate values are needed."""
    from procedures.catalog import family

    _asked(given, "family", OneOf("family", family_names), "Family")
    _asked(given, "serial", Words(), "Serial number")
    needed = [*family(given["family"]).plate, *(("low_a",) if given["speeds"] == 2 else ())]
    for name in needed:
        _asked(given, name, *PLATE[name])


def _part(given: dict[str, Any]) -> Part:
    from procedures.catalog import check_plate
    from procedures.scan import Part

    part = Part(number="", **{name: value for name, value in given.items() if value is not None})
    check_plate(part)
    return part


def _before(store: Store, part: Part) -> Record | None:
    """The newest intake of the same part: same family, same serial number."""
    if not part.serial:
        return None
    seen = store.by_serial(part.serial)
    return next((one for one in seen if one.body["family"] == part.family), None)


def _register(store: Store, part: Part) -> tuple[Record, int | None]:
    """The intake record, and how many attempts counted before; None for a new part."""
    from rig.proving import counted
    from rig.recording import SHOP, part_to_body

    before = _before(store, part)
    body = part_to_body(part)
    if before is None:
        return store.append("intake", SHOP, body), None
    number = str(before.body["part"])
    again = {**body, "part": number, "amends": before.number}
    record = store.append("intake", SHOP, again)
    return record, counted(store, number)


def _tell(record: Record, attempts: int | None, part: Part) -> None:
    number = record.body["part"]
    if attempts is not None:
        say(
            f"serial {part.serial} was here before: it is {number}, attempts that count: {attempts}"
        )
        if attempts and not part.change:
            say("without --change (dried, cleaned, valve replaced) another attempt can't pass")
    say(f"registered in {record.number}; next: milliproof run --bench FILE --bay N --part {number}")


@click.command(epilog=EPILOG)
@click.option("--family", type=OneOf("family", family_names), help="See milliproof families.")
@click.option("--model", type=Words(), default="", help="Model as on the plate.")
@click.option("--serial", type=Words(), help="Serial number as on the plate.")
@_with_plate
@click.option(
    "--class",
    "protective_class",
    type=click.Choice(["I", "II"]),
    default="I",
    show_default=True,
    help="I: earthed case. II: plastic, double insulated.",
)
@click.option("--speeds", type=click.IntRange(1, 2), default=1, show_default=True, help="Speeds.")
@click.option("--complaint", type=Words(500), default="", help="What the customer said.")
@click.option("--source", type=Words(), default="", help="Supplier or owner.")
@click.option("--warranty", is_flag=True, help="A warranty claim may follow.")
@click.option("--change", type=Words(500), default="", help="Done since the last attempt.")
@with_home
@with_json
def intake(home: Path | None, as_json: bool, **given: Any) -> None:
    """Register a part by its plate and print its number."""
    from rig.shop import open_store

    _complete(given)
    part = _part(given)
    with open_store(home) as store:
        record, attempts = _register(store, part)
    if as_json:
        number = record.body["part"]
        seen = {"seen_before": attempts is not None, "attempts": attempts or 0}
        emit({"part": number, "record": record.number, **seen, "plate": dict(record.body)})
    else:
        click.echo(record.body["part"])
    _tell(record, attempts, part)
