"""The schema of records, as data, and how they are chained.

A record is one JSON object with exactly these members::

    at_ms      UTC, milliseconds since 1970-01-01
    bench      whose chain this is; "" is the shop's own, for what belongs to no bench
    body       what happened, by kind (see ``REQUIRED``)
    format     1
    kind       one of ``KINDS``
    number     unique in the home, R-000001 upwards; R-A000001 in the first home of a shop's store
    prev       SHA-256 of the record before it in the same bench's chain, 64 hexadecimal digits
    seq        place in the bench's chain, from 1 without gaps
    simulated  true: virtual bench; false: real bench; null: registered before either was known

Its bytes are the canonical form of RFC 8785 (UTF-8, members sorted, no white space), and its hash is
the SHA-256 of exactly those bytes, nothing added; ``prev`` is one of the members, so each hash covers
all records before it. The first record of a chain has 64 zeros. Anyone can repeat it: write the
``json`` column of one row to a file without a final newline, run ``sha256sum`` on it, and compare with
``prev`` of the row with the next ``seq``.

Numbers are integers (µA, mV, ms, mohm; the unit is in the name), smaller than 2**53 in magnitude, so
that every JSON reader sees the same value. Floats are refused.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785

from results.errors import BadRecord, ChainBroken, NotFound

FORMAT = 1
FIRST_PREV = "0" * 64
LARGEST = 2**53 - 1  # RFC 8785 appendix D and RFC 7493 2.2: beyond it readers differ
DEEPEST = 20
BLOCK = 10**15  # a number as an integer: its home's place in the shop times this, plus its count
NUMBER = re.compile(r"([A-Z]{0,2})([0-9]{1,15})")  # without prefix: the home's letters, the count
SHOP = "shop"  # the chain of what no bench has done; in a shop of many homes shop-A, shop-B, ...
VERDICTS = ("pass", "fail", "none", "aborted", "interrupted")

# kind: what its body must have, and of which type. More is allowed; less is not.
REQUIRED: Mapping[str, Mapping[str, type]] = {
    "intake": {"family": str, "serial": str},  # "part" is given by the store when absent
    "opening": {"part": str, "family": str},  # part "" in a bench proof
    "closing": {
        "opening": str,
        "verdict": str,
        "rule": str,
        "reason": str,
        "conditions": list,
        "checks": list,
        "limits": list,
        "cause": str,
        "disposition": str,
        "cautions": list,
        "facts": dict,
    },
    "bench_proof": {
        "passed": bool,
        "reason": str,
        "digest": str,  # of the bench file that was proved
        "fixture_ua": dict,
        "checks": list,
    },
    "commissioning": {
        "passed": bool,
        "reason": str,
        "digest": str,  # it holds for this one bench file
        "version": str,  # and for this one version of the program
        "by": str,
        "stages": list,
        "checks": list,
    },
    "limit_approval": {"name": str, "version": str, "by": str},
    "hand_instrument": {"quantity": str, "instrument": str, "calibrated": str},
    "isolation": {"spa": str, "by": str, "what": str, "step": int, "off": list, "answer": str},
    "lockout": {"reason": str},
    "unlock": {"reason": str, "by": str},
    # the chain's next key: hexadecimal, its fingerprint, rotation or lost, who answers for it, why
    "key": {"public": str, "fingerprint": str, "why": str, "by": str, "reason": str},
    # where a part is and what becomes of it (custody.py, resale.py); the store fills in the rest
    "custody": {"part": str, "to": str, "by": str},
    "disposition": {"part": str, "what": str, "by": str},
    "sale": {"part": str, "buyer": str, "by": str},
    "quarantine": {"part": str, "reason": str, "by": str, "recheck": str},
    "release": {"part": str, "reason": str, "by": str},
    "recall": {
        "family": str,
        "model": str,
        "date_code": str,
        "serial": str,
        "reason": str,
        "by": str,
    },
    "amendment": {"amends": str, "words": str, "by": str},
    # a paper that left the shop, with the heads and the records that it speaks of (issuing.py)
    "issue": {
        "closing": str,
        "part": str,
        "form": str,
        "paper": str,
        "by": str,
        "program": str,
        "certificate": str,
        "earlier": list,
        "records": list,
        "heads": list,
        "sums_signature": str,
    },
}
KINDS = tuple(REQUIRED)
# These may be kept before it is known whether the home is simulated: a plate, a limit, a hand
# instrument and a key are what they are on either bench.
BENCHLESS = frozenset(
    {
        *("intake", "limit_approval", "hand_instrument", "isolation", "key"),
        *("custody", "disposition", "sale", "quarantine", "release", "recall", "amendment"),
    }
)
OF_PART = frozenset(  # these are found by the part that they name
    {"intake", "opening", "custody", "disposition", "sale", "quarantine", "release", "amendment"}
)


@dataclass(frozen=True, slots=True)
class Record:
    """One record as stored. ``body`` is a copy of its own; changing it changes nothing stored."""

    kind: str
    bench: str
    number: str
    seq: int
    at_ms: int
    simulated: bool | None
    prev: str
    body: Mapping[str, Any]
    format: int = FORMAT

    @property
    def json(self) -> bytes:
        """The canonical bytes that are hashed."""
        return canonical({name: getattr(self, name) for name in MEMBERS})

    def around(self, body: bytes) -> bytes:
        """The same bytes as ``json``, from those of the body: it is by far the most of them."""
        before = rfc8785.dumps({"at_ms": self.at_ms, "bench": self.bench})
        names = ("format", "kind", "number", "prev", "seq", "simulated")
        after = rfc8785.dumps({name: getattr(self, name) for name in names})
        return before[:-1] + b',"body":' + body + b"," + after[1:]

    @property
    def sha256(self) -> str:
        """Its hash, the ``prev`` of the next record of this bench."""
        return hashlib.sha256(self.json).hexdigest()


MEMBERS: Mapping[str, tuple[type, ...]] = {
    "at_ms": (int,),
    "bench": (str,),
    "body": (dict,),
    "format": (int,),
    "kind": (str,),
    "number": (str,),
    "prev": (str,),
    "seq": (int,),
    "simulated": (bool, type(None)),
}


def canonical(body: Mapping[str, Any]) -> bytes:
    """RFC 8785 bytes of ``body``. Raises BadRecord for floats, large integers, other types."""
    for where, what in _faults(body, "record", 0):
        raise BadRecord(where, what, "keep integers in the unit that the name says")
    try:
        return _written(body)
    except (rfc8785.CanonicalizationError, UnicodeError, TypeError) as fault:
        raise BadRecord("record", str(fault), "keep to valid Unicode text") from fault


def _written(body: Mapping[str, Any]) -> bytes:
    """What the standard library writes of text, integers, true, false and null is RFC 8785 already, at
    a tenth of the cost, but for the order of names with signs beyond U+FFFF: by UTF-16 there."""
    text = json.dumps(dict(body), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    if len(text.encode("utf-16-le")) == 2 * len(text):
        return text.encode()
    return rfc8785.dumps(dict(body))


def chain(prev: str, record: bytes) -> str:
    """SHA-256 of a record's bytes, in hexadecimal, after checking that they name ``prev``.

    Raises ChainBroken when the record follows another one than ``prev``.
    """
    named = parsed(record).prev
    if named != prev:
        raise ChainBroken("record", f"follows {named[:12]}…, not {prev[:12]}…")
    return hashlib.sha256(record).hexdigest()


def parsed(record: bytes) -> Record:
    """A record from its bytes. Raises ChainBroken when they are no record in canonical form."""
    try:
        members = json.loads(record)
    except (ValueError, RecursionError) as fault:
        raise ChainBroken("record", "no valid JSON any more", "restore a backup") from fault
    if not isinstance(members, dict) or set(members) != set(MEMBERS):
        raise ChainBroken("record", "members missing or added", "restore a backup")
    for name, types in MEMBERS.items():
        if type(members[name]) not in types:
            raise ChainBroken("record", f"{name} has another type", "restore a backup")
    return Record(**members)


def check_body(kind: str, body: Mapping[str, Any]) -> None:
    """Raise BadRecord unless ``body`` has what its kind requires."""
    if kind not in REQUIRED:
        raise BadRecord(f"record kind {kind!r}", "unknown", f"use one of {', '.join(KINDS)}")
    for name, wanted in REQUIRED[kind].items():
        if name not in body:
            raise BadRecord(f"{kind} record", f"{name} is missing", f"give {name}")
        if type(body[name]) is not wanted:
            found = type(body[name]).__name__
            raise BadRecord(f"{kind} record", f"{name} is {found}, not {wanted.__name__}")
    verdict = body.get("verdict", VERDICTS[0])
    if kind == "closing" and verdict not in VERDICTS:
        raise BadRecord("closing record", f"verdict {verdict!r}", f"one of {', '.join(VERDICTS)}")


def number_of(row: int) -> str:
    """R-000123 for a home's 123rd record; R-B000123 when the home has the letter B in its shop."""
    return _spelled("R-", row, 6)


