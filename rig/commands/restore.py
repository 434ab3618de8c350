"""milliproof restore: a store from a backup."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.options import with_home, with_json
from rig.commands.output import say
from rig.errors import Exit

EPILOG = """\b
Examples:
  milliproof restore /media/stick/2026-11-25.sqlite
  milliproof restore shop.sqlite --store postgresql://milliproof@server/shop

\b
Only into a home without records, or an empty database: nothing is written over. The backup is read to
its end first and stays as it is; one of an older version is brought to this one. Every bench proof from
before is void afterwards. To go on signing, bring the home's keys directory back too.
Exit codes: 0 restored, 1 restored with what is wrong in it (--even-damaged), 2 refused."""


@click.command(epilog=EPILOG)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--even-damaged", is_flag=True, help="Take a backup in which something is wrong.")
@with_home
@with_json
def restore(file: Path, even_damaged: bool, home: Path | None, as_json: bool) -> Exit:
    """Make the store again from the backup FILE."""
    from results import backup as backups
    from rig.commands.backup import report
    from rig.shop import named_place

    place = named_place(home)
    copied = backups.restore(file.expanduser(), place, even_damaged)
    report(copied, as_json, f"restored to {place.name}")
    say("bench proofs from before are void: milliproof bench prove")
    return Exit.FAIL if copied.problems else Exit.DONE
