"""milliproof report: an attempt on paper, sealed, and on record as issued."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

if TYPE_CHECKING:
    from results.record import Record
    from results.store import Store

FORMS = ("report", "claim", "letter", "plain")
PAPERS = ("letter", "a4")
EPILOG = """\b
Examples:
  milliproof report R-000014
  milliproof report P-0003 --form claim --reference "claim 4711" --paper a4
  milliproof report P-0006 --form letter --by "R. Tarn"
  milliproof report R-000051               (an issue record: the same paper again, the same bytes)

\b
report: used-part test report, two pages. claim: for the supplier of a part that failed.
letter: no fault found, for a part that passed. plain: one page for a customer.
RECORD is an attempt, a part (its newest attempt that is closed), or an issue record.
The raw record, its readings and a bundle are attached to the file: milliproof verify FILE.
Needs the extra: pip install 'milliproof[reports]'.
Exit codes: 0 written, 2 wrong use, no such record, nothing to say in that form, or the file exists."""


def closing_named(store: Store, name: str) -> Record:
    """The closing that a record or part number names, or its issue record. Raises NotFound."""
    from results.errors import NotFound

    if name.strip().upper().startswith("P-"):
        part = str(store.part(name).body["part"])
        newest = next((one for one in store.history(None, part=part) if one.closing), None)
        if newest is None or newest.closing is None:
            raise NotFound(f"part {part}", "no attempt on it is closed", "prove it: milliproof run")
        return store.get(newest.closing)
    found = store.get(name)
    closing = store.closing_of(found.number) if found.kind == "opening" else found
    if closing is None:
        raise NotFound(f"record {found.number}", "is still open", "wait for its result")
    return closing


def references(given: Sequence[str]) -> tuple[str, ...]:
    """What others call it, each once."""
    return tuple(dict.fromkeys(one for one in given if one))


def write(path: Path, data: bytes) -> None:
    """A file that was not there before, whole or not at all."""
    from results.copying import published

    with published(path) as draft:
        draft.write_bytes(data)


@click.command(epilog=EPILOG)
@click.argument("record", type=Words())
@click.option("--form", type=click.Choice(FORMS), default="report", show_default=True)
@click.option("--paper", type=click.Choice(PAPERS), default="letter", show_default=True)
@click.option("--by", type=Words(100), help="Who lets it out. Else your user name.")
@click.option(
    "--reference", "named", multiple=True, type=Words(80), help="Number others know it by."
)
@click.option("--statement", type=Words(500), default="", help="What the shop states besides.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="File to write. Else its number, .pdf."
)
@with_home
@with_json
def report(
    record: str,
    form: str,
    paper: str,
    by: str | None,
    named: tuple[str, ...],
    statement: str,
    out: Path | None,
    home: Path | None,
    as_json: bool,
) -> Exit:
    """Write a sealed report about an attempt, and record that it was issued."""
    from rig.papers import Wish, report_of
    from rig.shop import open_store

    said = {"statement": statement} if statement else {}
    wish = Wish(form, paper, by, references(named), said)
    with open_store(home) as store:
        issued, data = report_of(store, closing_named(store, record), wish, out)
    path = out or Path(f"{issued.record.number}.pdf")
    write(path, data)
    told = {"issue": issued.record.number, "record": issued.closing.number, "file": str(path)}
    key = issued.head.head.key
    if as_json:
        more = {"bytes": len(data), "key": key, "certificate": issued.record.body["certificate"]}
        emit({**told, **more, "form": issued.record.body["form"]})
    else:
        click.echo(path)
    say(f"issued in {issued.record.number}, about {issued.closing.number}; its key: {key}")
    return Exit.DONE