def part_number(place: int) -> str:
    """P-0012 for a home's 12th part; P-B0012 when the home has the letter B in its shop."""
    return _spelled("P-", place, 4)


def row_of(number: str) -> int:
    """123 for R-000123. Raises NotFound for anything that is no record number."""
    return _counted(number, "R-", "record numbers look like R-000123")


def place_of(number: str) -> int:
    """12 for P-0012. Raises NotFound for anything that is no part number."""
    return _counted(number, "P-", "part numbers look like P-0012; intake prints them")


def folded(serial: str) -> str:
    """A serial number as it is looked for: whatever its case, its spaces, its width (Unicode NFKC)."""
    return " ".join(unicodedata.normalize("NFKC", serial).casefold().split())


def letters_of(home: int) -> str:
    """A for a shop's first home, Z for its 26th, AA for its 27th; none for a home of its own (0)."""
    letters = ""
    while home:
        home, last = divmod(home - 1, 26)
        letters = chr(ord("A") + last) + letters
    return letters


def _spelled(prefix: str, number: int, digits: int) -> str:
    home, count = divmod(number, BLOCK)
    return f"{prefix}{letters_of(home)}{count:0{digits}d}"


def _counted(number: str, prefix: str, remedy: str) -> int:
    found = NUMBER.fullmatch(number.strip().upper().removeprefix(prefix))
    if found is None:
        raise NotFound(f"{number!r}", "is no such number", remedy)
    home = 0
    for letter in found[1]:
        home = home * 26 + ord(letter) - ord("A") + 1
    return home * BLOCK + int(found[2])


def _faults(value: object, where: str, depth: int) -> Iterator[tuple[str, str]]:
    """Whatever in ``value`` may not stand in a record: (where, what)."""
    if depth > DEEPEST:
        yield where, "nested too deeply"
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            if type(key) is not str:
                yield where, f"key {key!r} is no text"
            yield from _faults(inner, f"{where}.{key}", depth + 1)
    elif isinstance(value, list | tuple):
        for place, inner in enumerate(value):
            yield from _faults(inner, f"{where}[{place}]", depth + 1)
    elif type(value) is int:
        if abs(value) > LARGEST:
            yield where, f"integer {value} is not below 2**53"
    elif not (value is None or type(value) in (str, bool)):
        yield where, f"{type(value).__name__} {value!r} is not allowed in a record"
