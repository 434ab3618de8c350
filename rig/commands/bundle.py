"""milliproof bundle: a record and all that belongs to it in one file that a stranger can check."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

if TYPE_CHECKING:
    from results.log import Head

EPILOG = """\b
Examples:
  milliproof bundle R-000014
  milliproof bundle R-000014 --out claim.zip
  milliproof bundle R-000020 --since R-000014.zip    (proves that the log goes on from that bundle's)

\b
Give the key's fingerprint to whoever gets the bundle by another way: on paper, by telephone. In the
bundle is CHECK.txt: how to check it with sha256sum and openssl, without this program.
Exit codes: 0 written, 2 no such record, no key here, or the file exists."""


def _head(path: Path) -> Head:
    from results.errors import disk_trouble
    from results.opened import head_in

    try:
        return head_in(path.read_bytes(), str(path))
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault


def _write(path: Path, data: bytes) -> None:
    from results.copying import published

    with published(path) as draft:
        draft.write_bytes(data)


@click.command(epilog=EPILOG)
@click.argument("record", type=Words())
@click.option("--out", type=click.Path(path_type=Path), help="File to write. Else RECORD.zip.")
@click.option(
    "--since",
    multiple=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="An older bundle of the same bench, to be followed by proof.",
)
@with_home
@with_json
def bundle(
    record: str, out: Path | None, since: tuple[Path, ...], home: Path | None, as_json: bool
) -> Exit:
    """Write a record with all that proves it into one zip file."""
    from results import bundle as bundles
    from results.opened import head_in
    from rig.attached import attached
    from rig.shop import open_store

    older = [_head(path) for path in since]
    with open_store(home) as store:
        number = store.get(record).number
        data = bundles.bundle(store, number, attached(store, number), older)
    path, head = out or Path(f"{number}.zip"), head_in(data, number)
    _write(path, data)
    told = {"record": number, "file": str(path), "bytes": len(data), "key": head.key}
    if as_json:
        emit({**told, "sha256": hashlib.sha256(data).hexdigest(), "bench": head.bench})
    else:
        click.echo(path)
    say(f"{number} of {head.bench}, {len(data)} bytes; its key has the fingerprint {head.key}")
    return Exit.DONE
