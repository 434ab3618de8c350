"""How the paper can be checked: hashes, place in the log, signed head, certificate, QR code."""

from __future__ import annotations

from collections.abc import Iterator

from results.issuing import Issued
from results.report.blocks import Block, code, lines
from results.report.words import VERDICTS, grouped

PREFIX = "MILLIPROOF"
TAG_DIGITS = 16  # of the record's hash on a tag: enough to find it, few enough for a small code


def payload(issued: Issued, digits: int = 64) -> str:
    """What the QR code says, in the signs of its alphanumeric mode: ISO/IEC 18004 7.4.4, from memory."""
    closing = issued.closing
    verdict = VERDICTS.get(closing.body["verdict"], "NO VERDICT")
    told = (PREFIX, issued.record.number, closing.number, verdict, closing.sha256[:digits])
    return ":".join(told).upper()


def code_block(issued: Issued) -> Block:
    """Code, and the figures that it stands for."""
    head = issued.head.head
    place = issued.stored[issued.closing.number].record.seq
    rows = [
        ("record", f"{issued.closing.number}, SHA-256"),
        ("", grouped(issued.closing.sha256)),
        ("issue", f"{issued.record.number}, follows that head; SHA-256"),
        ("", grouped(issued.record.sha256)),
        ("log", f"record {place} of {head.size} of {head.bench}; root (RFC 6962)"),
        ("", grouped(head.root)),
        ("key", "Ed25519, fingerprint"),
        ("", grouped(head.key)),
        ("seal", "P-256 certificate, SHA-256"),
        ("", grouped(str(issued.record.body["certificate"]))),
    ]
    kept = [(name or " ", said) for name, said in rows]
    alt = f"QR code: {payload(issued)}"
    return {**code(kept, alt), "title": "Proof"}


def proof_block(issued: Issued) -> Block:
    """Signature of the head and inclusion proof in full, so that paper alone carries them."""
    return lines("Signed head and inclusion proof", _proof(issued))


def _proof(issued: Issued) -> Iterator[str]:
    path = issued.stored[issued.closing.number].path
    yield f"Head: {issued.head.head.json.decode()}"
    yield f"Its signature: {issued.head.signature.hex()}"
    hashes = " ".join(part.hex() for part in path) or "none needed"
    yield f"Inclusion proof of {issued.closing.number}: {hashes}"


def check_block(issued: Issued) -> Block:
    """How to check."""
    return lines("How to check this paper", _how(issued))


def _how(issued: Issued) -> Iterator[str]:
    number = issued.closing.number
    yield (
        f"Attached to this file are the raw record ({number}.json), its readings ({number}.csv) and "
        f"{number}.zip: records, signatures, proofs and keys. Its CHECK.txt tells how to check them with "
        "sha256sum and openssl alone. Compare the key's fingerprint with what the shop tells you itself."
    )
    yield "With the program: milliproof verify FILE --trust FINGERPRINT"
