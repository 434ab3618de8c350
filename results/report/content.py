"""What stands on each paper: a table of blocks per form, and the document around them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from results import trace
from results.issuing import Issued
from results.report import evidence_blocks as proof
from results.report import part_blocks as part
from results.report import plain_words
from results.report import tried_blocks as tried
from results.report.blocks import Block, lines, photos, points, verdict
from results.report.forms import FORMS, PAPERS
from results.report.trend import picture
from results.report.words import VERDICTS, against, plain, spaced, when

COLOURS = {"pass": "pass", "fail": "fail"}
SIMULATED = "SIMULATED: no real part was tested"
MEANING = (
    "Protective-conductor current measured on this sample, on the date, in the water and with the supply "
    "and feeds listed. Values marked prospective are calculated.",
    "This is not a touch-current, dielectric-strength, listing or product-standard test, and not a "
    "warranty. Limits marked P or MEMORY are shop rules or unverified; marks: S a published standard, D "
    "derived, C common practice without a source.",
    "Install only where the listing, local code and authority permit, by a licensed person, behind a "
    "working GFCI.",
)
CLAIM = "Exceeds the shop's gate; that is no finding that the maker's limit was exceeded."
Blocks = Callable[[Issued], Block | None]


def verdict_block(issued: Issued) -> Block:
    """The verdict, big, with what it is a verdict against."""
    body = issued.closing.body
    word = VERDICTS.get(body["verdict"], "NO VERDICT")
    return verdict(word, against(issued.closing.body), body["reason"], _banner(issued))


def _banner(issued: Issued) -> str:
    return SIMULATED if issued.closing.simulated else ""


def trend_block(issued: Issued) -> Block | None:
    """The readings; None where there are none."""
    blob = issued.files.get(f"trace/{issued.closing.number}.bin")
    return picture(issued.closing.body, trace.decode(blob)) if blob else None


def meaning_block(_issued: Issued) -> Block:
    """What the paper says and what not."""
    return lines("What this says and what it does not say", MEANING)


def _references(issued: Issued) -> Block | None:
    named = issued.record.body.get("references") or ()
    return points("Your reference", named) if named else None


def _statements(issued: Issued) -> Block | None:
    said: Mapping[str, str] = issued.record.body.get("statements") or {}
    texts = [f"{spaced(name)}: {text}" for name, text in said.items()]
    return lines("Stated by the shop", texts) if texts else None


def _claim(issued: Issued) -> Block:
    return lines("What is claimed", (f"{issued.closing.body['reason']}. {CLAIM}",))


def _story(issued: Issued) -> Block | None:
    block = part.story_block(issued, "As it came in: installation, water, findings")
    return block if block["rows"] else None


def _photos(issued: Issued) -> Block | None:
    names = sorted(name for name in issued.files if name.startswith("photos/"))
    shown = [(beside(name), f"photo {name[7:23]}") for name in names]
    return photos("Photos, by their SHA-256", shown) if shown else None


def beside(name: str) -> str:
    """The name that a file of the bundle has beside the document."""
    return name.replace("/", "-")


REPORT: tuple[Blocks, ...] = (
    verdict_block, part.part_block, tried.conditions_block, trend_block, tried.cause_block,
    tried.checks_block, tried.decided_block, tried.cautions_block, tried.setup_block,
    part.attempts_block, _statements, tried.limits_block, meaning_block, proof.code_block,
    proof.proof_block, proof.check_block,
)  # fmt: skip
CONTENTS: Mapping[str, tuple[Blocks, ...]] = {
    "report": REPORT,
    "claim": (
        verdict_block, _references, _claim, part.part_block, _story, _photos, *REPORT[2:],
    ),
    "letter": (
        plain_words.letter_block, part.part_block, tried.short_conditions_block, _statements,
        plain_words.still_block, meaning_block, proof.code_block,
    ),
    "plain": (
        plain_words.verdict_block, plain_words.found_block, plain_words.now_block,
        plain_words.meaning_block, _statements, proof.code_block,
    ),
}  # fmt: skip


def document(issued: Issued) -> dict[str, Any]:
    """All that the template reads, but the files that are attached."""
    body = issued.record.body
    form = FORMS[body["form"]]
    return {
        "title": form.title,
        "number": issued.record.number,
        "author": plain(f"bench {issued.record.bench}"),
        "keywords": [issued.closing.number, plain(body["part"]), issued.closing.body["verdict"]],
        "paper": PAPERS[body["paper"]],
        "pages": form.pages,
        "sizes": list(form.sizes),
        "at_s": issued.record.at_ms // 1000,
        "colour": COLOURS.get(issued.closing.body["verdict"], "open"),
        "head": [_head(issued), _banner(issued)],
        "foot": plain(f"{_banner(issued) or 'issue ' + issued.record.number} · {_foot(issued)}"),
        "blocks": list(_blocks(issued)),
    }


def _blocks(issued: Issued) -> Iterator[Block]:
    for make in CONTENTS[issued.record.body["form"]]:
        block = make(issued)
        if block is not None and block.get("rows", block.get("lines", True)) != []:
            yield block


def _head(issued: Issued) -> str:
    body = issued.record.body
    told = f"{body['part']} · {issued.closing.number} · issued {when(issued.record.at_ms)}"
    return plain(f"{told} in {issued.record.number} by {body['by']}")


def _foot(issued: Issued) -> str:
    return f"SHA-256 of {issued.closing.number} begins {issued.closing.sha256[:16]}"
