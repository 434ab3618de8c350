"""milliproof intake: register a part by its plate and print its number."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.intake_fields import PLATE, STORY, option, with_fields
from rig.commands.options import OneOf, Words, family_names, with_home, with_json
from rig.commands.output import emit, say
from rig.commands.problems import EveryProblem

if TYPE_CHECKING:
    from procedures.scan import Part
    from results.custody import Standing
    from results.store import Store
    from rig.intake import Registered

NO_SERIAL = "where the plate has none, mark the part and give that mark"
EPILOG = """\b
Examples:
  milliproof intake --family heater --model "Otterfall 5.5 kW" --serial OF55-0117 \\
      --rated-v 240 --rated-w 5500 --complaint "shelved 14 months"
  milliproof intake --family pump --serial MW10-4410 --rated-v 240 --rated-a 10 \\
      --speeds 2 --low-a 3.5 --source "Quillmere Parts" --warranty --photo plate.jpg
  milliproof intake --family heater --serial OF55-0117 --rated-v 240 --rated-w 5500 \\
      --change "dried 24 h"

\b
A serial number that was here before keeps its part number, so that each attempt shows; upper and
lower case are the same. In a terminal, what is missing is asked for, with --ask the story too (Enter
leaves one out); a barcode scanner types and ends the line.
Exit codes: 0 registered, 2 wrong use or the home can't be written."""


# ---- what is wrong or missing ---------------------------------------------------------------------


def needed(family_name: str, speeds: int) -> tuple[str, ...]:
    """The plate values that a family needs."""
    from procedures.catalog import family

    return (*family(family_name).plate, *(("low_a",) if speeds == 2 else ()))


def _problems(values: Mapping[str, Any], bad: frozenset[str]) -> Iterator[str]:
    """Everything that is missing, or doesn't fit together; a terminal asks for what is missing."""
    asked = sys.stdin.isatty()
    wanted = ["family", "serial"]
    if values.get("family"):
        wanted += needed(values["family"], values.get("speeds") or 1)
    missing = [name for name in wanted if values.get(name) in (None, "") and name not in bad]
    for name in missing if not asked else ():
        yield f"missing {option(name)}: {_words(name)}, as on the plate"
    if values.get("family") and not missing and not bad:
        yield from _misfit(values)


def _words(name: str) -> str:
    if name in PLATE:
        return PLATE[name].words
    return {"family": "Family", "serial": f"Serial number; {NO_SERIAL}"}[name]


def _misfit(values: Mapping[str, Any]) -> Iterator[str]:
    from procedures.errors import ProcedureError

    try:
        _part(values)
    except ProcedureError as fault:
        yield str(fault)


# ---- asking ---------------------------------------------------------------------------------------


def _asked(given: dict[str, Any], name: str, kind: Any) -> None:
    """Ask for a missing value in a terminal; empty is asked again."""
    while given.get(name) in (None, ""):
        given[name] = click.prompt(_words(name), type=kind, err=True)


def _ask_story(given: dict[str, Any]) -> None:
    """What is not told stays out: Enter goes on."""
    for name, (kind, words) in STORY.items():
        if given.get(name) is None:
            told = click.prompt(words, default="", show_default=False, err=True)
            given[name] = None if told == "" else kind.convert(told, None, None)


def _complete(given: dict[str, Any], store: Store, ask: bool) -> None:
    """Family and serial number first: they say which part it is and which plate values are needed."""
    _asked(given, "family", OneOf("family", family_names))
    _asked(given, "serial", Words())
    _say_before(store, given["family"], given["serial"])
    for name in needed(given["family"], given["speeds"]):
        _asked(given, name, PLATE[name].kind)
    if ask:
        _ask_story(given)


def _say_before(store: Store, family: str, serial: str) -> None:
    """At once, before anything else is asked."""
    from rig.intake import happened, seen_before

    before = seen_before(store, family, serial)
    if before is not None:
        say(f"serial {serial} was here before: it is {before.part}")
        for line in happened(before):
            say(f"  {line}")
        return
    other = seen_before(store, None, serial)
    if other is not None:
        kind = str(other.intake.body["family"]).replace("_", " ")
        say(f"serial {serial} is also that of {other.part}, a {kind}: another part")


# ---- registering ----------------------------------------------------------------------------------


def _part(values: Mapping[str, Any]) -> Part:
    from dataclasses import fields

    from procedures.catalog import check_plate
    from procedures.scan import Part

    known = {field.name for field in fields(Part)}
    given = {n: v for n, v in values.items() if v is not None and n in known}
    part = Part(number="", **given)
    check_plate(part)
    return part


def _kept(home: Path | None, photos: tuple[Path, ...]) -> list[dict[str, Any]]:
    """Each photo cleaned and kept before the record that names it: never a name without its photo."""
    from results.photos import keep
    from rig.home import data_dir

    return [keep(data_dir(home), photo, photo.stem) for photo in photos]


def _tell(done: Registered, part: Part) -> None:
    from rig.intake import recalled

    number = done.record.body["part"]
    if done.before is not None:
        say(f"attempts that count: {done.attempts}")
        if done.attempts and not part.change:
            say("without --change (dried, cleaned, valve replaced) another attempt can't pass")
    for line in recalled(done.recalls):
        say(line)
    where = f"registered in {done.record.number}"
    say(f"{where}; next: milliproof run --bench FILE --bay N --part {number}")


def _json(done: Registered) -> dict[str, Any]:
    from rig.intake import happened

    before: Standing | None = done.before
    return {
        "part": done.record.body["part"],
        "record": done.record.number,
        "seen_before": before is not None,
        "attempts": done.attempts,
        "happened": list(happened(before)) if before else [],
        "recalls": [one.number for one in done.recalls],
        "plate": dict(done.record.body),
    }


@click.command(cls=EveryProblem, also=_problems, epilog=EPILOG)
@click.option("--family", type=OneOf("family", family_names), help="See milliproof families.")
@click.option("--model", type=Words(), default="", help="Model as on the plate.")
@click.option("--serial", type=Words(), help="Serial number as on the plate.")
@with_fields(PLATE)
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
@click.option("--source", type=Words(), default="", help="Who it comes from: supplier, customer.")
@with_fields(STORY)
@click.option(
    "--photo",
    "photos",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A JPEG or PNG of it; kept without position and other data. As often as needed.",
)
@click.option("--warranty", is_flag=True, help="A warranty claim may follow.")
@click.option("--change", type=Words(500), default="", help="Done since the last attempt.")
@click.option("--ask", is_flag=True, help="Ask for the story too.")
@with_home
@with_json
def intake(
    home: Path | None, as_json: bool, ask: bool, photos: tuple[Path, ...], **given: Any
) -> None:
    """Register a part by its plate and print its number."""
    from rig.intake import register
    from rig.shop import open_store

    with open_store(home) as store:
        _complete(given, store, ask)
        part = _part(given)
        story = {name: given[name] for name in STORY}
        done = register(store, part, story, _kept(home, photos))
    if as_json:
        emit(_json(done))
    else:
        click.echo(done.record.body["part"])
    _tell(done, part)
