"""milliproof run: prove one part in one bay."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import Finite, Words, with_bench, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

if TYPE_CHECKING:
    from rig.proving import Job, Place
    from rig.run import Result

UNLOCK_S = 0.5  # a lid's lock takes its time; after a crash it was locked until just now
VERDICT_EXIT = {"pass": Exit.DONE, "fail": Exit.FAIL}
EPILOG = """\b
Examples:
  milliproof run --bench my-bench.toml --bay 1 --part P-0007
  milliproof run --bench my-bench.toml --bay 2 --part P-0007 --change "dried 24 h at 40 °C"
  milliproof run --bench virtual.toml --bay 1 --part P-0001 --yes

\b
Ctrl-C at any moment: off, proved off, the attempt closed as aborted with its readings.
Exit codes: 0 pass, 1 fail, 2 wrong use or file, 3 no verdict, 4 bench locked out or not proved."""


class HandOption(click.ParamType[tuple[str, float]]):
    """QUANTITY=NUMBER."""

    name = "quantity=number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, float]:
        quantity, _, number = str(value).partition("=")
        return quantity.strip(), Finite().convert(number, param, ctx)


@click.command(epilog=EPILOG)
@with_bench
@click.option("--bay", type=int, required=True, help="The bay that the part is in.")
@click.option("--part", "number", required=True, help="Its number from milliproof intake.")
@click.option("--change", type=Words(), default="", help="What was done since the last attempt.")
@click.option("--hand", type=HandOption(), multiple=True, help="A value from a hand instrument.")
@click.option("--polarisation", is_flag=True, help="Hold the insulation test for ten minutes.")
@click.option("--yes", is_flag=True, help="Virtual benches only: their hands answer the prompts.")
@with_home
@with_json
def run(
    bench_path: Path,
    bay: int,
    number: str,
    change: str,
    hand: tuple[tuple[str, float], ...],
    polarisation: bool,
    yes: bool,
    home: Path | None,
    as_json: bool,
) -> Exit:
    """Prove a part: dead tests, limited step, each required condition, function, verdict."""
    from rig.bench_file import load_bench
    from rig.commands.tending import AFTER, BEFORE, caution, refuse_yes
    from rig.hand_instruments import hand_values
    from rig.proving import at_bench, check_bay, find_part, prepare
    from rig.shop import store_url

    bench = load_bench(bench_path)
    check_bay(bench, bay)
    with at_bench(bench, home, shop=store_url()) as place:
        part = find_part(place.store, number, change)
        refuse_yes(place, yes)
        values = hand_values(bench, place.store, dict(hand), ask)
        job = prepare(place, part, values, polarisation)
        caution(place, BEFORE)
        for words in job.family.cautions if yes else ():  # else the first prompt says them
            say(words)
        mount(place, bay, part.serial)
        result = _prove(place, job, bay, yes, values)
        caution(place, AFTER)
    _tell(result, as_json)
    if result.lockout:
        return Exit.NOT_READY
    return VERDICT_EXIT.get(result.closing["verdict"], Exit.NO_VERDICT)


def ask(words: str) -> str:
    """Ask on stderr: stdout is for the result."""
    return str(click.prompt(words, err=True))


def mount(place: Place, bay: int, serial: str) -> None:
    """Have the virtual bench's hands clip the part into the bay; a person does it at a real one."""
    if place.ours.remote is not None:
        place.ours.clock.sleep_until(place.ours.clock.now_s() + UNLOCK_S)
        place.ours.remote.hands("lid", closed=False)
        place.ours.remote.hands("unmount", bay=bay)
        place.ours.remote.hands("mount", bay=bay, serial=serial)


def _prove(place: Place, job: Job, bay: int, yes: bool, values: Any) -> Result:
    from rig.commands.tending import tender_for
    from rig.proving import prove_part
    from rig.screen import error_console, live, part_line

    with live(error_console()) as progress:
        line = part_line(progress, f"{job.part.number} {job.part.model}")
        tender = tender_for(place, bay, yes, progress)
        return prove_part(place, job, bay, tender, values, (line,))


def _tell(result: Result, as_json: bool) -> None:
    from rig.commands.show import show_record

    if result.record is None:
        return
    if as_json:
        emit({"record": result.record.number, **dict(result.record.body)})
    else:
        show_record(result.record)
    if result.fault is not None:
        say(f"the program failed and the bench was switched off: {result.fault!r}")
