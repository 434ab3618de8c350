"""A paper, made: set in a process of its own while this one gets ready to seal it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from importlib.metadata import version
from importlib.resources import files
from io import BytesIO
from typing import Any

from results.issuing import Issued
from results.report import typeset
from results.report.content import beside, document
from results.report.evidence_blocks import payload
from results.report.seal import Seal, ready, sealed


def program() -> str:
    """What sets the pages: versions, and a hash over this package, since each of its words counts."""
    digest = hashlib.sha256()
    for name, text in sorted(_sources().items()):
        digest.update(name.encode() + text)
    told = [f"{name} {version(name)}" for name in ("milliproof", "typst")]
    return f"{', '.join(told)}, pages {digest.hexdigest()[:16]}"


def _sources() -> dict[str, bytes]:
    here = files("results.report")
    found = [*here.iterdir(), *here.joinpath("templates").iterdir()]
    return {one.name: one.read_bytes() for one in found if one.name.endswith((".py", ".typ"))}


def paper(issued: Issued, seal: Seal) -> bytes:
    """The sealed PDF file. Raises ReportImpossible."""
    setting = begun(issued)
    ready()
    return sealed(setting.finish()["out.pdf"], seal)


def unsealed(issued: Issued) -> bytes:
    """The PDF file before it is sealed: the same issue record, the same bytes."""
    return begun(issued).finish()["out.pdf"]


def begun(issued: Issued) -> typeset.Setting:
    """Start to set it."""
    attached = list(_attached(issued))
    content = {name: data for name, data, *_ in attached}
    content["code.svg"] = code_svg(payload(issued))
    content |= {beside(n): d for n, d in issued.files.items() if n.startswith("photos/")}
    told = [_told(name, *rest) for name, _, *rest in attached]
    return typeset.begin("paper.typ", {**document(issued), "attached": told}, content)


def _told(name: str, relationship: str, mime: str, words: str) -> Mapping[str, Any]:
    return {"name": name, "relationship": relationship, "mime": mime, "description": words}


def _attached(issued: Issued) -> Iterator[tuple[str, bytes, str, str, str]]:
    """(name, bytes, relationship, type, what it is) of each file that goes into the PDF."""
    number = issued.closing.number
    yield (
        f"{number}.json",
        issued.stored[number].raw,
        "source",
        "application/json",
        "the raw record",
    )
    trace = issued.files.get(f"trace/{number}.csv")
    if trace is not None:
        yield f"{number}.csv", trace, "data", "text/csv", "its readings"
    words = "records, readings, signatures, proofs and keys, with CHECK.txt"
    yield f"{number}.zip", issued.bundle, "supplement", "application/zip", words
    name = issued.record.number
    yield f"{name}.json", issued.record.json, "supplement", "application/json", "the issue record"
    words = "its signature, Ed25519"
    yield f"{name}.sig", issued.signature, "supplement", "application/octet-stream", words


def code_svg(text: str, error: str = "m") -> bytes:
    """A QR code (never a Micro one: few readers know it) as SVG."""
    import segno

    out = BytesIO()
    segno.make_qr(text, error=error).save(out, kind="svg", border=2, xmldecl=False, svgns=True)
    return out.getvalue()
