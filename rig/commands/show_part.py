"""A part for people: its plate and story, every attempt on it, where it went and what was decided."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import click

from rig.commands.history import leakage, when
from rig.commands.output import show_table

if TYPE_CHECKING:
    from results.custody import Standing
    from results.history import Attempt
    from results.record import Record

Body = Mapping[str, Any]
# units of a record's names: (how a name ends, how many make one, the unit)
UNITS = (
    ("_us_cm", 1, "µS/cm"),
    ("_hundredths", 100, ""),
    ("_mm2_thousandths", 1000, "mm²"),
    ("_mohm", 1000, "ohm"),
    ("_mhz", 1000, "Hz"),
    ("_mv", 1000, "V"),
    ("_mw", 1000, "W"),
    ("_ma", 1000, "A"),
    ("_mm", 1000, "m"),
    ("_ua", 1000, "mA"),
)
UNSHOWN = frozenset({"part", "attempt", "amends", "photos"})
ATTEMPT_HEADS = ("record", "when (UTC)", "verdict", "mA", "condition", "why")


def amount(key: str, value: object) -> tuple[str, str]:
    """A body's member as (words, value with its unit)."""
    if isinstance(value, bool) or value is None:
        return key.replace("_", " "), {True: "yes", False: "no", None: "--"}[value]
    for ending, per_one, unit in UNITS if isinstance(value, int) else ():
        if key.endswith(ending):
            told = f"{int(str(value)) / per_one:g} {unit}".strip()
            return key.removesuffix(ending).replace("_", " "), told
    return key.replace("_", " "), str(value)


def lines_of(body: Body, before: str = "") -> Iterator[tuple[str, str]]:
    """All members that say something, nested ones by both names."""
    for key, value in body.items():
        if value in (None, "", [], {}, False) or (not before and key in UNSHOWN):
            continue
        if isinstance(value, Mapping):
            yield from lines_of(value, f"{before}{key.replace('_', ' ')}, ")
        elif isinstance(value, list):
            yield f"{before}{key.replace('_', ' ')}", "; ".join(map(str, value))
        else:
            words, told = amount(key, value)
            yield before + words, told


def _head(record: Record, words: str) -> None:
    mark = "SIMULATED " if record.simulated else ""
    click.echo(f"{mark}{words} {record.number}, {when(record.at_ms)} UTC, {record.bench}")


def _body(record: Record, wide: int = 26) -> None:
    for words, told in lines_of(record.body):
        click.echo(f"{words:>{wide}}: {told}")
    for photo in record.body.get("photos", ()):
        click.echo(
            f"{'photo':>{wide}}: {photo['sha256']}.{photo['type']} {photo['words']}".rstrip()
        )
    click.echo(f"{'SHA-256':>{wide}}: {record.sha256}")


def show_intake(record: Record, _body_of: Body) -> None:
    """The plate and the story it came with."""
    _head(record, f"Part {record.body['part']}, registered in")
    if record.body.get("amends"):
        click.echo(f"{'registered before in':>26}: {record.body['amends']}")
    _body(record)


def show_opening(record: Record, _body_of: Body) -> None:
    """Who tried which part, where, with which set-up."""
    part = record.body["part"]
    what = f"attempt {record.body.get('attempt', 1)} on {part}" if part else "bench proof"
    _head(record, f"Begun: {what},")
    _body(record)


def show_standing(part: Standing) -> None:
    """Every attempt, custody, decisions, and what speaks against resale."""
    attempts(part)
    for one in part.records:
        words = EVENTS.get(one.kind)
        if words is not None:
            click.echo(f"{one.number}, {when(one.at_ms)}: {words(one.body)}")
    from results.resale import refusals

    against = refusals(part)
    click.echo(f"can't be resold: {'; '.join(against)}" if against else "may be resold")


def attempts(part: Standing, but: str = "") -> None:
    """Retesting until it passes shows: all attempts on the part, newest first; ``but`` is marked."""
    if part.attempts:
        title = f"Every attempt on {part.part}"
        show_table(title, ATTEMPT_HEADS, [_attempt(one, but) for one in part.attempts])


def _attempt(one: Attempt, but: str) -> tuple[str, ...]:
    from rig.screen import VERDICT_WORDS

    verdict = VERDICT_WORDS.get(one.verdict or "", "STILL OPEN")
    number = one.closing or one.number
    shown = f"{number} (this one)" if but == number else number
    return shown, when(one.opened_ms), verdict, leakage(one), one.condition, one.reason


def _custody(body: Body) -> str:
    came = f" from {body['from']}" if body.get("from") else ""
    return f"to {body['to']}{came}, by {body['by']}{_noted(body)}"


def _disposition(body: Body) -> str:
    against = f", against the proposal ({body['proposed'] or 'none'})"
    why = f"{against}: {_override(body)}" if body.get("override") else ""
    return f"decided: {body['what']}, by {body['by']}{why}{_noted(body)}"


def _override(body: Body) -> str:
    given = body["override"]
    return f"{given['reason']}; second person {given['second']}"


def _sale(body: Body) -> str:
    price = body.get("price_minor")
    paid = "" if price is None else f" for {price / 100:.2f} {body['currency']}"
    return f"sold to {body['buyer']}{paid}, by {body['by']}{_noted(body)}"


def _quarantine(body: Body) -> str:
    return f"into quarantine, recheck by {body['recheck']}, by {body['by']}: {body['reason']}"


def _release(body: Body) -> str:
    two = f"; overridden: {_override(body)}" if body.get("override") else ""
    return f"out of quarantine, by {body['by']}: {body['reason']}{two}"


def _amendment(body: Body) -> str:
    return f"amends {body['amends']}, by {body['by']}: {body['words']}"


def _noted(body: Body) -> str:
    return f" ({body['note']})" if body.get("note") else ""


EVENTS: Mapping[str, Callable[[Body], str]] = {
    "custody": _custody,
    "disposition": _disposition,
    "sale": _sale,
    "quarantine": _quarantine,
    "release": _release,
    "amendment": _amendment,
}
