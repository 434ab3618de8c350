"""The seal: a P-256 signature over a whole PDF file (PAdES, ETSI EN 319 142-1), by the bench's own key.

PDF readers take an Ed25519 signature for damage, so the bench has a second key for papers, made at first
use and kept beside the first one with the same rights and passphrase. Its certificate is signed by
itself: nobody vouches for it but the bench, whose record of the issue names the certificate's SHA-256.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import os
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID

from results.errors import KeyUnusable, ReportImpossible
from results.keys import LOCKED, PASSPHRASE_VARIABLE, Keyring
from results.report.typeset import INSTALL

if TYPE_CHECKING:
    from pyhanko.sign.signers import Signer

YEARS = 30
FIELD = "Seal"
RESERVED = 4096  # hexadecimal digits kept free for the signature
LONGEST_NAME = 64  # of a certificate's common name, RFC 5280 appendix A.1
GONE = "bring it back from where it is kept, or move its .crt away: a new one is then made"


@dataclass(frozen=True, slots=True)
class Seal:
    """A private P-256 key and its certificate."""

    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate

    @property
    def sha256(self) -> str:
        """The certificate's, in hexadecimal."""
        return hashlib.sha256(self.certificate.public_bytes(Encoding.DER)).hexdigest()


def seal_of(keyring: Keyring, bench: str) -> Seal:
    """The bench's seal, made at first use. Raises KeyUnusable, StoreUnavailable."""
    key_path = _path(keyring, bench)
    if not key_path.exists():
        _make(keyring, bench, key_path)
    text = keyring._read(key_path, bench)
    key = _opened(key_path, text, keyring)
    certificate = x509.load_pem_x509_certificate(text[text.index(b"-----BEGIN CERT") :])
    if certificate.public_key() != key.public_key():
        raise KeyUnusable(str(key_path), "its certificate is another key's", GONE)
    return Seal(key, certificate)


def _path(keyring: Keyring, bench: str) -> Path:
    name = quote(bench, safe="")
    return (
        keyring.place
        / f"seal-{name if len(name) <= 120 else hashlib.sha256(bench.encode()).hexdigest()}.pem"
    )


def _make(keyring: Keyring, bench: str, path: Path) -> None:
    """Whole or not at all, and one only, whoever else makes one at this moment."""
    key = ec.generate_private_key(ec.SECP256R1())
    secret = os.environ.get(PASSPHRASE_VARIABLE, "").encode()
    lock = serialization.BestAvailableEncryption(secret) if secret else serialization.NoEncryption()
    private = key.private_bytes(Encoding.PEM, serialization.PrivateFormat.PKCS8, lock)
    draft = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        keyring._write(draft, private + _certificate(key, bench).public_bytes(Encoding.PEM))
        with contextlib.suppress(FileExistsError):
            os.link(draft, path)
    finally:
        draft.unlink(missing_ok=True)


def _certificate(key: ec.EllipticCurvePrivateKey, bench: str) -> x509.Certificate:
    words = f"report seal of bench {bench}"[:LONGEST_NAME]
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, words)])
    now = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=True, key_encipherment=False,
        data_encipherment=False, key_agreement=False, key_cert_sign=False, crl_sign=False,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name)
    made = made.public_key(key.public_key()).serial_number(x509.random_serial_number())
    made = made.not_valid_before(now - datetime.timedelta(days=1))
    made = made.not_valid_after(now + datetime.timedelta(days=365 * YEARS))
    made = made.add_extension(usage, critical=True)
    made = made.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    return made.sign(key, hashes.SHA256())


def _opened(path: Path, text: bytes, keyring: Keyring) -> ec.EllipticCurvePrivateKey:
    locked = LOCKED in text.split(b"\n", 1)[0]
    secret = keyring._passphrase(str(path)) if locked else None
    if locked and not secret:
        remedy = f"set {PASSPHRASE_VARIABLE}, or call from a terminal and be asked"
        raise KeyUnusable(str(path), "is locked by a passphrase", remedy)
    try:
        key = serialization.load_pem_private_key(text, secret)
    except (ValueError, TypeError) as fault:
        what = "the passphrase doesn't open it" if locked else "is damaged"
        raise KeyUnusable(str(path), what, "try again" if locked else GONE) from fault
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise KeyUnusable(str(path), "is no P-256 key", GONE)
    return key


# ---- PDF -----------------------------------------------------------------------------------------


def ready() -> Any:
    """Import what signs: slow, so it is done while the pages are set. Raises ReportImpossible."""
    try:
        from pyhanko.sign import signers
    except ImportError as fault:
        raise ReportImpossible("report", "pyHanko is not installed", INSTALL) from fault
    return signers


def sealed(pdf: bytes, seal: Seal, field: str = FIELD) -> bytes:
    """The PDF file with the seal over all of it."""
    signers = ready()
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign.fields import SigSeedSubFilter

    class Revision(IncrementalPdfFileWriter):
        """PDF/A-3 is PDF 1.7 (ISO 19005-3); for P-256 the library would make it 2.0."""

        def ensure_output_version(self, version: tuple[int, int]) -> None:
            """As it is."""

    meta = signers.PdfSignatureMetadata(
        field_name=field, md_algorithm="sha256", subfilter=SigSeedSubFilter.PADES
    )
    out = BytesIO()
    signers.PdfSigner(meta, _signer(signers, seal)).sign_pdf(
        Revision(BytesIO(pdf)), output=out, bytes_reserved=RESERVED
    )
    return out.getvalue()


def _signer(signers: Any, seal: Seal) -> Signer:
    from asn1crypto import keys
    from asn1crypto import x509 as asn1
    from pyhanko_certvalidator import registry

    others: Any = registry.SimpleCertificateStore  # which has no types
    form = serialization.PrivateFormat.PKCS8
    private = seal.key.private_bytes(Encoding.DER, form, serialization.NoEncryption())
    signer: Signer = signers.SimpleSigner(
        signing_cert=asn1.Certificate.load(seal.certificate.public_bytes(Encoding.DER)),
        signing_key=keys.PrivateKeyInfo.load(private),
        cert_registry=others(),
    )
    return signer
