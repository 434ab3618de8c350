"""milliproof tag: the label that goes on a part."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

EPILOG = """\b
Examples:
  milliproof tag P-0003
  milliproof tag R-000014 --dpi 203 --out shelf-3
  milliproof tag P-0001 --resale           (refused unless nothing speaks against it)
  milliproof tag R-000052                  (an issue record: the same tag again)

\b
RECORD is an attempt, a part (its newest attempt that is closed), or a tag's issue record.
Writes a PDF and a PNG file for 62 mm tape, and records that the tag was issued.
A GFCI, a recalled or quarantined part and anything simulated get no resale tag.
Needs the extra: pip install 'milliproof[reports]'.
Exit codes: 0 written, 2 wrong use, no such record, no resale tag for it, or a file exists."""


@click.command(epilog=EPILOG)
@click.argument("record", type=Words())
@click.option("--resale", is_flag=True, help="Let it say FOR RESALE.")
@click.option(
    "--dpi", type=click.Choice(("203", "300")), default="300", show_default=True, help="Of the PNG."
)
@click.option("--by", type=Words(100), help="Who lets it out. Else your user name.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Files to write, without .pdf and .png."
)
@with_home
@with_json
def tag(
    record: str,
    resale: bool,
    dpi: str,
    by: str | None,
    out: Path | None,
    home: Path | None,
    as_json: bool,
) -> Exit:
    """Write a part's label: verdict, mA, date, number, code."""
    from rig.commands.report import closing_named, write
    from rig.papers import TagWish, tag_of
    from rig.shop import open_store

    asked = _files(out) if out is not None else ()
    with open_store(home) as store:
        found = closing_named(store, record)
        issued, pdf, png = tag_of(store, found, TagWish(resale, int(dpi), by, asked))
    files = asked or _files(Path(issued.record.number))
    for path, data in zip(files, (pdf, png), strict=True):
        write(path, data)
    if as_json:
        told = {"issue": issued.record.number, "record": issued.closing.number}
        emit({**told, "files": [str(path) for path in files]})
    else:
        for path in files:
            click.echo(path)
    say(f"issued in {issued.record.number}, about {issued.closing.number}")
    return Exit.DONE


def _files(stem: Path) -> tuple[Path, ...]:
    return tuple(stem.with_name(f"{stem.name}{suffix}") for suffix in (".pdf", ".png"))
