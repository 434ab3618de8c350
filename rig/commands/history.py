"""milliproof history: attempts, newest first."""

from __future__ import annotations

import dataclasses
import datetime
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, say, show_table

if TYPE_CHECKING:
    from results.history import Attempt

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


@click.command(epilog=EPILOG)
@click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True)
@click.option("--part", type=Words(), help="Only this part, such as P-0002.")
@click.option("--verdict", type=click.Choice(VERDICTS), help="Only attempts that ended so.")
@click.option("--bench-id", type=Words(), help="Only this bench, by its identity.")
@with_home
@with_json
def history(
    limit: int,
    part: str | None,
    verdict: str | None,
    bench_id: str | None,
    home: Path | None,
    as_json: bool,
) -> None:
    """List attempts, newest first."""
    from rig.shop import open_store

    with open_store(home) as store:
        rows = store.history(limit, part=part, verdict=verdict, bench=bench_id)
        simulated = store.simulated
    if as_json:
        emit({"simulated": simulated, "attempts": [_json(row) for row in rows]})
    elif rows:
        title = "SIMULATED: attempts on a virtual bench" if simulated else "Attempts"
        _list(title, rows)
        say("milliproof show RECORD shows one in full")
    if not rows and (part or verdict or bench_id):
        say("no attempt here is like that; milliproof history lists all")
    elif not rows:
        say("no attempts here yet: milliproof demo makes some")
