"""Is the seal on a PDF file good, and does it cover every byte? Read without trust in any of it.

PDF readers say "valid" of a file to which something was appended, and know nothing of whose seal it is.
Here the file is taken apart by its bytes: all of them are covered, or are exactly what the seal is
written as. The answer does not depend on how a reader of PDF files understands the rest.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from asn1crypto import cms
from asn1crypto import x509 as asn1
from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec

RANGE = re.compile(rb"/ByteRange\s*\[\s*0\s+(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s*\]")
# whatever the libraries make of bytes that are no seal
UNREADABLE = (
    ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, RecursionError,
    UnsupportedAlgorithm,
)  # fmt: skip
SPLIT = b"\x31"  # the tag under which signed attributes are signed: RFC 5652 5.4


@dataclass(frozen=True, slots=True)
class Cover:
    """``certificate``: SHA-256 of the sealing certificate, "" where none can be read. ``flaws``: what
    of the seal is not good, ``uncovered``: what it does not cover."""

    certificate: str
    flaws: tuple[str, ...]
    uncovered: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return not (self.flaws or self.uncovered)


def cover_of(data: bytes) -> Cover:
    """Check the seal of a whole file."""
    found = RANGE.findall(data)
    if len(found) != 1:
        what = "is not sealed" if not found else "has more than one seal: a revision was appended"
        return Cover("", (what,), ())
    start, end, rest = (int(number) for number in found[0])
    uncovered = tuple(_uncovered(data, start, end, rest))
    if uncovered:
        return Cover("", (), uncovered)
    try:
        return _sealed(data[:start] + data[end:], data[start:end])
    except UNREADABLE as fault:
        return Cover("", (f"its seal can't be read: {fault}".split("\n")[0],), ())


def _uncovered(data: bytes, start: int, end: int, rest: int) -> list[str]:
    if not 0 < start < end <= len(data) or end + rest > len(data):
        return ["its seal names bytes that it does not have: cut or edited"]
    if end + rest < len(data):
        more = len(data) - end - rest
        return [f"{more} bytes after what the seal covers: a revision was appended"]
    return []


def _sealed(covered: bytes, gap: bytes) -> Cover:
    raw, flaws = _written(gap)
    signed = cms.ContentInfo.load(raw, strict=True)["content"]
    signer, certificate = signed["signer_infos"][0], signed["certificates"][0].chosen
    if _rebuilt(signer, certificate) != raw:
        flaws.append("its seal is not in the form that this program writes")
    attributes = {one["type"].native: one["values"] for one in signer["signed_attrs"]}
    if attributes["message_digest"][0].native != hashlib.sha256(covered).digest():
        flaws.append("is not what was sealed: edited")
    if not _signed(signer, certificate):
        flaws.append("the signature of its seal doesn't fit: forged")
    return Cover(hashlib.sha256(certificate.dump()).hexdigest(), tuple(flaws), ())


def _written(gap: bytes) -> tuple[bytes, list[str]]:
    """The seal's bytes; that it is written as such, in capitals, with nothing but 0 behind it."""
    held = bytes.fromhex(gap[1:-1].decode("ascii"))
    head = 2 + (held[1] & 0x7F if held[1] & 0x80 else 0)
    length = int.from_bytes(held[2:head], "big") if head > 2 else held[1]
    raw = held[: head + length]
    again = b"<" + raw.hex().upper().encode() + b"0" * 2 * (len(held) - len(raw)) + b">"
    return raw, [] if again == gap else [
        "its seal is not written as this program writes it: edited"
    ]


def _rebuilt(signer: cms.SignerInfo, certificate: asn1.Certificate) -> bytes:
    """The seal written anew from the three things in it that matter."""
    serial = {"issuer": certificate.issuer, "serial_number": certificate.serial_number}
    one = {
        "version": "v1",
        "sid": cms.SignerIdentifier({"issuer_and_serial_number": serial}),
        "digest_algorithm": {"algorithm": "sha256"},
        "signed_attrs": signer["signed_attrs"],
        "signature_algorithm": {"algorithm": "sha256_ecdsa"},
        "signature": signer["signature"].native,
    }
    signed = {
        "version": "v1",
        "digest_algorithms": [{"algorithm": "sha256"}],
        "encap_content_info": {"content_type": "data"},
        "certificates": [certificate],
        "signer_infos": [one],
    }
    made = cms.ContentInfo({"content_type": "signed_data", "content": cms.SignedData(signed)})
    return bytes(made.dump())


def _signed(signer: cms.SignerInfo, certificate: asn1.Certificate) -> bool:
    public = x509.load_der_x509_certificate(certificate.dump()).public_key()
    if not isinstance(public, ec.EllipticCurvePublicKey):
        return False
    attributes = SPLIT + signer["signed_attrs"].dump()[1:]
    try:
        public.verify(signer["signature"].native, attributes, ec.ECDSA(hashes.SHA256()))
    except InvalidSignature:
        return False
    return True
