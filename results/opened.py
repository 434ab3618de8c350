"""A bundle read again: taken apart, every byte accounted for. Whether it is true is ``judged.py``'s."""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from results import bundle, keys
from results.errors import NoBundle, ResultsError
from results.log import Head, SignedHead, head_from
from results.merkle import HASH
from results.record import parsed
from results.sections import Older, Section, Stored
from results.signing import Key, announced_in

LARGEST = (
    2**31 - 1
)  # bytes; more is no bundle of ours, and none that zip can hold without extensions
START = b"PK\x03\x04"
# whatever zipfile and zlib make of bytes that are no zip file
UNZIPPING = (
    zipfile.BadZipFile, RuntimeError, ValueError, EOFError, OSError, LookupError, OverflowError,
    struct.error, zlib.error,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Opened:
    """A bundle as it was read. ``flaws``: what can't be read as a bundle has it."""

    files: Mapping[str, bytes]
    number: str
    sections: tuple[Section, ...]
    sums_signature: bytes
    flaws: tuple[str, ...]


def opened(data: bytes, where: str) -> Opened:
    """Take a bundle apart. Raises NoBundle when it doesn't even begin like one."""
    if not data.startswith(START):
        raise NoBundle(where, "is no bundle", "name a zip file that milliproof bundle has written")
    files, flaws = _unzipped(data)
    found, number = list[Section](), ""
    try:
        number = str(json.loads(files["bundle.json"])["record"])
        for place in range(1, 1 + _chains(files)):
            found.append(_section(files, f"chain-{place}"))
    except (ResultsError, LookupError, ValueError, TypeError, RecursionError) as fault:
        flaws.append(f"can't be read as a bundle: {fault}")
    signature = files.get(bundle.SUMS_SIGNATURE, b"")
    return Opened(files, number, tuple(found), signature, (*flaws, *_uncovered(files, data)))


def head_in(data: bytes, where: str) -> Head:
    """The head of the record's bench in a bundle. Raises NoBundle."""
    read = opened(data, where)
    if not read.sections or read.sections[0].head is None:
        raise NoBundle(where, "has no head that can be read", "name a whole bundle")
    return read.sections[0].head.head


def _unzipped(data: bytes) -> tuple[dict[str, bytes], list[str]]:
    if len(data) > LARGEST:
        return {}, [f"is larger than {LARGEST} bytes"]
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            entries = file.infolist()
            if any(one.compress_type != zipfile.ZIP_STORED for one in entries):
                return {}, ["holds something compressed: not written by milliproof bundle"]
            return {one.filename: file.read(one) for one in entries}, []
    except UNZIPPING as fault:
        return {}, [f"can't be unzipped: {fault}"]


def _uncovered(files: Mapping[str, bytes], data: bytes) -> Iterator[str]:
    """What the list doesn't vouch for, and bytes of the zip file that belong to no file in it."""
    try:
        if bundle.zipped(files) != data:
            yield "has bytes that belong to no file in it, or was zipped again"
    except UNZIPPING as fault:
        yield f"can't be zipped as it was: {fault}"
    sums = files.get(bundle.SUMS, b"")
    wanted = set(bundle.listed(files).splitlines())
    given = set(sums.splitlines())
    for line in sorted(wanted - given):
        name = line[66:].decode("utf-8", "replace")
        yield f"{name} is not as the signed list has it: edited, replaced or added"
    for line in sorted(given - wanted):
        name = line[66:].decode("utf-8", "replace")
        if name.encode() not in {one[66:] for one in wanted}:
            yield f"{name} is in the signed list and not in the bundle: removed"
    if sums != bundle.listed(files) and wanted == given:
        yield "the list of its files is not in its form"


def _chains(files: Mapping[str, bytes]) -> int:
    found = {name.split("/")[0] for name in files if name.startswith("chain-")}
    if not found or found != {f"chain-{place}" for place in range(1, 1 + len(found))}:
        raise ValueError("its chains are not numbered from 1")
    return len(found)


def _section(files: Mapping[str, bytes], where: str) -> Section:
    here = {
        name[len(where) + 1 :]: raw for name, raw in files.items() if name.startswith(where + "/")
    }
    names = sorted(
        name[: -len(".json")] for name in here if name.startswith("R-") and name.endswith(".json")
    )
    records = sorted((_stored(here, name) for name in names), key=lambda one: one.record.seq)
    head = (
        SignedHead(head_from(here["head.json"]), here["head.sig"]) if "head.json" in here else None
    )
    older = tuple(_older(json.loads(here["older.json"]))) if head else ()
    bench = head.head.bench if head else records[0].record.bench
    since = head.head.signed_from if head else 1
    return Section(bench, tuple(_keys(here, since, records)), head, tuple(records), older)


def _stored(here: Mapping[str, bytes], name: str) -> Stored:
    raw, path = here[f"{name}.json"], here.get(f"{name}.path", b"")
    record = parsed(raw)
    if record.number != name or record.json != raw:
        raise ValueError(f"{name} is no record in canonical form, or another one's")
    if len(path) % HASH:
        raise ValueError(f"{name}.path is no row of hashes")
    parts = tuple(path[at : at + HASH] for at in range(0, len(path), HASH))
    return Stored(record, raw, here.get(f"{name}.sig"), parts)


def _keys(here: Mapping[str, bytes], since: int, records: list[Stored]) -> Iterator[Key]:
    """The first key as given, each later one as announced by a record; files and records must agree."""
    announced = [announced_in(one.record) for one in records if one.record.kind == "key"]
    count = sum(name.startswith("key-") for name in here)
    if count and count != 1 + len(announced):
        raise ValueError(f"{count} keys, but {len(announced)} records that announce one")
    for place in range(1, 1 + count):
        public = keys.from_pem(here[f"key-{place}.pem"])
        if public is None or (place > 1 and public != announced[place - 2].public):
            raise ValueError(f"key-{place}.pem is no key, or not the one announced")
        yield Key(place, since if place == 1 else announced[place - 2].since, public)


def _older(members: Any) -> Iterator[Older]:
    for one in members["older"]:
        proof = tuple(bytes.fromhex(part) for part in one["proof"])
        yield Older(int(one["size"]), str(one["root"]), proof)
