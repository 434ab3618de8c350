"""Papers and tags from the command line: what is wanted, refused or issued, and made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from results import custody, issuing, resale
from results.copying import refuse_existing
from results.errors import NotFound, ReportImpossible
from results.issuing import Issued, Order
from results.report import forms, making, seal, tag
from results.report.typeset import INSTALL
from rig.who import operator_name

if TYPE_CHECKING:
    from results.record import Record
    from results.store import Store

NEEDED = ("typst", "pyhanko", "segno")


@dataclass(frozen=True, slots=True)
class Wish:
    """What was asked for. ``by`` None: whoever is logged in."""

    form: str
    paper: str
    by: str | None = None
    references: tuple[str, ...] = ()
    statements: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TagWish:
    """What was asked for: whether it shall say that the part may be sold, dots per inch, the files."""

    resale: bool
    dpi: int
    by: str | None
    files: tuple[Path, ...]


def report_of(store: Store, found: Record, wish: Wish, out: Path | None) -> tuple[Issued, bytes]:
    """A sealed report about a closing, or the one of an issue record again; what can be refused is
    refused before anything is on record."""
    _refuse_missing()
    if out is not None:
        refuse_existing(out)
    sealing = seal.seal_of(store.keyring, found.bench)
    if found.kind != issuing.KIND:
        _refuse(store, found, wish.form)
        found = issuing.issue(store, found.number, _order(wish, sealing.sha256))
    if found.body["form"] not in forms.FORMS:
        raise NotFound(f"issue {found.number}", "is no report", "print it again: milliproof tag")
    if found.body["certificate"] != sealing.sha256:
        what = "was sealed by a key that is not here any more"
        raise ReportImpossible(f"issue {found.number}", what, "issue another paper")
    again = issuing.issued(store, found.number)
    return again, making.paper(again, sealing)


def _order(wish: Wish, certificate: str) -> Order:
    by = wish.by or operator_name()
    what = (wish.form, wish.paper, by, making.program(), certificate)
    return Order(*what, references=wish.references, statements=wish.statements)


def _refuse(store: Store, closing: Record, form: str) -> None:
    if closing.kind != "closing":
        what = f"is no attempt but of kind {closing.kind}"
        raise ReportImpossible(f"record {closing.number}", what, "`history` lists attempts")
    opening = store.get(str(closing.body["opening"]))
    forms.check(form, closing.number, closing.body, opening.body)


def _refuse_missing() -> None:
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise ReportImpossible("report", f"not installed: {', '.join(missing)}", INSTALL)


def tag_of(store: Store, found: Record, wish: TagWish) -> tuple[Issued, bytes, bytes]:
    """A tag about a closing, or the one of an issue record again: PDF and PNG."""
    _refuse_missing()
    for path in wish.files:
        refuse_existing(path)
    if found.kind != issuing.KIND:
        line = _resale_line(store, found, wish.resale)
        by = wish.by or operator_name()
        what = (tag.FORM, tag.PAPER, by, making.program(), "")
        order = Order(*what, statements={tag.RESALE: line})
        found = issuing.issue(store, found.number, order)
    if found.body["form"] != tag.FORM:
        raise NotFound(f"issue {found.number}", "is no tag", "print it again: milliproof report")
    again = issuing.issued(store, found.number)
    return again, *tag.tag(again, wish.dpi)


def _resale_line(store: Store, closing: Record, asked: bool) -> str:
    """What the tag says of selling the part; refused where it was asked to say more."""
    _refuse(store, closing, "report")
    part = str(store.get(str(closing.body["opening"])).body["part"])
    against = list(_against(store, part, closing))
    if asked and against:
        remedy = "without --resale you get a tag that says so"
        raise ReportImpossible(f"part {part}", f"no resale tag: {'; '.join(against)}", remedy)
    if closing.simulated:
        return tag.SIMULATED
    if against:
        return tag.NOT_FOR_RESALE
    return tag.FOR_RESALE if asked else tag.NOT_RELEASED


def _against(store: Store, part: str, closing: Record) -> Iterator[str]:
    """Whatever speaks against selling a part by this attempt."""
    if closing.body["verdict"] != "pass":
        yield f"{closing.number} is no pass"
    with store._reading() as connection:
        standing = custody.standing(connection, part, closing.simulated)
    yield from resale.refusals(standing)
    newest = standing.counted
    if newest is not None and newest.closing != closing.number:
        yield f"{closing.number} is not its newest attempt"
