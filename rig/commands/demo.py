"""milliproof demo: fourteen invented parts on a virtual bench, through the real protocols."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from rich.progress import Progress

    from rig.demo import Done
    from rig.scan_loop import Watcher

EPILOG = """\b
Examples:
  milliproof demo
  milliproof demo --home /tmp/demo --json > demo.json

\b
Everything in it is invented and SIMULATED. Without --home and MILLIPROOF_HOME its records go to a
directory of its own, so that they never meet real ones.
Exit codes: 0 each part met its expected outcome, 1 one did not, 2 wrong use, 4 bench not proved."""


@click.command(epilog=EPILOG)
@with_home
@with_json
def demo(home: Path | None, as_json: bool) -> Exit:
    """Prove fourteen invented parts on a virtual bench, from intake to record."""
    from rig.home import demo_dir

    where = demo_dir(home)
    started_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="milliproof-") as scratch:
        done, account = _prove(where, Path(scratch) / "bench.toml")
    wall_s = time.monotonic() - started_s
    said = {
        "parts": [one.row() for one in done],
        "hazards": account["hazards"],
        "simulated": True,
        "home": str(where),
        "simulated_s": round(account["t_s"], 1),
        "wall_s": round(wall_s, 1),
    }
    if as_json:
        emit(said)
    else:
        _show(done, said)
    good = all(one.met for one in done) and account["hazards"] == 0
    return Exit.DONE if good else Exit.FAIL


def _prove(home: Path, bench_file: Path) -> tuple[list[Done], dict[str, Any]]:
    from drivers.virtual.process import Options, launch
    from rig.bench_file import load_bench
    from rig.commands.tending import BEFORE, caution
    from rig.demo import approve_limits, load_parts, prove_all
    from rig.home import forget_bench
    from rig.proving import at_bench
    from rig.screen import error_console, live
    from rig.shop import asked_url

    shop, parts = load_parts()
    with launch(Options(bench_out=bench_file)):
        bench = load_bench(bench_file)
        try:
            with (
                at_bench(bench, home, shop=asked_url()) as place,
                live(error_console()) as progress,
            ):
                caution(place, BEFORE)
                approve_limits(place.store, parts, shop)
                done = [_told(one, progress) for one in prove_all(place, parts, _watch(progress))]
                assert place.ours.remote is not None
                return done, place.ours.remote.account()
        finally:
            forget_bench(bench.id)


def _watch(progress: Progress) -> Callable[[str], Watcher]:
    """Each part gets the live line to itself."""
    from rig.screen import part_line

    def begin(title: str) -> Watcher:
        for task in progress.task_ids:
            progress.remove_task(task)
        return part_line(progress, title)

    return begin


def _told(one: Done, progress: Progress) -> Done:
    from rig.screen import VERDICT_WORDS, minutes

    row = one.row()
    verdict = VERDICT_WORDS[one.body["verdict"]]
    progress.console.print(
        f"{row['part']}  {row['model']:<32} {verdict:<10} {minutes(one.simulated_s):>6}  "
        f"{row['reason']}",
        markup=False,
        soft_wrap=True,
    )
    return one


def _show(done: list[Done], said: dict[str, Any]) -> None:
    from rig.screen import VERDICT_WORDS

    rows = [
        (
            f"{row['part']}\n{row['model']}",
            row["family"].replace("_", " "),
            VERDICT_WORDS[row["verdict"]],
            _worst(row),
            row["reason"] if row["met"] else f"NOT AS EXPECTED: {row['reason']}",
            row["disposition"],
        )
        for row in said["parts"]
    ]
    heads = ("part", "family", "verdict", "worst mA, condition", "reason", "proposed")
    show_table("SIMULATED · demo", heads, rows)
    met = sum(row["met"] for row in said["parts"])
    click.echo(f"{met} of {len(rows)} parts came out as expected.")
    ratio = said["simulated_s"] / max(said["wall_s"], 1e-9)
    click.echo(
        f"{said['simulated_s'] / 60:.0f} simulated minutes in {said['wall_s']:.0f} s "
        f"({ratio:.0f} times as fast); hazards counted by the virtual bench: {said['hazards']}"
    )
    click.echo(f"Records: {said['home']}")
    home = f" --home {said['home']}" if not os.environ.get("MILLIPROOF_HOME") else ""
    say(f"Next: milliproof history{home}")
    say(f"      milliproof show {done[0].record}{home}")
    say("      milliproof virtual --bench-out virtual.toml   (a bench to drive yourself)")
    say("      milliproof bench describe --out my-bench.toml (a bench file for your own hardware)")


def _worst(row: dict[str, Any]) -> str:
    from rig.screen import amount

    shown = amount(row["leakage_ma"], row["u_ma"], row["basis"])
    return f"{shown}\n{row['condition'] or ''}".rstrip()
