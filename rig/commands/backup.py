"""milliproof backup: the whole store as one file, while it is in use."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.history import when
from rig.commands.options import with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

if TYPE_CHECKING:
    from results.backup import Copied

SHOWN = 20  # of what is wrong; more of it says no more
EPILOG = """\b
Examples:
  milliproof backup /media/stick/2026-11-25.sqlite
  milliproof backup shop.sqlite --store postgresql://milliproof@server/shop

\b
Made while benches work, and read back before it counts: each record's hash, place and trace. It is an
SQLite file like a home's records, whichever store it is from. Private keys are not in it: keep a copy
of the home's keys directory apart from it, where only you get at it.
Exit codes: 0 made and whole, 1 made, but something is wrong in the store itself, 2 not made."""


@click.command(epilog=EPILOG)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@with_home
@with_json
def backup(file: Path, home: Path | None, as_json: bool) -> Exit:
    """Copy all records to a new FILE and read it back."""
    from results import backup as backups
    from rig.shop import named_store

    with named_store(home) as store:
        copied = backups.backup(store, file.expanduser().absolute())
    report(copied, as_json, f"backup {file}")
    return Exit.FAIL if copied.problems else Exit.DONE


def report(copied: Copied, as_json: bool, done: str) -> None:
    """What a copy holds on stdout; what is wrong in it, line by line, for the person."""
    newest = "none" if copied.newest_ms is None else f"{when(copied.newest_ms)} UTC"
    if as_json:
        emit(
            {
                "where": copied.where,
                "records": copied.records,
                "chains": copied.chains,
                "newest_ms": copied.newest_ms,
                "problems": list(copied.problems),
            }
        )
    else:
        click.echo(f"{done}: {copied.records} records, {copied.chains} chains, newest {newest}")
    for problem in copied.problems[:SHOWN]:
        say(f"wrong in it: {problem}")
    if len(copied.problems) > SHOWN:
        say(f"and {len(copied.problems) - SHOWN} more")
