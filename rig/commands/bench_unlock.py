"""milliproof bench unlock: a person clears a lockout, with a reason and a name, on record."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.options import Words, with_bench, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

EPILOG = """\b
Examples:
  milliproof bench unlock --bench my-bench.toml --by "R. Tarn" \\
      --reason "contactor 2 replaced, wired and tried without mains"

\b
A bench is locked out when off could not be proved. Lock out and tag out the supply, test before touch,
find the cause; unlock only then. It needs a new bench proof afterwards.
Exit codes: 0 unlocked, 2 wrong use, or the bench was not locked out."""


@click.command(epilog=EPILOG)
@with_bench
@click.option("--reason", required=True, type=Words(), help="What was found and done.")
@click.option("--by", "name", required=True, type=Words(80), help="Who answers for it.")
@with_home
@with_json
def unlock(bench_path: Path, reason: str, name: str, home: Path | None, as_json: bool) -> Exit:
    """Clear a bench's lockout, on record."""
    from rig.bench_file import load_bench
    from rig.home import bench_lock
    from rig.lockout import clear

    bench = load_bench(bench_path)
    with bench_lock(bench.id):
        record, lockout = clear(bench, home, reason, name)
    if as_json:
        emit({"bench": bench.id, "was": lockout.reason, "record": record.number})
    say(f"bench {bench.id} unlocked on record {record.number}; it was locked out: {lockout.reason}")
    say(f"Next: milliproof bench prove --bench {bench_path}")
    return Exit.DONE
