"""milliproof bench commission: is this bench wired as its file says, and do its protections protect?"""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.options import Words, with_bench, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

EPILOG = """\b
Examples:
  milliproof bench commission --bench my-bench.toml --by "R. Tarn, electrician"
  milliproof bench commission --bench virtual.toml --yes

\b
Stages: no mains (each output, test source and contactor alone, each interlock opened once, watchdog);
24 V instead of the mains (each feed, each bay); mains with a lamp; known leaks. About 20 minutes by
hand; a stage in which anything is not met ends it. It holds for this bench file and this version of
the program; a change of either asks for it again. The wiring is drawn in the file that milliproof
bench describe writes. A qualified person does it; local codes and licensed practice come first.
Exit codes: 0 commissioned, 2 wrong use or file, 3 ended by a person, 4 not commissioned or locked out."""


@click.command(epilog=EPILOG)
@with_bench
@click.option("--bay", type=int, default=1, show_default=True, help="The bay for lamp and leaks.")
@click.option("--by", "name", type=Words(80), help="Who answers for it. Else your login name.")
@click.option("--yes", is_flag=True, help="Virtual benches only: their hands do and answer it.")
@with_home
@with_json
def commission(
    bench_path: Path, bay: int, name: str | None, yes: bool, home: Path | None, as_json: bool
) -> Exit:
    """Lead through the commissioning of a bench: voltage last, and in steps."""
    from rig.bench_file import load_bench
    from rig.commands.bench_prove import exit_of, show_checks
    from rig.commands.tending import BEFORE, caution, refuse_yes, tender_for
    from rig.commissioning import commission_bench
    from rig.proving import at_bench, check_bay
    from rig.run import operator_name
    from rig.screen import error_console, live, part_line
    from rig.shop import store_url

    bench = load_bench(bench_path)
    check_bay(bench, bay)
    with at_bench(bench, home, shop=store_url()) as place:
        refuse_yes(place, yes)
        caution(place, BEFORE)
        with live(error_console()) as progress:
            line = part_line(progress, "commissioning")
            tender = tender_for(place, bay, yes, progress)
            by = name or operator_name()
            result, number = commission_bench(place, bay, by, tender, (line,))
        body = place.store.get(number).body
        simulated = place.ours.virtual
    if as_json:
        emit({"record": number, "simulated": simulated, **body})
    else:
        show_checks(f"Commissioning {number}", ("NOT COMMISSIONED", "COMMISSIONED"), body)
    if body["passed"]:
        say(f"Next: milliproof bench prove --bench {bench_path}")
    return exit_of(result, bool(body["passed"]))
