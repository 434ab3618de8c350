"""What a bundle proves and what not: the six answers, and whether heads of one bench agree."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from hashlib import sha256
from pathlib import PurePosixPath

from results import bundle, keys, merkle, trace
from results.answers import QUESTIONS, Answer, answered
from results.errors import ResultsError
from results.log import GivenHead, Head
from results.opened import Opened
from results.sections import Section, Stored
from results.signing import LOST, Key
from results.verify import Problem

Found = Iterator[Problem]
ASK = "ask the shop for a bundle made with --since and the older one"


def judged(
    read: Opened, trusted: Collection[str], others: Sequence[GivenHead] = ()
) -> list[Answer]:
    """The six answers. ``trusted``: fingerprints that the asker knows; ``others``: heads that its own
    must agree with."""
    problems = [Problem(read.number or "bundle", words, "whole") for words in read.flaws]
    if not read.sections:
        return _unread(problems)
    problems += [*_covered(read), *_signatures(read), *_logs(read), *_chains(read), *_olders(read)]
    untold = dict(_whose(read, trusted)) | dict(_unsigned(read))
    same = [(mine, other) for other in others for mine in read.sections if _one_log(mine, other)]
    problems += [one for mine, other in same for one in _against(mine, other.head)]
    unmet = [other.head for mine, other in same if not _comparable(mine, other.head)]
    if unmet:
        what = f"the head of {unmet[0].size} records of {unmet[0].bench}"
        untold["heads"] = f"can't be told for {what}: {ASK}"
    return answered(problems, _words(read, len(same)), untold)


def _unread(problems: list[Problem]) -> list[Answer]:
    untold = dict.fromkeys(set(QUESTIONS) - {"whole"}, "can't be told: it can't be read")
    return answered(problems, {}, untold)


def _words(read: Opened, compared: int) -> dict[str, str]:
    main = read.sections[0]
    head = main.head.head if main.head else None
    records = sum(len(one.records) for one in read.sections)
    older = sum(len(one.older) for one in read.sections)
    size = head.size if head else 0
    whose = f"it is {main.bench}'s own, or vouches for {_mark(main)}{_replaced(main)}"
    return {
        "signature": f"{records} records, the heads and the list of files",
        "whole": f"{len(read.files)} files, each byte",
        "key": f"the key you named: {whose}",
        "log": f"proved up to the signed head of {size} records of {main.bench}",
        "chain": "places, numbers and predecessors of the records in it fit",
        "heads": f"{older} given away before, {compared} compared with",
    }


def _replaced(section: Section) -> str:
    """What stands for a key that was lost: words, and no signature."""
    known = [one.record for one in section.records if one.record.kind == "key"]
    lost = [one.number for one in known if one.body["why"] == LOST]
    return f"; not vouched for by the key before: {', '.join(lost)}" if lost else ""


def _mark(section: Section) -> str:
    return section.keys[-1].mark if section.keys else "none"


# ---- whole ---------------------------------------------------------------------------------------


def _covered(read: Opened) -> Found:
    """Traces and photos are those that records name; nothing else is in it."""
    raws = b"".join(one.raw for section in read.sections for one in section.records)
    known = {one.record.number: one for section in read.sections for one in section.records}
    if read.number not in {one.record.number for one in read.sections[0].records}:
        yield Problem(read.number, "the record that it is about is not in its first chain", "whole")
    for name, data in read.files.items():
        path = PurePosixPath(name)
        if path.parts[0] == "trace":
            yield from _trace(path, data, read, known.get(path.stem))
        elif path.parts[0] == "photos":
            if sha256(data).hexdigest() != path.stem or path.stem.encode() not in raws:
                yield Problem(name, "is not the photo that a record names: replaced", "whole")
        elif path.parts[0][:6] != "chain-" and name not in (
            *bundle.FIRST,
            "bundle.json",
            "report.pdf",
        ):
            yield Problem(name, "is nothing that a bundle holds: added", "whole")
    yield from _without_trace(read, known)


def _trace(path: PurePosixPath, data: bytes, read: Opened, one: Stored | None) -> Found:
    named = one.record.body.get("trace") if one else None
    if not named:
        yield Problem(str(path), "belongs to no record: added", "whole")
        return
    blob = read.files.get(f"trace/{path.stem}.bin", b"")
    if path.suffix == ".bin":
        if sha256(data).hexdigest() != named["sha256"]:
            yield Problem(
                path.stem, "its trace is not the one that the record names: edited", "whole"
            )
        return
    try:
        same = bundle.in_csv(trace.decode(blob)) == data
    except ResultsError:
        same = False
    if not same:
        yield Problem(path.stem, f"{path.name} doesn't say what the trace says: edited", "whole")


def _without_trace(read: Opened, known: dict[str, Stored]) -> Found:
    for number, one in known.items():
        if one.record.body.get("trace") and f"trace/{number}.bin" not in read.files:
            yield Problem(number, "its trace is missing", "whole")


# ---- signature -----------------------------------------------------------------------------------


def _signatures(read: Opened) -> Found:
    main = read.sections[0]
    sums = read.files.get(bundle.SUMS, b"")
    if not main.keys or not keys.holds(main.keys[-1].public, sums, read.sums_signature):
        yield Problem(bundle.SUMS, "the signature of the list of files doesn't fit", "signature")
    for section in read.sections:
        yield from _section_signatures(section)


def _section_signatures(section: Section) -> Found:
    for one in section.records:
        signer = signer_of(section.keys, one)
        if signer is None or one.signature is None:
            if signer is not None or one.signature is not None:
                yield Problem(one.record.number, "its signature was removed or added", "signature")
        elif not keys.holds(signer.public, one.raw, one.signature):
            yield Problem(
                one.record.number, "its signature doesn't fit: edited or forged", "signature"
            )
    if section.head is None:
        return
    head = section.head.head
    if not section.keys or section.keys[-1].mark != head.key:
        yield Problem(section.bench, "its head names another key: forged root", "signature")
    elif not keys.holds(section.keys[-1].public, head.json, section.head.signature):
        yield Problem(
            section.bench, "the signature of its head doesn't fit: forged root", "signature"
        )


def signer_of(known: Sequence[Key], one: Stored) -> Key | None:
    """The key in force at a record's place; None before signing began."""
    return max(
        (key for key in known if key.since <= one.record.seq),
        key=lambda key: key.place,
        default=None,
    )


