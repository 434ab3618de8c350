"""What intake asks of a part: its plate, and the story that it comes with."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import click

from rig.commands.options import F, Finite, Words


class Day(click.ParamType[str, Any]):
    """A date as far as it is known: a year, a month of it, or a day. None in the future."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        text = str(value).strip()
        if not _is_date(text):
            self.fail(f"{text!r} is no date; allowed: 2025, 2025-03 or 2025-03-31", param, ctx)
        if text > datetime.date.today().isoformat():
            self.fail(f"{text} is in the future", param, ctx)
        return text


class IsoDay(click.ParamType[str, Any]):
    """A day to come or gone, whole."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return datetime.date.fromisoformat(str(value).strip()).isoformat()
        except ValueError:
            self.fail(f"{value!r} is no day; allowed: such as 2026-03-31", param, ctx)


ISO_DAY = IsoDay()


def _is_date(text: str) -> bool:
    if not re.fullmatch(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?", text):
        return False
    try:
        datetime.date.fromisoformat(text + "-01-01"[len(text) - 4 :])
    except ValueError:
        return False
    return True


class Field(NamedTuple):
    """What an option may be, and its words."""

    kind: Any
    words: str


PLATE: Mapping[str, Field] = {
    "rated_v": Field(Finite(above=0, most=600), "Rated voltage, V"),
    "rated_w": Field(Finite(above=0, most=20_000), "Rated power, W"),
    "rated_a": Field(Finite(above=0, most=100), "Rated current, A; at high speed if it has two"),
    "low_a": Field(Finite(above=0, most=100), "Rated current at low speed, A"),
    "rated_trip_ma": Field(Finite(above=0, most=500), "Rated trip current of a GFCI, mA"),
    "lead_ohm": Field(
        Finite(least=0, most=10), "Resistance of its lead, ohm; added to the bond limit"
    ),
    "lead_m": Field(
        Finite(above=0, most=100), "Length of its copper lead, m; instead of --lead-ohm"
    ),
    "lead_mm2": Field(Finite(above=0, most=100), "Section of its copper lead, mm²; with --lead-m"),
}
STORY: Mapping[str, Field] = {
    "date_code": Field(Words(60), "Date code or lot, as on the plate"),
    "owner": Field(Words(), "Whose it is"),
    "site": Field(Words(500), "Where it was: what else ran, wiring, breaker, when it tripped"),
    "installed": Field(Day(), "When it was installed"),
    "failed": Field(Day(), "When it failed"),
    "water_ph": Field(Finite(least=0, most=14), "pH of the water it ran in"),
    "water_us_cm": Field(Finite(above=0, most=200_000), "Conductivity of that water, µS/cm"),
    "water": Field(Words(500), "What else is known of that water: sanitiser, hardness"),
    "findings": Field(Words(500), "What is seen on the part"),
}


def option(name: str) -> str:
    """--rated-v for rated_v."""
    return "--" + name.replace("_", "-")


def with_fields(fields: Mapping[str, Field]) -> Callable[[F], F]:
    """Options for all of them."""

    def decorate(command: F) -> F:
        for name, (kind, words) in reversed(list(fields.items())):
            command = click.option(option(name), type=kind, help=words + ".")(command)
        return command

    return decorate
