"""Which kinds of thing can be verified, and how each is asked: a home, a bundle, a report."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from results import opened as bundles
from results.answers import Answer, overall
from results.errors import NoBundle, disk_trouble
from results.home_answers import home_answers
from results.judged import judged
from results.log import GivenHead
from results.places import FILE
from results.store import Store

Trusted = Collection[str]
REMEDY = "name a home, or a file that milliproof bundle or report has written"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file, known by how it begins."""

    name: str
    start: bytes
    heads: Callable[[bytes, str], list[GivenHead]]
    answers: Callable[[bytes, str, Trusted, Sequence[GivenHead]], list[Answer]]


@dataclass(frozen=True, slots=True)
class Verified:
    """What was answered about one place; ``good`` as of ``results.answers.overall``."""

    place: str
    kind: str
    answers: list[Answer]

    @property
    def good(self) -> bool | None:
        return overall(self.answers)


def _bundle_heads(data: bytes, where: str) -> list[GivenHead]:
    sections = bundles.opened(data, where).sections
    return [GivenHead(one.keys[0].mark, one.head) for one in sections if one.head and one.keys]


def _bundle_answers(
    data: bytes, where: str, trusted: Trusted, others: Sequence[GivenHead]
) -> list[Answer]:
    return judged(bundles.opened(data, where), trusted, others)


def _report_heads(data: bytes, where: str) -> list[GivenHead]:
    from results.report import sealed  # optional, and slow to import

    return sealed.heads(data, where)


def _report_answers(
    data: bytes, where: str, trusted: Trusted, others: Sequence[GivenHead]
) -> list[Answer]:
    from results.report import sealed

    return sealed.answers(data, where, trusted, others)


KINDS: tuple[Kind, ...] = (
    Kind("bundle", bundles.START, _bundle_heads, _bundle_answers),
    Kind("report", b"%PDF-", _report_heads, _report_answers),
)


def verified(places: Sequence[Path], trusted: Trusted) -> list[Verified]:
    """Each place, and the heads of the files among them held against all others.

    Raises NoBundle for what is neither a home nor a file of a known kind.
    """
    read = {place: _read(place) for place in places if not place.is_dir()}
    heads = {place: kind.heads(data, str(place)) for place, (kind, data) in read.items()}
    found = []
    for place in places:
        others = [one for other, some in heads.items() if other != place for one in some]
        if place in read:
            kind, data = read[place]
            said = kind.answers(data, str(place), trusted, others)
            found.append(Verified(str(place), kind.name, said))
        else:
            found.append(Verified(str(place), "home", _home(place, trusted, others)))
    return found


def _home(place: Path, trusted: Trusted, others: Sequence[GivenHead]) -> list[Answer]:
    if not (place / FILE).exists():
        raise NoBundle(str(place), f"is no home: it has no {FILE}", REMEDY)
    with Store.open(place) as store:
        return home_answers(store, trusted, others)


def _read(place: Path) -> tuple[Kind, bytes]:
    try:
        with place.open("rb") as file:
            data = file.read(bundles.LARGEST + 1)
    except OSError as fault:
        raise disk_trouble(str(place), fault) from fault
    for kind in KINDS:
        if data.startswith(kind.start):
            return kind, data
    raise NoBundle(str(place), "is no file that can be verified", REMEDY)
