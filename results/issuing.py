"""Issuing: a paper that leaves the shop is a record of its own, and that record fixes what it says.

The body of an ``issue`` record has::

    closing         which attempt the paper is about
    part            of which part; "" for a bench proof
    form, paper     which kind of paper on which size (``report.forms``)
    by, program     who let it out, and what set it
    certificate     SHA-256 of the certificate that seals it (``report.seal``), hexadecimal
    earlier         openings of every attempt on the part before this one
    records         every record that the paper and its bundle speak of
    heads           the head of each of their chains as it was given away: {"json", "signature"}
    sums_signature  the bench's signature over the bundle's SHA256SUMS, hexadecimal
    references      what others call it: their claim or order numbers
    statements      what the shop states besides, word for word, by name

So the same issue record gives the same paper again, byte for byte before it is sealed, and the same
bundle, even after the key was changed. The record follows the newest one of its head: ``prev`` is the
head's ``last``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from results import appending, bundle, history, sections, signing
from results.errors import BadRecord, NotFound
from results.log import SignedHead, head_from
from results.record import Record
from results.sections import Section, Stored
from results.store import Store

KIND = "issue"
Files = Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class Order:
    """What shall be issued, by whom, sealed by which certificate (SHA-256, hexadecimal)."""

    form: str
    paper: str
    by: str
    program: str
    certificate: str
    references: tuple[str, ...] = ()
    statements: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Issued:
    """An issue record, its signature, and the files and chains of its bundle (without photos)."""

    record: Record
    signature: bytes
    sections: tuple[Section, ...]
    files: Files

    @property
    def bundle(self) -> bytes:
        """The zip file that goes with the paper."""
        return bundle.zipped(self.files)

    @property
    def stored(self) -> Mapping[str, Stored]:
        """Every record that it speaks of, by number."""
        return {one.record.number: one for part in self.sections for one in part.records}

    @property
    def closing(self) -> Record:
        """The attempt's closing record."""
        return self.stored[str(self.record.body["closing"])].record

    @property
    def opening(self) -> Record:
        """The attempt's opening record."""
        return self.stored[str(self.closing.body["opening"])].record

    @property
    def head(self) -> SignedHead:
        """The head of the attempt's bench. Raises NotFound."""
        head = self.sections[0].head
        if head is None:
            raise NotFound(f"issue {self.record.number}", "names no head of its bench")
        return head


def issue(store: Store, closing: str, order: Order) -> Record:
    """Record that a paper about ``closing`` is let out; the record.

    Raises NotFound, BadRecord (no closing record), KeyUnusable (only where the bench's key is can
    anything be issued).
    """
    with store._writing() as connection:
        main, found = sections.sections(connection, store.keyring, closing)
        if main.kind != "closing":
            remedy = "name its closing record; `history` lists them"
            raise BadRecord(f"record {main.number}", f"is no result but {main.kind}", remedy)
        fixed = [_as_of(connection, one, _numbers(found)) for one in found]
        files = bundle.unsigned(main.number, fixed, dict(bundle.traces(connection, fixed)))
        signer = store.keyring.load(main.bench, fixed[0].keys[-1].mark)
        body = _body(order, main, fixed, signer.sign(files[bundle.SUMS]))
        what = appending.given(KIND, main.bench, body, None, None)
        record = appending.insert(connection, what, store.keyring)
    if store.shop is not None:
        store.shop.exchange()
    return record


def issued(store: Store, number: str) -> Issued:
    """What was issued in record ``number``, again. Raises NotFound, BadRecord, ChainBroken."""
    with store._reading() as connection:
        record = history.by_number(connection, number)
        if record is None or record.kind != KIND:
            raise NotFound(f"issue {number}", "no such issue record", "`report` makes one")
        found = [_again(connection, record, head) for head in _heads(record)]
        closing = str(record.body["closing"])
        files = bundle.unsigned(closing, found, dict(bundle.traces(connection, found)))
        mine = next(s for s in sections.stored(connection, record.bench, [number]))
    sums = {bundle.SUMS_SIGNATURE: bytes.fromhex(record.body["sums_signature"])}
    return Issued(record, mine.signature or b"", tuple(found), {**files, **sums})


def of_closing(store: Store, closing: str) -> list[Record]:
    """What was issued about an attempt, newest first."""
    return store.every(KIND, where={"closing": closing})


def _numbers(found: Sequence[Section]) -> list[str]:
    return [one.record.number for section in found for one in section.records]


def _body(order: Order, main: Record, fixed: Sequence[Section], signature: bytes) -> dict[str, Any]:
    opening = str(main.body["opening"])
    records = [one.record for section in fixed for one in section.records]
    part = next(str(one.body["part"]) for one in records if one.number == opening)
    tried = [one for one in records if one.kind == "opening" and one.number != opening]
    return {
        "closing": main.number,
        "part": part,
        "form": order.form,
        "paper": order.paper,
        "by": order.by,
        "program": order.program,
        "certificate": order.certificate,
        "references": list(order.references),
        "statements": dict(order.statements),
        "earlier": [one.number for one in tried if part and one.body["part"] == part],
        "records": [one.number for one in records],
        "heads": [_head_body(section) for section in fixed],
        "sums_signature": signature.hex(),
    }


def _head_body(section: Section) -> dict[str, Any]:
    """A chain's head; of another bench's chain that nobody here can sign for there may be none."""
    if section.head is None:
        return {"bench": section.bench, "json": "", "signature": ""}
    head = section.head
    raw = head.head.json.decode()
    return {"bench": section.bench, "json": raw, "signature": head.signature.hex()}


def _heads(record: Record) -> list[tuple[str, SignedHead | None]]:
    found: list[tuple[str, SignedHead | None]] = []
    for one in record.body["heads"]:
        signature = bytes.fromhex(one["signature"])
        raw = one["json"].encode()
        found.append((one["bench"], SignedHead(head_from(raw), signature) if raw else None))
    return found


def _as_of(connection: Connection, section: Section, numbers: Sequence[str]) -> Section:
    return _fixed(connection, section.bench, section.head, numbers)


def _again(connection: Connection, record: Record, head: tuple[str, SignedHead | None]) -> Section:
    return _fixed(connection, *head, record.body["records"])


def _fixed(
    connection: Connection, bench: str, head: SignedHead | None, numbers: Sequence[str]
) -> Section:
    """One chain as that head has it, whatever has come since: records, keys, proofs."""
    records = sections.stored(connection, bench, numbers)
    if head is not None:
        records = sections.proved(connection, records, head.head)
    size = head.head.size if head else records[-1].record.seq
    keys = tuple(key for key in signing.keys_of(connection, bench) if key.since <= size + 1)
    return Section(bench, keys, head, tuple(records), ())
