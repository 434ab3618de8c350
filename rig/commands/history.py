"""milliproof history: attempts, newest first."""

from __future__ import annotations

import dataclasses
import datetime
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.intake_fields import ISO_DAY
from rig.commands.options import OneOf, Words, family_names, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.commands.problems import EveryProblem

if TYPE_CHECKING:
    from results.history import Attempt
    from results.searching import Wanted

VERDICTS = ("pass", "fail", "none", "aborted", "interrupted")
HEADS = (
    "record",
    "when (UTC)",
    "part",
    "family",
    "serial",
    "verdict",
    "mA",
    "condition",
    "why",
)
NARROW_HEADS = ("record, when (UTC)", "part", "verdict", "worst mA, condition", "why")
WIDE = 130  # columns of a screen on which nine columns keep their words whole
EPILOG = """\b
Examples:
  milliproof history
  milliproof history --part P-0002
  milliproof history --verdict fail --limit 200 --json
  milliproof history --family heater --model otterfall --date-code 2214 --since 2026-01-01
  milliproof history --serial OF55 --out attempts.csv      (also .jsonl, .parquet)

\b
Every attempt is listed, also those that were stopped: retesting until it passes must show.
Exit codes: 0 listed (also when there is none), 2 wrong use or the home can't be read."""


def when(at_ms: int) -> str:
    """UTC, to the minute."""
    moment = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC)
    return moment.strftime("%Y-%m-%d %H:%M")


def leakage(row: Attempt) -> str:
    """Worst leakage with U, and whether it was measured, calculated, or only known to be above."""
    from rig.screen import amount

    if row.worst_ua is None:
        return "--"
    u_ma = None if row.u_ua is None else row.u_ua / 1000
    return amount(row.worst_ua / 1000, u_ma, row.basis)


def _row(row: Attempt) -> tuple[str, ...]:
    from rig.screen import VERDICT_WORDS

    verdict = VERDICT_WORDS.get(row.verdict or "", "STILL OPEN")
    return (
        row.closing or row.number,
        when(row.opened_ms),
        row.part or "bench",
        row.family,
        row.serial,
        verdict,
        leakage(row),
        row.condition,
        row.reason,
    )


def _stacked(row: Attempt) -> tuple[str, ...]:
    """The same for a narrow screen: what belongs together stands in one cell."""
    record, at, part, family, serial, verdict, amount, condition, why = _row(row)
    cells = ((record, at), (part, family.replace("_", " "), serial), (verdict,))
    return tuple("\n".join(filter(None, c)) for c in (*cells, (amount, condition), (why,)))


def _list(title: str, rows: list[Attempt]) -> None:
    if sys.stdout.isatty() and shutil.get_terminal_size().columns < WIDE:
        show_table(title, NARROW_HEADS, [_stacked(row) for row in rows])
    else:
        show_table(title, HEADS, [_row(row) for row in rows])


def _json(row: Attempt) -> dict[str, Any]:
    worst_ma = None if row.worst_ua is None else row.worst_ua / 1000
    u_ma = None if row.u_ua is None else row.u_ua / 1000
    return {**dataclasses.asdict(row), "leakage_ma": worst_ma, "u_ma": u_ma}


@click.command(cls=EveryProblem, epilog=EPILOG)
@click.option("--limit", type=click.IntRange(1, 100_000), help="At most so many; 50, of files all.")
@click.option("--part", type=Words(), help="Only this part, such as P-0002.")
@click.option("--serial", type=Words(), default="", help="Serial numbers that begin so.")
@click.option("--family", type=OneOf("family", family_names), help="Only this family.")
@click.option("--model", type=Words(), default="", help="Models with these words in them.")
@click.option("--date-code", type=Words(60), default="", help="Only this date code or lot.")
@click.option("--verdict", type=click.Choice(VERDICTS), help="Only attempts that ended so.")
@click.option("--cause", type=Words(), default="", help="Likely causes with these words in them.")
@click.option("--since", type=ISO_DAY, help="Begun on this day (UTC) or later.")
@click.option("--until", type=ISO_DAY, help="Begun on this day (UTC) or before.")
@click.option("--bench-id", "bench", type=Words(), help="Only this bench, by its identity.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="A new file: .csv, .jsonl or .parquet."
)
@with_home
@with_json
def history(
    limit: int | None, out: Path | None, home: Path | None, as_json: bool, **given: Any
) -> None:
    """List attempts, newest first."""
    from rig.shop import open_store

    wanted = asked(**given)
    with open_store(home) as store:
        rows = store.search(wanted, limit or (None if out else 50))
        simulated = store.simulated
    if out is not None:
        from rig.exports import export

        export(out, rows)
        say(f"{len(rows)} attempts written to {out}")
    if as_json:
        emit({"simulated": simulated, "attempts": [_json(row) for row in rows]})
    elif rows and out is None:
        title = "SIMULATED: attempts on a virtual bench" if simulated else "Attempts"
        _list(title, rows)
        say("milliproof show RECORD shows one in full")
    if not rows:
        _say_none(any(given.values()))


def _say_none(narrowed: bool) -> None:
    if narrowed:
        say("no attempt here is like that; milliproof history lists all")
    else:
        say("no attempts here yet: milliproof demo makes some")


def asked(since: str | None, until: str | None, **given: Any) -> Wanted:
    """What the options ask for; days are whole ones in UTC."""
    from results.searching import Wanted

    named = {name: value for name, value in given.items() if value}
    first = None if since is None else _day_ms(since)
    after = None if until is None else _day_ms(until, 1)
    return Wanted(**named, since_ms=first, until_ms=after)


def _day_ms(day: str, later: int = 0) -> int:
    at = datetime.datetime.fromisoformat(f"{day}T00:00:00+00:00") + datetime.timedelta(days=later)
    return round(at.timestamp() * 1000)
