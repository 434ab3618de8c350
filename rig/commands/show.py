"""milliproof show: one record, readable."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.history import when
from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, show_table
from rig.commands.show_cause import cause_lines, held_against
from rig.commands.show_part import attempts, show_intake, show_opening, show_standing

if TYPE_CHECKING:
    from results.custody import Standing
    from results.record import Record
    from results.store import Store

Body = Mapping[str, Any]
EPILOG = """\b
Examples:
  milliproof show R-000012
  milliproof show P-0002        (plate and story, every attempt, custody, what was decided)
  milliproof show R-000012 --json

\b
Exit codes: 0 shown, 2 no such record or the home can't be read."""
STANDING = ("intake", "opening", "closing")  # what stands among the other records of its part
MEANING = (
    "Protective-conductor current measured on this sample, in the conditions listed. Prospective "
    "values are calculated. No touch-current, dielectric-strength, listing or product-standard "
    "test, and no warranty. Limits marked P or MEMORY are shop rules or unverified. Install only "
    "where the listing, local code and authority permit, by a licensed person, behind a working GFCI."
)
CONDITION_HEADS = (
    "condition",
    "feed",
    "mA",
    "mA in phase",
    "mA at 90°",
    "mA DC",
    "mA second",
    "V",
    "°C",
    "control",
    "counts",
    "note",
)


def _scaled(value: int | None, per_one: int, places: int) -> str:
    return "--" if value is None else f"{value / per_one:.{places}f}"


def _yes(value: bool | None) -> str:
    return {True: "yes", False: "NO", None: "not judged"}[value]


def leakage(condition: Body) -> str:
    """mA with U and basis, as on every screen."""
    from rig.screen import amount

    y_ua, u_ua = condition.get("y_ua"), condition.get("u_ua")
    y_ma = None if y_ua is None else y_ua / 1000
    u_ma = None if u_ua is None else u_ua / 1000
    return amount(y_ma, u_ma, str(condition.get("basis", "")))


def _condition(c: Body) -> tuple[str, ...]:
    return (
        c["name"],
        c["feed"].replace("_", " "),
        leakage(c),
        _scaled(c["resistive_ua"], 1000, 3),
        _scaled(c["capacitive_ua"], 1000, 3),
        _scaled(c["dc_ua"], 1000, 3),
        _scaled(c["second_ua"], 1000, 3),
        _scaled(c["supply_mv"], 1000, 1),
        _scaled(c["temperature_mc"], 1000, 1),
        _yes(c["control_seen"]),
        "yes" if c["counts"] else "no",
        c["note"],
    )


BUDGET_HEADS = (
    "input",
    "value",
    "standard u",
    "distribution",
    "sensitivity",
    "contribution",
    "dof",
)


def _number(value: int | None, per_one: float, missing: str = "--") -> str:
    return missing if value is None else f"{value / per_one:.4g}"


def _freedom(thousandths: int | None) -> str:
    """Degrees of freedom: beyond a thousand they say no more than that there are many."""
    if thousandths is None:
        return "∞"
    return "over 1000" if thousandths > 1_000_000 else f"{thousandths / 1e3:.1f}"


def _budget_line(line: Body) -> tuple[str, ...]:
    return (
        line["input"],
        f"{_number(line['value_millionths'], 1e6)} {line['unit']}",
        f"{_number(line['u_millionths'], 1e6)} {line['unit']}",
        line["distribution"],
        f"{_number(line['sensitivity_millionths'], 1e6)} mA/{line['unit']}",
        f"{_number(line['contribution_na'], 1e6)} mA",
        _freedom(line["dof_thousandths"]),
    )


def _budget(body: Body) -> None:
    """The uncertainty budget of the worst condition; those of all conditions are in --json."""
    worst = body.get("worst") or {}
    budget = worst.get("budget")
    if budget is None:
        return
    u, dof, k = (budget[key] for key in ("u_na", "dof_thousandths", "k_millionths"))
    title = (
        f"Uncertainty, {worst['name']}: standard {_number(u, 1e6)} mA, "
        f"k = {_number(k, 1e6)} ({_freedom(dof)} degrees of freedom)"
    )
    show_table(title, BUDGET_HEADS, map(_budget_line, budget["lines"]))


