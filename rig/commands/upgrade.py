"""milliproof upgrade: a store's tables for this version."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.options import with_home, with_json
from rig.commands.output import emit, say

EPILOG = """\b
Examples:
  milliproof upgrade --store postgresql://milliproof@server/shop

\b
Makes the tables in an empty database, or brings those of an older version to this one, complete or not
at all; before that it copies everything to a file in the home. A home's own file is upgraded by itself,
with a backup beside it, as soon as something opens it. Every bench proof is void after an upgrade.
Exit codes: 0 upgraded, or nothing to do; 2 refused."""


@click.command(epilog=EPILOG)
@with_home
@with_json
def upgrade(home: Path | None, as_json: bool) -> None:
    """Bring a shop's store to this version, after a backup."""
    from results import upgrading
    from rig.home import data_dir
    from rig.shop import named_place

    place = named_place(home)
    done = upgrading.prepare(place, data_dir(home))
    if as_json:
        copy = None if done.backup is None else str(done.backup)
        emit({"store": place.name, "before": done.before, "after": done.after, "backup": copy})
        return
    if done.backup is not None:
        say(f"backup of version {done.before}: {done.backup}")
    was = "made" if done.before is None else f"was {done.before}"
    same = done.before == done.after
    click.echo(f"{place.name}: version {done.after}, {'nothing to do' if same else was}")
