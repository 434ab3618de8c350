"""milliproof drill: break the virtual bench at drawn moments, and see whether anybody could be hurt."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import OneOf, with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from rig.drill import Learned, Seen
    from rig.drill_draw import Try
    from rig.drill_table import Row, Sum

EPILOG = """\b
Examples:
  milliproof drill
  milliproof drill --count 2000 --seed 1 --json > drill.json
  milliproof drill --kind welded --kind mirror --count 40 --show

\b
Everything is SIMULATED, in a scratch home of its own: your records and benches are not touched.
Detected: the run ended without a verdict and said why. Harmless: the part got the verdict that it
gets without faults. Anything else, a hazard, a lost record or a stop without a fault: exit code 1.
Exit codes: 0 the rig stood, 1 it did not, 2 wrong use, 3 interrupted (partial table)."""


BENCHES_A_CORE = 2  # a try with a silent line mostly waits for deadlines


def _kinds() -> Sequence[str]:
    from rig.drill_kinds import KINDS

    return tuple(KINDS)


def _parts() -> Sequence[str]:
    from rig.drill_kinds import PARTS

    return tuple(PARTS)


@click.command(epilog=EPILOG)
@click.option("--count", type=click.IntRange(1, 1_000_000), default=200, show_default=True)
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option(
    "--jobs", type=click.IntRange(1, 64), help="Virtual benches at a time; else two a core."
)
@click.option("--part", "parts", multiple=True, type=OneOf("part", _parts), help="Only this part.")
@click.option("--kind", "kinds", multiple=True, type=OneOf("kind", _kinds), help="Only this fault.")
@click.option(
    "--show", is_flag=True, help="Tell each try: fault, what is seen, what the bench did."
)
@with_json
def drill(
    count: int,
    seed: int,
    jobs: int | None,
    parts: tuple[str, ...],
    kinds: tuple[str, ...],
    show: bool,
    as_json: bool,
) -> Exit:
    """Break the virtual bench at drawn moments: does everything end up dead, proved and recorded?"""
    from rig.drill_draw import Wish, draw
    from rig.drill_table import sum_up

    tries = draw(count, seed, Wish(parts, kinds))
    seen, whole = _run(tries, jobs or BENCHES_A_CORE * _cores(), seed, show)
    total = sum_up(count, seen)
    if as_json:
        emit(_json(seen, total, seed))
    else:
        _show(seen, total)
    if not whole:
        say("interrupted: this is only a part of the drill")
        return Exit.NO_VERDICT
    if not parts and not kinds:
        _keep(count, seed, total.stood)
    return Exit.DONE if total.stood else Exit.FAIL


def _keep(count: int, seed: int, stood: bool) -> None:
    """A whole drill of everything, passed or not, decides whether real benches may energise."""
    from importlib.metadata import version

    from rig.commissioned import Drill
    from rig.home import write_drill

    write_drill(Drill(version("milliproof"), stood, count, seed))


def _cores() -> int:
    return len(os.sched_getaffinity(0))


def _run(tries: list[Try], jobs: int, seed: int, show: bool) -> tuple[list[Seen], bool]:
    """Every try that ended, and whether all of them did."""
    from rig.drill import crew, drill, learn

    seen: list[Seen] = []
    parts = sorted({one.part for one in tries})
    try:
        with crew(min(jobs, len(tries)), seed) as workers, _progress(len(tries)) as told:
            learned: Learned = learn(workers, parts)
            for one in drill(workers, tries, learned):
                seen.append(one)
                told(one, show)
    except KeyboardInterrupt:
        return seen, False
    return seen, True


@contextmanager
def _progress(count: int) -> Iterator[Any]:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from rig.screen import error_console

    columns = (TextColumn("drill"), BarColumn(bar_width=30), MofNCompleteColumn())
    words = TextColumn("{task.fields[words]}")
    console = error_console()
    with Progress(*columns, words, console=console, transient=True) as progress:
        task = progress.add_task("", total=count, words="learning how the parts run")
        yield _Told(progress, task)


class _Told:
    """Moves the bar; with ``show`` tells each try, else only what should not have been."""

    def __init__(self, progress: Progress, task: TaskID) -> None:
        self.progress, self.task = progress, task
        self.bad = 0

    def __call__(self, seen: Seen, show: bool) -> None:
        from rig.drill_table import is_bad, story

        bad = is_bad(seen)
        self.bad += bad
        self.progress.update(self.task, advance=1, words=f"{self.bad} bad" if self.bad else "")
        if show or bad:
            for line in story(seen):
                self.progress.console.print(line, markup=False, soft_wrap=True)


def _json(seen: list[Seen], total: Sum, seed: int) -> dict[str, Any]:
    from rig.drill_table import table, try_json

    return {
        **total.as_json(),
        "seed": seed,
        "simulated": True,
        "by_state": [row.as_json() for row in table(seen)],
        "by_fault": [row.as_json() for row in table(seen, by_state=False)],
        "tries": [try_json(one) for one in sorted(seen, key=lambda s: s.one.number)],
    }


def _show(seen: list[Seen], total: Sum) -> None:
    from rig.drill_table import table

    counts = ("tries", "detected", "harmless", "undetected", "hazards")
    heads = (
        "fault",
        "state",
        *counts,
        "off, median s",
        "worst s",
        "records lost",
        "hazard at most",
    )
    show_table("SIMULATED · drill", heads, [_cells(row) for row in table(seen)])
    click.echo(
        f"{total.tries_done} tries: {total.hazards} hazards (probability at most {total.bound:.2%} at "
        f"95 %), {total.lost} records lost, {total.undetected} faults taken for the part, "
        f"{total.false_stops} false stops in {total.faultless} faultless runs, "
        f"{total.one_frame_finished} of {total.one_frame} runs with one bad frame finished, "
        f"{total.missed} missed their moment"
    )


def _cells(row: Row) -> tuple[str, ...]:
    counts = (row.tries, row.detected, row.harmless, row.undetected, row.hazards)
    off = ("--" if s is None else f"{s:.2f}" for s in (row.median_off_s, row.worst_off_s))
    return (row.fault, row.state, *map(str, counts), *off, str(row.lost), f"{row.bound:.1%}")
