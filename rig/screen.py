"""What a person sees while a part is on: one live line, and the table at the end.

Everything goes to standard error or through ``say``; standard output is for results. rich is imported
here only, and this module only where a person looks.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import IO, Any, cast

from rich.box import HORIZONTALS
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn
from rich.table import Column, Table

from procedures.scan import LEAKAGE_MA, Demand, Scan
from rig.commands.output import silence
from rig.guard_seen import Decision

REFRESH_S = 0.1
CAUTION = "Software is not protection. Do not open. Lock out, test before touch."
VERDICT_STYLE = {"pass": "bold green", "fail": "bold red", "none": "bold yellow"}
VERDICT_WORDS = {
    "pass": "PASS",
    "fail": "FAIL",
    "none": "NO VERDICT",
    "aborted": "ABORTED",
    "interrupted": "INTERRUPTED",
}


@dataclass(frozen=True, slots=True)
class Screen:
    """Standard error for rich, which would end the program when its reader is gone."""

    stream: IO[str]

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)

    def write(self, text: str) -> int:
        """Write, or be silent from now on."""
        try:
            return self.stream.write(text)
        except OSError:
            silence(self.stream)
            return len(text)

    def flush(self) -> None:
        """Flush, or be silent from now on."""
        try:
            self.stream.flush()
        except OSError:
            silence(self.stream)


def error_console() -> Console:
    """The console for prompts, progress and cautions."""
    return Console(file=cast(IO[str], Screen(sys.stderr)), highlight=False)


@dataclass(slots=True)
class PartLine:
    """The live line of one part: stage, time, mA, limit, progress. A watcher of the scan loop."""

    progress: Progress
    task: TaskID
    started_s: float | None = None
    shown_s: float = 0.0

    def __call__(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        """Show one scan; at most ten times a second of wall time."""
        if self.started_s is None:
            self.started_s = scan.t_s
        now_s = time.monotonic()
        if now_s - self.shown_s < REFRESH_S:
            return
        self.shown_s = now_s
        self.progress.update(
            self.task,
            completed=100.0 * (demand.progress or 0.0),
            stage=" · ".join(filter(None, (demand.stage, decision.waiting or demand.outlook))),
            clock=minutes(scan.t_s - self.started_s),
            leakage=milliamps(scan.values.get(LEAKAGE_MA)),
            limit="" if demand.limit_ma is None else f"limit {demand.limit_ma:.2f}",
        )


def minutes(seconds: float) -> str:
    """Seconds as m:ss."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def milliamps(value: float | None) -> str:
    """A leakage for the screen; no number when there is none."""
    return "  --  mA" if value is None else f"{value:6.3f} mA"


@contextmanager
def live(console: Console) -> Iterator[Progress]:
    """The area of live lines. What doesn't fit is cut from names, never from mA or limit."""
    progress = Progress(
        TextColumn("{task.description}", table_column=Column(ratio=3, no_wrap=True)),
        BarColumn(bar_width=None, table_column=Column(ratio=1, min_width=5)),
        TextColumn("{task.fields[clock]:>6}"),
        TextColumn("{task.fields[leakage]}"),
        TextColumn("[dim]{task.fields[limit]}[/]"),
        TextColumn("{task.fields[stage]}", table_column=Column(ratio=3, no_wrap=True)),
        console=console,
        expand=True,
        auto_refresh=console.is_terminal,
        disable=not console.is_terminal,  # in a file or a pipe it would be empty lines
        refresh_per_second=8,
        transient=True,
    )
    with progress:
        yield progress


def part_line(progress: Progress, title: str) -> PartLine:
    """Add the line of one part."""
    task = progress.add_task(title, total=100.0, stage="", clock="0:00", leakage="", limit="")
    return PartLine(progress, task)


def table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Table:
    """A plain table; a verdict word in a cell gets its colour besides.

    Without upright lines, so that six columns fit a screen of 80 with their words whole."""
    listed = [list(row) for row in rows]
    made = Table(
        title=title,
        title_justify="left",
        box=HORIZONTALS,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        show_lines=any("\n" in cell for row in listed for cell in row),
    )
    for head in heads:
        made.add_column(head, overflow="fold", justify="right" if head.startswith("mA") else "left")
    styles = {
        words: VERDICT_STYLE[key] for key, words in VERDICT_WORDS.items() if key in VERDICT_STYLE
    }
    for row in listed:
        made.add_row(*(f"[{styles[c]}]{c}[/]" if c in styles else c for c in row))
    return made


def amount(y_ma: float | None, u_ma: float | None, basis: str) -> str:
    """mA with U, and whether it was measured, calculated, or only known to be above."""
    if y_ma is None:
        return "--"
    if basis == "above":
        return f"above {y_ma:.2f}, cut off"
    spread = "" if u_ma is None else f" ± {u_ma:.3f}"
    return f"{y_ma:.3f}{spread} {basis}"
