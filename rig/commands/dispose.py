"""milliproof dispose, sell: what becomes of a part."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from rig.commands.deciding import keep, override_of, overriding, with_by, with_override
from rig.commands.options import OneOf, Words, with_home, with_json
from rig.commands.problems import EveryProblem

DISPOSE_EPILOG = """\b
Examples:
  milliproof dispose P-0002 --what scrap --by "R. Tarn"
  milliproof dispose P-0006 --what "no fault found" --by "R. Tarn" --note "look at the wiring"
  milliproof dispose P-0006 --what resell --by "R. Tarn" \\
      --override "ran a week on the shop's own tub" --second "M. Fenn"

\b
Whoever decides otherwise than the procedure proposed gives a reason and a second person's name. No
override makes a part fit for resale that did not pass, is recalled, simulated, in quarantine or a GFCI.
Exit codes: 0 recorded, 2 wrong use or refused, or the home can't be written."""
SELL_EPILOG = """\b
Examples:
  milliproof sell P-0010 --buyer "Alder Lodge" --by "R. Tarn" --price "120.00 USD"

\b
A sale rests on a disposition to resell, and everything that would refuse that one refuses the sale.
Exit codes: 0 recorded, 2 wrong use or refused, or the home can't be written."""


def dispositions() -> Sequence[str]:
    """What can be decided."""
    from results.resale import WHAT

    return WHAT


class Price(click.ParamType[tuple[int, str], Any]):
    """An amount with its currency's three letters (ISO 4217), such as 120.00 USD."""

    name = "amount"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, str]:
        found = re.fullmatch(r"([0-9]{1,9})(?:\.([0-9]{2}))? ([A-Z]{3})", str(value).strip())
        if found is None:
            self.fail(f"{value!r} is no price; allowed: such as 120.00 USD", param, ctx)
        return int(found[1]) * 100 + int(found[2] or 0), found[3]


@click.command(cls=EveryProblem, also=overriding, epilog=DISPOSE_EPILOG)
@click.argument("part", type=Words())
@click.option(
    "--what", type=OneOf("disposition", dispositions), required=True, help="What becomes of it."
)
@with_by
@click.option("--note", type=Words(500), default="", help="What to remember of it.")
@with_override
@with_home
@with_json
def dispose(part: str, home: Path | None, as_json: bool, **given: Any) -> None:
    """Decide what becomes of a part: resell, repair, scrap, claim, hold."""
    override = override_of(given)
    body = {"part": part, **given, "override": override}
    keep("disposition", home, as_json, body, "{part}: {what}", _proposed)


def _proposed(body: Mapping[str, Any]) -> str:
    closing = body["closing"]
    return f"proposed was {body['proposed'] or 'nothing'} ({closing})" if closing else ""


@click.command(cls=EveryProblem, epilog=SELL_EPILOG)
@click.argument("part", type=Words())
@click.option("--buyer", type=Words(least=1), required=True, help="Who buys it.")
@with_by
@click.option("--price", type=Price(), help="Such as 120.00 USD.")
@click.option("--note", type=Words(500), default="", help="Such as an invoice's number.")
@with_home
@with_json
def sell(part: str, home: Path | None, as_json: bool, **given: Any) -> None:
    """Record the sale of a part that may be resold."""
    minor, currency = given.pop("price") or (None, None)
    body = {"part": part, **given, "price_minor": minor, "currency": currency}
    keep("sale", home, as_json, body, "{part} is sold to {buyer}")
