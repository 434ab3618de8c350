"""milliproof lookback: a meter was off; which verdicts lean on it, and would they change?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.history import asked, leakage, when
from rig.commands.intake_fields import ISO_DAY
from rig.commands.options import Finite, Words, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.commands.problems import EveryProblem
from rig.errors import Exit

if TYPE_CHECKING:
    from rig.lookback import Again

EPILOG = """\b
Examples:
  milliproof lookback --reading leakage --off -0.05 --since 2026-01-05
  milliproof lookback --reading supply --off-percent 1.5 --since 2026-01-05 --bench-id shop-1
  milliproof lookback --reading "ground bond" --off 0.02 --since 2026-01-05 --until 2026-02-01

\b
--reading: leakage (mA), supply (V), dc (mA), or a check by how its name begins (milliproof show lists
them). --off: how much too high it read; negative: too low, so that what passed may not have.
Each attempt is decided again from its record, by the same rules and limits. What a record alone can't
decide again is said, never guessed.
Exit codes: 0 no verdict would change, 1 some would, 2 wrong use, 3 some can't be said."""
HEADS = ("record", "when (UTC)", "part", "was", "mA", "", "would be", "because")


def _wanted(values: Mapping[str, Any], bad: frozenset[str]) -> list[str]:
    given = [values.get(name) is not None or name in bad for name in ("off", "off_percent")]
    return [] if any(given) else ["missing --off or --off-percent: how far it was off"]


@click.command(cls=EveryProblem, also=_wanted, epilog=EPILOG)
@click.option("--reading", type=Words(least=1), required=True, help="What was off.")
@click.option("--off", type=Finite(), help="It read so much too high, in its unit.")
@click.option(
    "--off-percent", type=Finite(above=-100, most=1000), help="It read so many percent too high."
)
@click.option("--since", type=ISO_DAY, required=True, help="From this day (UTC) on.")
@click.option("--until", type=ISO_DAY, help="To this day (UTC).")
@click.option("--bench-id", "bench", type=Words(), help="On this bench, by its identity.")
@with_home
@with_json
def lookback(
    reading: str,
    off: float | None,
    off_percent: float | None,
    home: Path | None,
    as_json: bool,
    **given: Any,
) -> Exit:
    """Decide again what leans on a meter that was found off."""
    from rig.lookback import Off, look_back
    from rig.shop import open_store

    with open_store(home) as store:
        found = look_back(store, Off(reading, off or 0.0, off_percent or 0.0), asked(**given))
    counts = Counter(one.change for one in found)
    if as_json:
        emit({"reading": reading, "attempts": [_json(one) for one in found], **counts})
    elif found:
        show_table(f"Attempts that lean on {reading}", HEADS, [_row(one) for one in found])
    _tell(counts, found)
    return _exit(counts)


def _tell(counts: Counter[str], found: list[Again]) -> None:
    from rig.lookback import CHANGES, OPEN

    said = f"{counts[CHANGES]} would change, {counts[OPEN]} can't be said"
    say(f"{len(found)} attempts lean on it: {said}")
    passed = {a.attempt.part for a in found if a.change == CHANGES and a.attempt.verdict == "pass"}
    for part in sorted(passed):
        say(
            f"{part} had passed: milliproof quarantine {part} --reason REASON --recheck DAY --by NAME"
        )


def _exit(counts: Counter[str]) -> Exit:
    from rig.lookback import CHANGES, OPEN

    if counts[CHANGES]:
        return Exit.FAIL
    return Exit.NO_VERDICT if counts[OPEN] else Exit.DONE


def _row(one: Again) -> tuple[str, ...]:
    was = one.attempt
    number, at = was.closing or was.number, when(was.opened_ms)
    shown = (number, at, was.part, was.verdict or "", leakage(was))
    return (*shown, one.change, one.verdict or "--", one.words)


def _json(one: Again) -> dict[str, Any]:
    return {
        "record": one.attempt.closing,
        "part": one.attempt.part,
        "was": one.attempt.verdict,
        "change": one.change,
        "would_be": one.verdict or None,
        "words": one.words,
    }
