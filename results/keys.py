"""Keys that sign records: Ed25519 (RFC 8032), one in force per chain, each in a file of its own.

A private key never leaves its file, which only its owner may read; a passphrase may lock it besides.
It is named by its *fingerprint*: SHA-256 of the public key's DER form (SubjectPublicKeyInfo, RFC 8410),
in hexadecimal, so that anyone can repeat it::

    openssl pkey -pubin -in key.pem -outform DER | sha256sum
"""

from __future__ import annotations

import getpass
import hashlib
import os
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache, lru_cache
from pathlib import Path
from urllib.parse import quote

import platformdirs
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from results.errors import KeyUnusable, disk_trouble

PASSPHRASE_VARIABLE = "MILLIPROOF_PASSPHRASE"
PLACE_VARIABLE = "MILLIPROOF_KEYS"
OTHERS = stat.S_IRWXG | stat.S_IRWXO
LONGEST = 120  # characters of a chain's name in a file name; a longer one becomes its hash
LOCKED = b"ENCRYPTED"
PrivateKey = Ed25519PrivateKey
NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


# ---- public keys, as raw 32 bytes ----------------------------------------------------------------


def raw_public(key: PrivateKey) -> bytes:
    """The 32 bytes of RFC 8032."""
    return key.public_key().public_bytes_raw()


