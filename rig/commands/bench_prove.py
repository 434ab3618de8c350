"""milliproof bench prove: the bench proof at the start of the day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import with_bench, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from rig.run import Result

EPILOG = """\b
Examples:
  milliproof bench prove --bench my-bench.toml
  milliproof bench prove --bench virtual.toml --yes
  milliproof bench prove --bench my-bench.toml --closing

\b
At the end of the day prove it with --closing: if that fails, every pass since the last good proof goes
into quarantine, to be checked again within a week (milliproof quarantine lists them).
Not a UL 943 test, and a device's own test button is no proof. A proof holds 12 h, for the bench file
as it is, until a GFCI trip or a lockout voids it.
Exit codes: 0 proved, 2 wrong use or file, 3 ended without a result, 4 not proved or locked out."""


@click.command(epilog=EPILOG)
@with_bench
@click.option("--bay", type=int, default=1, show_default=True, help="The empty bay to prove with.")
@click.option("--closing", is_flag=True, help="The proof at the close of the day.")
@click.option("--yes", is_flag=True, help="Virtual benches only: their hands answer the prompts.")
@with_home
@with_json
def prove(
    bench_path: Path, bay: int, closing: bool, yes: bool, home: Path | None, as_json: bool
) -> Exit:
    """Prove the bench: earth, reference, GFCI, meters, contactors, watchdog, fixture.

    Energises an empty bay through the bench's own test loads.
    """
    from rig.bench_file import load_bench
    from rig.commands.tending import BEFORE, caution, refuse_yes, tender_for
    from rig.proving import at_bench, check_bay, prove_bench, quarantined_by
    from rig.screen import error_console, live, part_line
    from rig.shop import store_url

    bench = load_bench(bench_path)
    check_bay(bench, bay)
    with at_bench(bench, home, shop=store_url()) as place:
        refuse_yes(place, yes)
        caution(place, BEFORE)
        with live(error_console()) as progress:
            line = part_line(progress, "bench proof")
            tender = tender_for(place, bay, yes, progress)
            result, number = prove_bench(place, bay, tender, (line,), at_close=closing)
        body = place.store.get(number).body
        held = quarantined_by(place.store, number)
        simulated = place.ours.virtual
    if as_json:
        parts = [one.body["part"] for one in held]
        emit({"record": number, "simulated": simulated, "quarantined": parts, **body})
    else:
        show_checks(f"Bench proof {number}", ("NOT PROVED", "PROVED"), body)
    for one in held:
        say(f"{one.body['part']} is in quarantine, recheck by {one.body['recheck']}: {one.number}")
    return exit_of(result, bool(body["passed"]))


def show_checks(title: str, words: tuple[str, str], body: Any) -> None:
    """The checks of a record as a table; ``words`` for not passed and for passed."""
    rows = [
        (check["name"], _value(check), check["allowed"], _met(check), check["words"])
        for check in body["checks"]
    ]
    show_table(title, ("check", "value", "allowed", "met", "words"), rows)
    say(f"{words[body['passed']]}: {body['reason']}")


def _value(check: Any) -> str:
    value = check["value_millionths"]
    return "" if value is None else f"{value / 1e6:.4g} {check['unit']}"


def _met(check: Any) -> str:
    return {True: "yes", False: "NO", None: "not judged"}[check["met"]]


def exit_of(result: Result, passed: bool) -> Exit:
    """Passed, ended by a person, or not ready."""
    if passed:
        return Exit.DONE
    ended = result.closing["verdict"] == "aborted" and not result.lockout
    return Exit.NO_VERDICT if ended else Exit.NOT_READY
