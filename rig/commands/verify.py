"""milliproof verify: six questions about a home or a bundle, each answered apart."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

if TYPE_CHECKING:
    from results.answers import Answer
    from rig.verifying import Verified

MOST_PROBLEMS = 20  # shown to a person; --json has all
EXITS = {True: Exit.DONE, False: Exit.FAIL, None: Exit.NO_VERDICT}
MARKS = {True: "yes", False: "NO", None: "?"}
EPILOG = """\b
Examples:
  milliproof verify                                  (the home in use)
  milliproof verify R-000014.zip --trust 724ed631...(64 digits)
  milliproof verify older.zip newer.zip --trust ...  (do their heads belong to one log?)
  milliproof verify my-home R-000014.zip             (has the home changed since the bundle?)

\b
A bundle proves nothing by itself about who made it: get the key's fingerprint from the shop in another
way (milliproof keys list prints it there) and name it with --trust.
Exit codes: 0 each answer is good, 1 something is wrong and named, 2 wrong use or no such file,
3 something can't be told, such as whose key it is."""


class Fingerprint(click.ParamType[str, Any]):
    """64 hexadecimal digits; blanks and colons between them are no matter."""

    name = "fingerprint"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        digits = re.sub(r"[\s:]", "", str(value)).lower()
        if not re.fullmatch(r"[0-9a-f]{64}", digits):
            self.fail(f"{value!r} is no fingerprint; allowed: 64 hexadecimal digits", param, ctx)
        return digits


def _lines(answer: Answer) -> Sequence[str]:
    from results.answers import QUESTIONS

    shown = answer.problems[:MOST_PROBLEMS] if len(answer.problems) > 1 else ()
    more = len(answer.problems) - len(shown) if shown else 0
    left = [f"       and {more} more: --json has all"] if more else []
    first = f"{MARKS[answer.good]:>4}  {QUESTIONS[answer.question]} {answer.words}"
    return [first, *(f"      - {one}" for one in shown), *left]


def _tell(one: Verified) -> None:
    click.echo(f"{one.place} ({one.kind})")
    for answer in one.answers:
        for line in _lines(answer):
            click.echo(line)


def _json(one: Verified) -> dict[str, Any]:
    answers = [dict(answer.json) for answer in one.answers]
    return {"place": one.place, "kind": one.kind, "good": one.good, "answers": answers}


def _worst(found: Sequence[Verified]) -> bool | None:
    goods = {one.good for one in found}
    return next((one for one in (False, None) if one in goods), True)


@click.command(epilog=EPILOG)
@click.argument("places", nargs=-1, type=click.Path(exists=True, path_type=Path))
@click.option("--trust", "trusted", multiple=True, type=Fingerprint(), help="A key you know.")
@with_home
@with_json
def verify(
    places: tuple[Path, ...], trusted: tuple[str, ...], home: Path | None, as_json: bool
) -> Exit:
    """Check homes and bundles: signatures, log, chain, whose key."""
    from rig.home import data_dir
    from rig.verifying import verified

    found = verified(list(dict.fromkeys(places)) or [data_dir(home)], trusted)
    good = _worst(found)
    if as_json:
        emit({"good": good, "verified": [_json(one) for one in found]})
    else:
        for one in found:
            _tell(one)
    words = {True: "all answers are good", False: "NOT as it was made", None: "not all can be told"}
    say(words[good])
    return EXITS[good]