def _value(millionths: int | None, unit: str) -> str:
    return "--" if millionths is None else f"{millionths / 1e6:.4g} {unit}".strip()


def _check(c: Body) -> tuple[str, ...]:
    value = _value(c["value_millionths"], c["unit"])
    return (c["name"].replace("_", " "), value, c["allowed"], _yes(c["met"]), c["words"])


def _limit(limit: Body) -> tuple[str, ...]:
    from procedures.limits import limit_words

    value = _value(limit["value_millionths"], limit["unit"])
    words = limit_words(limit["name"])
    return (words, value, limit["source"], limit["mark"], limit["version"])


def _banner(body: Body, simulated: bool | None) -> None:
    """The verdict, big, with what it is a verdict against."""
    from rich.console import Console
    from rich.panel import Panel
    from rich.text import Text

    from rig.screen import VERDICT_STYLE, VERDICT_WORDS

    word = VERDICT_WORDS.get(body["verdict"], str(body["verdict"]).upper())
    style = VERDICT_STYLE.get(body["verdict"], "bold yellow")
    versions = sorted({limit["version"] for limit in body["limits"]})
    against = (
        f" against limit set {', '.join(versions)} in the conditions listed" if versions else ""
    )
    words = Text(f"{' '.join(word)}\n", style=style, justify="center")
    words.append(f"{word}{against}\n{body['reason']}", style="default")
    console = Console(highlight=False, width=None if sys.stdout.isatty() else 100)
    console.print(Panel(words, title="SIMULATED" if simulated else None, style=style))


def _percent(millionths: int) -> str:
    """Never rounded to certainty: what is more than 99.99 % probable is told as just that."""
    percent = millionths / 1e4
    if percent > 99.99:
        return "more than 99.99 %"
    return "less than 0.01 %" if percent < 0.01 else f"{percent:.2f} %"


def _at_most(body: Body) -> str:
    limits = {limit["name"]: limit["value_millionths"] for limit in body["limits"]}
    return f"truly at most {_number(limits.get('pass_ma'), 1e6)} mA"


TOLD = ("fault impedance", "predicted", "hidden")  # facts in words, by how their names begin


def _found_out(facts: Body) -> Iterator[tuple[str, str]]:
    """Where the leak sits, what that leaves open, and what the readings say of one another."""
    place, low, high = (facts.get(f"place{end}_millionths") for end in ("", "_low", "_high"))
    if None not in (place, low, high):
        x = " ".join(
            (
                _number(place, 1e6),
                "along from terminal A,",
                _number(low, 1e6),
                "to",
                _number(high, 1e6),
            )
        )
        yield "place", f"{x}: {facts.get('place, not told apart', '')}"
    for name, words in facts.items():
        if name.startswith(TOLD):
            yield name.split(",")[0], ": ".join([*name.split(", ", 1)[1:], str(words)])


def _facts(record: Record, body: Body) -> Iterator[tuple[str, str]]:
    yield "record", f"{record.number}, closes {body['opening']}, bench {record.bench}"
    yield "when", f"{when(record.at_ms)} UTC, took {body.get('duration_ms', 0) / 1000:.0f} s"
    yield "rule", str(body["rule"])
    yield from cause_lines(body)
    chance = body.get("conformity_millionths")
    if chance is not None:
        yield "probability", f"{_percent(chance)} that {body['worst']['name']} is {_at_most(body)}"
    yield from _found_out(body["facts"])
    if body["disposition"]:
        yield "proposed", str(body["disposition"])
    trace = body.get("trace")
    if trace:
        yield "trace", f"{trace.get('rows', '?')} readings, SHA-256 {trace['sha256']}"
    yield "SHA-256", record.sha256


def _waves(conditions: list[Body]) -> None:
    """Captured waveforms, and for which conditions there are none and why."""
    from rig.commands.show_waves import HEADS, TITLE, wave_missing, wave_rows

    rows = list(wave_rows(conditions))
    if rows:
        show_table(TITLE, HEADS, rows)
    for words in wave_missing(conditions):
        click.echo(words)