def _unsigned(read: Opened) -> Iterator[tuple[str, str]]:
    early = [
        one.record.number
        for section in read.sections
        for one in section.records
        if one.signature is None
    ]
    if early:
        words = (
            f"can't be told for {', '.join(early)}: older than signing, covered by the head alone"
        )
        yield "signature", words


# ---- key -----------------------------------------------------------------------------------------


def _whose(read: Opened, trusted: Collection[str]) -> Iterator[tuple[str, str]]:
    """An answer only where the key isn't known: by a name that was given, or vouched for by one."""
    main = read.sections[0]
    if vouched(main.keys, _lost(main), trusted):
        return
    if trusted:
        words = f"another key than you named: {_mark(main)} signed for {main.bench}"
    else:
        words = (
            f"key unknown to you: {_mark(main)} signed for {main.bench}; compare it with the shop's own "
            "word, then name it with --trust"
        )
    yield "key", words


def vouched(known: Sequence[Key], lost: Collection[int], trusted: Collection[str]) -> bool:
    """Whether the newest key is trusted, itself or through keys that each signed the next one.

    ``lost``: places of keys that the key before them did not sign.
    """
    for key in reversed(known):
        if key.mark in trusted:
            return True
        if key.place in lost:
            return False
    return False


def _lost(section: Section) -> set[int]:
    announcing = [one.record for one in section.records if one.record.kind == "key"]
    return {place for place, one in enumerate(announcing, start=2) if one.body.get("why") == LOST}


# ---- log and chain -------------------------------------------------------------------------------


def _logs(read: Opened) -> Found:
    if read.sections[0].head is None:
        yield Problem(read.sections[0].bench, "has no signed head in it: removed", "log")
    for section in read.sections:
        if section.head is not None:
            head = section.head.head
            for one in section.records:
                leaf = merkle.leaf_hash(one.raw)
                root = merkle.root_by(leaf, one.record.seq - 1, head.size, one.path)
                if root is None or root.hex() != head.root:
                    words = (
                        "is not in the log that the head names: edited, re-ordered or forged root"
                    )
                    yield Problem(one.record.number, words, "log")


def _chains(read: Opened) -> Found:
    numbers = set[str]()
    for section in read.sections:
        for before, one in zip([None, *section.records], section.records, strict=False):
            yield from _place(section, before, one)
            if one.record.number in numbers:
                yield Problem(one.record.number, "is there twice: a number used again", "chain")
            numbers.add(one.record.number)


def _place(section: Section, before: Stored | None, one: Stored) -> Found:
    record, head = one.record, section.head.head if section.head else None
    if record.bench != section.bench:
        yield Problem(record.number, f"is not of {section.bench}", "chain")
    if head and record.seq == head.size and sha256(one.raw).hexdigest() != head.last:
        yield Problem(record.number, "is not the newest record that the head names", "chain")
    if before is None:
        return
    if before.record.seq == record.seq:
        yield Problem(record.number, f"has the place of {before.record.number}", "chain")
    elif before.record.seq + 1 == record.seq and sha256(before.raw).hexdigest() != record.prev:
        yield Problem(record.number, f"does not follow {before.record.number}", "chain")


# ---- heads ---------------------------------------------------------------------------------------


def _olders(read: Opened) -> Found:
    for section in read.sections:
        for one in section.older if section.head else ():
            head = section.head.head if section.head else None
            if head and not _grew(one.size, one.root, head, one.proof):
                words = f"its head does not follow the older one of {one.size} records"
                yield Problem(section.bench, words, "heads")


def _grew(size: int, root: str, head: Head, proof: Sequence[bytes]) -> bool:
    try:
        roots = bytes.fromhex(root), bytes.fromhex(head.root)
    except ValueError:
        return False
    return merkle.consistent(size, head.size, roots, proof)


def _one_log(section: Section, other: GivenHead) -> bool:
    """Whether both should be heads of one log."""
    mine = section.head is not None and section.bench == other.head.bench
    return mine and bool(section.keys) and section.keys[0].mark == other.first


def _against(section: Section, other: Head) -> Found:
    """Whether a section's head and another one belong to one log, as far as it can be told."""
    mine = section.head.head if section.head else other
    if mine.size == other.size and mine.root != other.root:
        words = f"two heads of {other.size} records have two roots: the log was forked"
        yield Problem(other.bench, words, "heads")
    for one in section.older:
        if one.size == other.size and not _grew(one.size, other.root, mine, one.proof):
            words = f"its head does not follow the given one of {other.size}: the log was forked"
            yield Problem(other.bench, words, "heads")


def _comparable(section: Section, other: Head) -> bool:
    """Same size, or a proof; that a larger one follows this one is the larger one's to prove."""
    mine = section.head.head if section.head else other
    return other.size >= mine.size or other.size in {one.size for one in section.older}
