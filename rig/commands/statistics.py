"""milliproof statistics: what fails, what comes back, how long it takes, what sales brought."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.commands.history import asked
from rig.commands.intake_fields import ISO_DAY
from rig.commands.options import with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.commands.problems import EveryProblem

BY = ("family", "model", "date_code", "bench")
EPILOG = """\b
Examples:
  milliproof statistics
  milliproof statistics --by model --since 2026-01-01
  milliproof statistics --by date_code --json

\b
A part counts once: as failed when its newest attempt with a pass or a fail is a fail, as come back when
it failed after it had passed. In brackets the exact interval for 95 % (Clopper and Pearson): with few
parts it is wide, and what lies within it is no finding.
Exit codes: 0 answered, 2 wrong use or the home can't be read."""
HEADS = ("group", "parts", "failed", "came back", "attempts", "median bench min", "sales")


@click.command(cls=EveryProblem, epilog=EPILOG)
@click.option("--by", type=click.Choice(BY), default="family", show_default=True, help="Groups.")
@click.option("--since", type=ISO_DAY, help="Attempts begun on this day (UTC) or later.")
@click.option("--until", type=ISO_DAY, help="Attempts begun on this day (UTC) or before.")
@with_home
@with_json
def statistics(
    by: str, since: str | None, until: str | None, home: Path | None, as_json: bool
) -> None:
    """Failure shares with their intervals, comebacks, time per part, value recovered."""
    from results.statistics import courses, grouped
    from rig.shop import open_store
    from rig.statistics import rows

    with open_store(home) as store:
        found = courses(store.search(asked(since, until), None))
        groups = rows(grouped(found, by, store.every("sale")))
        simulated = store.simulated
    if as_json:
        emit({"simulated": simulated, "by": by, "confidence": 0.95, "groups": groups})
    elif groups:
        title = f"{'SIMULATED: p' if simulated else 'P'}arts by {by.replace('_', ' ')}"
        show_table(title, HEADS, [_row(one) for one in groups])
    else:
        say("no attempts on parts here: nothing to count")


def _row(one: dict[str, Any]) -> tuple[str, ...]:
    from rig.statistics import share

    minutes = one["median_minutes"]
    sales = ", ".join(f"{value:.2f} {currency}" for currency, value in one["recovered"].items())
    return (
        str(one["group"]).replace("_", " "),
        str(one["parts"]),
        share(one["failed"], one["failed_of"]).words,
        share(one["came_back"], one["came_back_of"]).words,
        str(one["attempts"]),
        "--" if minutes is None else f"{minutes:.1f}",
        sales or "--",
    )
