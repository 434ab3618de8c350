"""milliproof study: how often is each way of deciding wrong, on the same invented parts?"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from rig.study import Results
    from rig.study_table import Rate, Row

EPILOG = """\b
Examples:
  milliproof study --parts 20000
  milliproof study --parts 100000 --seed 1 --json > study.json
  milliproof study --parts 20000 --plot characteristic.png

\b
Everything is SIMULATED. The population is stated in rig/study_population.toml and named by its digest.
Side by side: the bench's decision, the breaker technique (switch on, wait, does it trip), one plain
reading against the limit, and the shortest fixed soak with no more false accepts than the bench.
Rates come with one-sided 95 % Clopper-Pearson bounds; intermittents are listed apart.
Exit codes: 0 done, 2 wrong use or population file, 3 interrupted (figures of what was done)."""


@click.command(epilog=EPILOG)
@click.option("--parts", type=click.IntRange(1, 100_000_000), default=20_000, show_default=True)
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option(
    "--population", type=click.Path(path_type=Path, dir_okay=False), help="Another population file."
)
@click.option("--jobs", type=click.IntRange(1, 256), help="Processes; else one per core.")
@click.option(
    "--plot", type=click.Path(path_type=Path, dir_okay=False), help="Picture to write: .png, .svg."
)
@with_json
def study(
    parts: int,
    seed: int,
    population: Path | None,
    jobs: int | None,
    plot: Path | None,
    as_json: bool,
) -> Exit:
    """Measure how often the bench, the breaker and a plain reading decide wrongly."""
    from rig.study_population import load

    found, digest = load(population)
    results, whole = _run(population, parts, seed, jobs or len(os.sched_getaffinity(0)))
    if results is None:
        say("interrupted before anything was decided")
        return Exit.NO_VERDICT
    if as_json:
        emit({"seed": seed, "whole": whole, **_json(results, found, digest)})
    else:
        _show(results, found, digest)
    if plot is not None:
        from rig.study_plot import draw
        from rig.study_table import ways

        say(f"written: {draw(results, ways(results), plot)}")
    if not whole:
        say("interrupted: these are the figures of the parts done so far")
    return Exit.DONE if whole else Exit.NO_VERDICT


def _run(path: Path | None, parts: int, seed: int, jobs: int) -> tuple[Results | None, bool]:
    """All blocks that ended, and whether that was all of them."""
    from rig.study import joined, study

    done, whole = list[Any](), True
    try:
        with _progress(parts) as told:
            for one in study(path, parts, seed, jobs):
                done.append(one)
                told(one.size)
    except KeyboardInterrupt:
        whole = False
    return (joined(done) if done else None), whole


@contextmanager
def _progress(parts: int) -> Iterator[Any]:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from rig.screen import error_console

    console = error_console()
    columns = (TextColumn("parts"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("parts", total=parts)
        yield lambda size: bar.update(task, advance=size)


def _json(results: Results, population: Any, digest: str) -> dict[str, Any]:
    from rig.study import SOAKS_S, class_names, equal_soak
    from rig.study_table import claims, culprits, curve, intermittents, rows, ways

    names, kept = class_names(population), ways(results)
    equal = equal_soak(results)
    return {
        "simulated": True,
        "population": population.name,
        "digest": digest,
        "parts": results.size,
        "equal_soak_s": None if equal is None else SOAKS_S[equal],
        "ways": [
            {
                "way": way.name,
                "minutes": float(way.minutes.mean()),
                "claims": {n: rate.as_json() for n, rate in claims(results, way).items()},
                "curve": [_point(*at) for at in zip(*curve(results, way), strict=True)],
            }
            for way in kept
        ],
        "retested": int(results.retested.sum()),
        "by_class": [row.as_json() for row in rows(results, names, kept)],
        "false_accepts_of_the_bench": culprits(results, names, kept[0]),
        "intermittents": intermittents(results, kept),
    }


def _point(truth_ma: float, passed: float, parts: int) -> dict[str, Any]:
    return {
        "true_ma": round(float(truth_ma), 4),
        "passed": None if not parts else round(float(passed), 5),
        "parts": int(parts),
    }


def _show(results: Results, population: Any, digest: str) -> None:
    from rig.study import class_names
    from rig.study_table import claims, culprits, intermittents, rows, ways

    names, kept = class_names(population), ways(results)
    say(f"population: {population.name}, SHA-256 {digest[:16]}…")
    heads = ("claim", *(way.name for way in kept))
    rates = {way.name: claims(results, way) for way in kept}
    table = [
        (claim, *(_rate(rates[way.name][claim]) for way in kept)) for claim in rates[kept[0].name]
    ]
    table.append(("minutes on the bench", *(f"{way.minutes.mean():.1f}" for way in kept)))
    show_table(f"SIMULATED: {results.size} parts, 95 % upper bounds", heads, table)
    listed = rows(results, names, kept[:1])
    show_table("The bench, by fault class", CLASS_HEADS, [_class_row(row) for row in listed])
    wrong = culprits(results, names, kept[0])
    said = ", ".join(f"{name} {count}" for name, count in wrong.items()) or "none"
    say(f"false accepts of the bench above 1.5 mA come from: {said}")
    for name, one in intermittents(results, kept).items():
        say(
            f"intermittents above 1.5 mA, {name}: {100 * one['passed']:.0f} % passed, "
            f"e^(-λT) says {100 * one['hidden']:.0f} % stay hidden"
        )


CLASS_HEADS = (
    "fault class",
    "parts",
    "false accept > 1.5 mA",
    "false reject < 0.5 mA",
    "no verdict",
    "retested",
    "minutes",
)


def _class_row(row: Row) -> Sequence[str]:
    rates = (row.false_accept, row.false_reject, row.no_verdict)
    counts = (str(row.retested), f"{row.minutes:.1f}")
    return (row.fault, str(row.parts), *(_rate(rate) for rate in rates), *counts)


def _rate(rate: Rate) -> str:
    if not rate.parts:
        return "--"
    return f"{rate.hits} of {rate.parts} (≤ {100 * rate.bound:.3g} %)"
