"""A bundle: everything about one record in one zip file that a stranger can check.

The same records give the same bytes: nothing in it says when or where it was made, and nothing is
compressed. ``opened.py`` makes it again from what it reads, so that no byte escapes. In it are::

    CHECK.txt                how to check it with sha256sum and openssl
    SHA256SUMS, .sig         each other file; signed by the key of the record's bench
    bundle.json              which record it is about
    chain-1/                 the chain of that record; chain-2, ... what else belongs to it
      key-1.pem, ...         its public keys
      head.json, head.sig    its signed head (``log.py``)
      older.json             proofs that this head follows heads that were given away before
      R-000123.json          a record's bytes, with .sig its signature, .path its proof of inclusion
    trace/R-000123.bin       its readings as stored (``trace.py``), .csv the same for people
    photos/<sha256>.<type>, report.pdf    as far as there are any
"""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection, select

from results import trace
from results.check_text import check_text
from results.errors import BadRecord, NotFound
from results.keys import pem
from results.log import Head
from results.record import canonical
from results.sections import Older, Section, sections
from results.tables import TRACES

if TYPE_CHECKING:
    from results.store import Store

FORM = 1
SUMS, SUMS_SIGNATURE = "SHA256SUMS", "SHA256SUMS.sig"
UNLISTED = (SUMS, SUMS_SIGNATURE)
FIRST = ("CHECK.txt", *UNLISTED)
ATTACHED = ("photos/", "report.pdf")  # what others may add begins with one of these
EPOCH = (1980, 1, 1, 0, 0, 0)
REGULAR = 0o100644 << 16
UNIX = 3
Files = Mapping[str, bytes]


def bundle(
    store: Store, number: str, attached: Files | None = None, since: Sequence[Head] = ()
) -> bytes:
    """The bundle about a record. ``attached``: photos and report by their names in it; ``since``:
    heads that its own is shown to follow.

    Signs the heads of its chains and keeps them as given away. Raises NotFound, ChainBroken, BadRecord
    (an attached name that no bundle has), KeyUnusable (only where the bench's key is can a bundle be
    made).
    """
    for name in attached or ():
        if not name.startswith(ATTACHED):
            raise BadRecord(
                f"{name!r}", "has no place in a bundle", f"one of {', '.join(ATTACHED)}"
            )
    with store._writing() as connection:
        main, found = sections(connection, store.keyring, number, since)
        read = dict(traces(connection, found))
    files = unsigned(main.number, found, {**read, **(attached or {})})
    signer = store.keyring.load(main.bench, found[0].keys[-1].mark)
    return zipped({**files, SUMS_SIGNATURE: signer.sign(files[SUMS])})


def directories(found: Sequence[Section]) -> list[tuple[str, Section]]:
    """Each section with its directory in the bundle."""
    return [(f"chain-{place}", one) for place, one in enumerate(found, start=1)]


def zipped(files: Files) -> bytes:
    """One zip file, always the same for the same files."""
    out = io.BytesIO()
    names = [name for name in FIRST if name in files]
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as file:
        for name in names + sorted(files.keys() - set(names)):
            info = zipfile.ZipInfo(name, EPOCH)
            info.create_system, info.external_attr = UNIX, REGULAR
            file.writestr(info, files[name])
    return out.getvalue()


def listed(files: Files) -> bytes:
    """The text of SHA256SUMS."""
    names = sorted(name for name in files if name not in UNLISTED)
    return "".join(f"{hashlib.sha256(files[n]).hexdigest()}  {n}\n" for n in names).encode()


def in_csv(columns: Mapping[str, Sequence[int | None]]) -> bytes:
    """A trace for people: a row of names, then one row a scan; a gap is empty, never 0."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")  # RFC 4180
    rows.writerow(columns)
    rows.writerows(zip(*columns.values(), strict=True))
    return out.getvalue().encode()


def older_json(older: Iterable[Older]) -> bytes:
    """The text of older.json."""
    proofs = [
        {"proof": [part.hex() for part in one.proof], "root": one.root, "size": one.size}
        for one in older
    ]
    return canonical({"older": proofs})


def about_json(number: str) -> bytes:
    """The text of bundle.json."""
    return canonical({"bundle": FORM, "record": number})


def unsigned(number: str, found: Sequence[Section], more: Files) -> Files:
    """All files of a bundle but the signature over their list. ``more``: traces and attached ones."""
    places = directories(found)
    files: dict[str, bytes] = {"bundle.json": about_json(number), **more}
    records = dict[str, str]()  # by number, the directory that its record is in
    for where, section in places:
        files |= dict(_section_files(where, section))
        records |= {one.record.number: where for one in section.records}
    files["CHECK.txt"] = check_text(places, _with_traces(files, records)).encode()
    return {**files, SUMS: listed(files)}


def _with_traces(files: Files, records: Mapping[str, str]) -> list[tuple[str, str]]:
    """(path of a trace without its ending, path of its record)."""
    numbers = [number for number in records if f"trace/{number}.bin" in files]
    return [(f"trace/{one}", f"{records[one]}/{one}.json") for one in sorted(numbers)]


def _section_files(where: str, section: Section) -> Iterator[tuple[str, bytes]]:
    for key in section.keys:
        yield f"{where}/key-{key.place}.pem", pem(key.public)
    if section.head is not None:
        yield f"{where}/head.json", section.head.head.json
        yield f"{where}/head.sig", section.head.signature
        yield f"{where}/older.json", older_json(section.older)
    for one in section.records:
        name = f"{where}/{one.record.number}"
        yield f"{name}.json", one.raw
        if one.signature is not None:
            yield f"{name}.sig", one.signature
        if section.head is not None:
            yield f"{name}.path", b"".join(one.path)


def traces(connection: Connection, found: Iterable[Section]) -> Iterator[tuple[str, bytes]]:
    """Each reading of these attempts, twice: as stored, and for people."""
    for one in (one for section in found for one in section.records):
        named = one.record.body.get("trace")
        if not named:
            continue
        query = select(TRACES.c.bytes).where(TRACES.c.sha256 == named["sha256"])
        blob = connection.execute(query).scalar()
        if blob is None:
            raise NotFound(
                f"record {one.record.number}", "its trace is missing", "restore a backup"
            )
        yield f"trace/{one.record.number}.bin", bytes(blob)
        yield f"trace/{one.record.number}.csv", in_csv(trace.decode(blob))