def _closing(record: Record, body: Body) -> None:
    from rig.confirmed import FACTS as CONFIRMED

    _banner(body, record.simulated)
    for name, words in _facts(record, body):
        click.echo(f"{name:>13}: {words}")
    tables = (
        ("Conditions", CONDITION_HEADS, [_condition(c) for c in body["conditions"]]),
        ("Checks", ("check", "value", "allowed", "met", "note"), map(_check, body["checks"])),
        ("Limits", ("limit", "value", "source", "mark", "version"), map(_limit, body["limits"])),
    )
    for title, heads, rows in tables:
        listed = list(rows)
        if listed:
            show_table(title, heads, listed)
    held_against(body)
    _budget(body)
    _waves(body["conditions"])
    for caution in body["cautions"]:
        click.echo(f"Caution: {caution}")
    for fact in CONFIRMED.values():
        if fact in body["facts"]:
            click.echo(f"{fact.capitalize()} {body['facts'][fact]}")
    click.echo(MEANING)


def _checked(record: Record, body: Body) -> None:
    """A bench proof or a commissioning."""
    _plain(record, {key: value for key, value in body.items() if key != "checks"})
    heads = ("check", "value", "allowed", "met", "note")
    show_table(
        record.kind.replace("_", " ").capitalize(),
        heads,
        [_check(check) for check in body["checks"]],
    )


def _plain(record: Record, body: Body) -> None:
    mark = {True: "SIMULATED ", False: "", None: ""}[record.simulated]
    where = f"{when(record.at_ms)} UTC, {record.bench}"
    click.echo(f"{mark}{record.kind} {record.number}, {where}")
    for key, value in body.items():
        if value not in (None, "", [], {}):
            click.echo(f"{key:>16}: {value}")
    click.echo(f"{'SHA-256':>16}: {record.sha256}")


_SHOWN = {
    "closing": _closing,
    "bench_proof": _checked,
    "commissioning": _checked,
    "intake": show_intake,
    "opening": show_opening,
}


def show_record(record: Record, home_simulated: bool | None = None) -> None:
    """One record on stdout, readable. An intake may be older than its home's first bench."""
    if record.simulated is None and home_simulated:
        click.echo("SIMULATED: this home holds simulated records")
    _SHOWN.get(record.kind, _plain)(record, record.body)


def _found(store: Store, number: str) -> list[Record]:
    """A part's intake; or an attempt's opening and closing, whichever was named; or the record."""
    if number.upper().startswith("P-"):
        return [store.part(number)]
    record = store.get(number)
    if record.kind == "opening":
        closing = store.closing_of(record.number)
        return [record, closing] if closing else [record]
    if record.kind == "closing":
        return [store.get(str(record.body["opening"])), record]
    return [record]


def _amended(standing: Standing, found: list[Record]) -> None:
    """What was put right about these records since."""
    numbers = {one.number for one in found}
    for one in standing.of("amendment"):
        if one.body["amends"] in numbers:
            click.echo(f"Amended in {one.number} by {one.body['by']}: {one.body['words']}")


def _json(record: Record) -> dict[str, Any]:
    import json

    members: dict[str, Any] = json.loads(record.json)
    return {**members, "sha256": record.sha256}


@click.command(epilog=EPILOG)
@click.argument("record", type=Words())
@with_home
@with_json
def show(record: str, home: Path | None, as_json: bool) -> None:
    """Show one record: verdict, conditions, checks, limits with their sources."""
    from rig.shop import open_store

    with open_store(home) as store:
        found, simulated = _found(store, record), store.simulated
        part = str(found[0].body.get("part") or "") if found[0].kind in STANDING else ""
        standing = store.standing(part) if part and not as_json else None
    if as_json:
        emit([_json(one) for one in found])
        return
    for one in found:
        show_record(one, simulated)
    if standing is not None and found[0].kind == "intake":
        show_standing(standing)
    elif standing is not None:
        attempts(standing, found[-1].number)
        _amended(standing, found)