def holds(public: bytes, message: bytes, signature: bytes) -> bool:
    """Whether ``signature`` is that key's over exactly ``message``."""
    try:
        _public(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


@lru_cache(maxsize=64)
def _public(raw: bytes) -> Ed25519PublicKey:
    return Ed25519PublicKey.from_public_bytes(raw)


def pem(public: bytes) -> bytes:
    """The text that openssl reads with ``-pubin``."""
    return _written(public, Encoding.PEM)


def fingerprint(public: bytes) -> str:
    """64 hexadecimal digits, see above."""
    return hashlib.sha256(_written(public, Encoding.DER)).hexdigest()


def from_pem(text: bytes) -> bytes | None:
    """The raw public key of a PEM text; None unless it is exactly as ``pem`` writes it."""
    try:
        key = serialization.load_pem_public_key(text)
    except ValueError:
        return None
    if not isinstance(key, Ed25519PublicKey) or pem(key.public_bytes_raw()) != text:
        return None
    return key.public_bytes_raw()


def _written(public: bytes, how: Encoding) -> bytes:
    key = Ed25519PublicKey.from_public_bytes(public)
    return key.public_bytes(how, PublicFormat.SubjectPublicKeyInfo)


# ---- private keys --------------------------------------------------------------------------------


@cache
def asked(what: str) -> bytes:
    """The passphrase: MILLIPROOF_PASSPHRASE, else asked in a terminal, once. Empty: there is none."""
    given = os.environ.get(PASSPHRASE_VARIABLE)
    if given is None and sys.stdin is not None and sys.stdin.isatty():
        given = getpass.getpass(f"Passphrase of {what}: ")
    return (given or "").encode()


def place_of_keys(home: Path | None) -> Path:
    """MILLIPROOF_KEYS, for a home on a disk that knows no owners; else ``keys`` in the home, and for
    a store on a server (None) in the user's own data directory."""
    given = os.environ.get(PLACE_VARIABLE)
    if given:
        return Path(given).expanduser().absolute()
    return (home or platformdirs.user_data_path("milliproof")) / "keys"


class Keyring:
    """The private keys in one directory. Reads and writes nothing before it is asked to."""

    def __init__(self, place: Path, passphrase: Callable[[str], bytes] = asked) -> None:
        self.place = place
        self._passphrase = passphrase
        self._held: dict[str, PrivateKey] = {}
        self._fresh: list[Path] = []
        self.chains: set[str] = set()  # whose keys were used

    def make(self, chain: str) -> PrivateKey:
        """A new key for a chain, durable. Within ``settling``."""
        key = PrivateKey.generate()
        path = self.path(chain, fingerprint(raw_public(key)))
        secret = os.environ.get(PASSPHRASE_VARIABLE, "").encode()
        self._fresh.append(path)  # before: a full disk leaves half a file
        self._write(path, _private(key, secret))
        self._held[path.name] = key
        return key

    @contextmanager
    def settling(self) -> Iterator[None]:
        """What is made in the block is removed again when the block fails."""
        self._fresh.clear()
        try:
            yield
        except BaseException:
            for path in self._fresh:
                self._held.pop(path.name, None)
                path.unlink(missing_ok=True)
            raise

    def load(self, chain: str, mark: str) -> PrivateKey:
        """The key with the fingerprint ``mark``. Raises KeyUnusable: missing, readable by others,
        damaged, another one, locked."""
        path = self.path(chain, mark)
        if path.name not in self._held:
            key = _opened(path, self._read(path, chain), self._passphrase)
            if fingerprint(raw_public(key)) != mark:
                raise KeyUnusable(str(path), "holds another key than its name says", LOST)
            self._held[path.name] = key
        self.chains.add(chain)
        return self._held[path.name]

    def has(self, chain: str, mark: str) -> bool:
        """Whether the key's file is here."""
        return self.path(chain, mark).exists()

    def locked(self, chain: str, mark: str) -> bool:
        """Whether a passphrase locks it."""
        return LOCKED in self._read(self.path(chain, mark), chain).splitlines()[0]

    def lock(self, chain: str, mark: str, secret: bytes) -> None:
        """Write a key anew, locked by ``secret``; by nothing when that is empty."""
        key, path = self.load(chain, mark), self.path(chain, mark)
        fresh = path.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        self._write(fresh, _private(key, secret))
        fresh.replace(path)

    def forget(self, chain: str, mark: str) -> None:
        """Destroy a private key that another one has replaced."""
        path = self.path(chain, mark)
        self._held.pop(path.name, None)
        path.unlink(missing_ok=True)

    def path(self, chain: str, mark: str) -> Path:
        """Where a key is: whatever the chain's name, one plain file in this directory."""
        name = quote(chain, safe="")
        if len(name) > LONGEST:
            name = hashlib.sha256(chain.encode()).hexdigest()
        return self.place / f"key-{name}-{mark[:16]}.pem"

    def _read(self, path: Path, chain: str) -> bytes:
        try:
            handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        except FileNotFoundError as fault:
            what = f"the private key of chain {chain!r} is not there"
            raise KeyUnusable(str(path), what, LOST) from fault
        except OSError as fault:
            raise disk_trouble(str(path), fault) from fault
        with os.fdopen(handle, "rb") as file:
            _owners_only(path, os.fstat(handle))
            return file.read(4096)

    def _write(self, path: Path, text: bytes) -> None:
        try:
            self.place.mkdir(mode=stat.S_IRWXU, parents=True, exist_ok=True)
            with os.fdopen(os.open(path, NEW_FILE, stat.S_IRUSR | stat.S_IWUSR), "wb") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
                _owners_only(path, os.fstat(file.fileno()))
            _synced(self.place)
        except OSError as fault:
            raise disk_trouble(str(path), fault) from fault


LOST = (
    "bring it back from where it is kept; if it is lost: milliproof keys replace, which says so on"
    " record"
)
OPEN = (
    "chmod 600 it, and if somebody else may have read it: milliproof keys rotate. On a disk that knows"
    f" no owners set {PLACE_VARIABLE} to a directory that does"
)


def _owners_only(path: Path, found: os.stat_result) -> None:
    if found.st_mode & OTHERS:
        what = f"others may read this private key (rights {stat.S_IMODE(found.st_mode):04o})"
        raise KeyUnusable(str(path), what, OPEN)
    if found.st_uid != os.geteuid():
        raise KeyUnusable(str(path), "this private key is another user's", "work as that user")


def _private(key: PrivateKey, secret: bytes) -> bytes:
    lock = serialization.BestAvailableEncryption(secret) if secret else serialization.NoEncryption()
    return key.private_bytes(Encoding.PEM, serialization.PrivateFormat.PKCS8, lock)


def _opened(path: Path, text: bytes, passphrase: Callable[[str], bytes]) -> PrivateKey:
    locked = LOCKED in text.split(b"\n", 1)[0]
    secret = passphrase(str(path)) if locked else None
    if locked and not secret:
        remedy = f"set {PASSPHRASE_VARIABLE}, or call from a terminal and be asked"
        raise KeyUnusable(str(path), "is locked by a passphrase", remedy)
    try:
        key = serialization.load_pem_private_key(text, secret)
    except ValueError as fault:
        what = "the passphrase doesn't open it" if locked else "is damaged"
        raise KeyUnusable(str(path), what, "try again" if locked else LOST) from fault
    if not isinstance(key, PrivateKey):
        raise KeyUnusable(str(path), "is no Ed25519 key", LOST)
    return key


def _synced(place: Path) -> None:
    handle = os.open(place, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
