"""What a sealed report proves: the six answers of its bundle, and whether pages, seal and record agree.

The chain of trust: the asker knows the fingerprint of the bench's Ed25519 key; that key signed the issue
record; the issue record names the certificate that sealed the file.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO

from results import keys, opened
from results.answers import QUESTIONS, Answer, answered
from results.errors import NoBundle, ReportImpossible, ResultsError
from results.issuing import KIND, Issued
from results.judged import judged, signer_of
from results.log import GivenHead
from results.opened import Opened
from results.record import Record, parsed
from results.report import making
from results.report.cover import Cover, cover_of
from results.report.typeset import INSTALL
from results.sections import Stored
from results.verify import Problem

START = b"%PDF-"
Found = Iterator[Problem]


@dataclass(frozen=True, slots=True)
class Sealed:
    """A report taken apart. ``files``: what is attached."""

    data: bytes
    cover: Cover
    files: Mapping[str, bytes]
    issue: Record
    signature: bytes
    bundle: Opened

    @property
    def issued(self) -> Issued:
        """What it was set from."""
        read = self.bundle
        return Issued(self.issue, self.signature, read.sections, read.files)


def taken_apart(data: bytes, where: str, cover: Cover) -> Sealed:
    """Raises NoBundle for a PDF file that is no report of this program."""
    files = attached(data, where)
    try:
        name = next(n for n in files if n.endswith(".sig")).removesuffix(".sig")
        issue = parsed(files[f"{name}.json"])
        if issue.kind != KIND:
            raise ValueError(f"{name} is of kind {issue.kind}")
        bundle = opened.opened(files[f"{issue.body['closing']}.zip"], where)
    except (StopIteration, LookupError, ValueError, ResultsError) as fault:
        what = f"is no report: what is attached can't be read ({fault})"
        raise NoBundle(where, what, REMEDY) from fault
    return Sealed(data, cover, files, issue, files[f"{name}.sig"], bundle)


REMEDY = "name a PDF file that milliproof report has written"


def attached(data: bytes, where: str) -> dict[str, bytes]:
    """The files in a PDF file, by name. Raises NoBundle, ReportImpossible."""
    try:
        from pyhanko.pdf_utils.misc import PdfError
        from pyhanko.pdf_utils.reader import PdfFileReader
    except ImportError as fault:
        raise ReportImpossible(where, "pyHanko is not installed", INSTALL) from fault
    try:
        held = PdfFileReader(BytesIO(data)).root["/Names"]["/EmbeddedFiles"]["/Names"]
        return {str(held[at]): held[at + 1]["/EF"]["/F"].data for at in range(0, len(held), 2)}
    except (PdfError, LookupError, ValueError, TypeError, AttributeError, RecursionError) as fault:
        raise NoBundle(where, f"is no report: nothing is attached ({fault})", REMEDY) from fault


def heads(data: bytes, where: str) -> list[GivenHead]:
    """The heads in a report whose seal is good; a broken one speaks for nobody."""
    cover = cover_of(data)
    if not cover.good:
        return []
    found = taken_apart(data, where, cover).bundle.sections
    return [GivenHead(one.keys[0].mark, one.head) for one in found if one.head and one.keys]


def answers(
    data: bytes, where: str, trusted: Collection[str], others: Sequence[GivenHead]
) -> list[Answer]:
    """The six answers about a report. Raises NoBundle when a good file is no report."""
    cover = cover_of(data)
    if not cover.good:
        return _broken(cover)
    read = taken_apart(data, where, cover)
    said = judged(read.bundle, trusted, others)
    problems = [*_signature(read), *_whole(read), *_pages(read), *_log(read)]
    return [_with(one, [p for p in problems if p.question == one.question]) for one in said]


def _broken(cover: Cover) -> list[Answer]:
    """Nothing in it counts; what is wrong with it is named."""
    problems = [Problem("seal", words, "signature") for words in cover.flaws]
    problems += [Problem("seal", words, "whole") for words in cover.uncovered]
    answerless = set(QUESTIONS) - {one.question for one in problems}
    return answered(problems, {}, dict.fromkeys(answerless, "can't be told: the seal is not good"))


def _with(answer: Answer, problems: Sequence[Problem]) -> Answer:
    if not problems:
        more = MORE.get(answer.question, "")
        words = f"{answer.words}; {more}" if answer.good and more else answer.words
        return Answer(answer.question, answer.good, words, answer.problems)
    found = (*answer.problems, *(str(one) for one in problems))
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return Answer(answer.question, False, f"{found[0]}{more}", found)


MORE = {
    "signature": "the seal over the file and the issue record",
    "whole": "every byte of the file, and what is attached is what the issue names",
}


def _signature(read: Sealed) -> Found:
    number, main = read.issue.number, read.bundle.sections[0] if read.bundle.sections else None
    stored = Stored(read.issue, read.issue.json, read.signature)
    signer = signer_of(main.keys, stored) if main else None
    if signer is None or not keys.holds(signer.public, stored.raw, read.signature):
        yield Problem(number, "the bench did not sign this issue record: forged", "signature")
    elif read.issue.body["certificate"] != read.cover.certificate:
        yield Problem(number, "names another certificate than sealed the file: forged", "signature")


def _whole(read: Sealed) -> Found:
    """What is attached beside the bundle is what is in it, and the bundle is the one that was issued."""
    closing, number = str(read.issue.body["closing"]), read.issue.number
    inside = {
        f"{closing}.json": read.bundle.files.get(f"chain-1/{closing}.json"),
        f"{closing}.csv": read.bundle.files.get(f"trace/{closing}.csv"),
        f"{number}.json": read.issue.json,
        f"{number}.sig": read.signature,
        f"{closing}.zip": read.files.get(f"{closing}.zip"),
    }
    wanted = {name: data for name, data in inside.items() if data is not None}
    for name in sorted(wanted.keys() | read.files.keys()):
        if read.files.get(name) != wanted.get(name):
            yield Problem(name, "attached, but not as its bundle has it", "whole")
    records = [one.record.number for part in read.bundle.sections for one in part.records]
    if read.bundle.number != closing or records != list(read.issue.body["records"]):
        yield Problem(number, "speaks of other records than are attached", "whole")


def _log(read: Sealed) -> Found:
    head = read.bundle.sections[0].head if read.bundle.sections else None
    if head is None or read.issue.prev != head.head.last or read.issue.bench != head.head.bench:
        yield Problem(read.issue.number, "does not follow the head on the paper", "log")


def _pages(read: Sealed) -> Found:
    """Set again from what is attached, the pages must be the same; only where the same program can."""
    if read.issue.body["program"] != making.program() or not read.bundle.sections:
        return
    try:
        again = making.unsealed(read.issued)
    except (ResultsError, LookupError) as fault:
        yield Problem("pages", f"can't be set again from what is attached: {fault}", "whole")
        return
    if not read.data.startswith(again):
        yield Problem("pages", "don't say what the attached record says", "whole")
