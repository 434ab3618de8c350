"""Photos of a part: written anew without position, maker's notes or anything else but the picture, and
kept under the home by the SHA-256 of what is kept.

``photos/ab/abcd....jpg``: a name can't lead elsewhere, and a changed file no longer fits its name. The
record has ``sha256``, ``type``, ``bytes``, ``given_sha256`` (of the file as it was given) and ``words``.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import warnings
from pathlib import Path
from typing import Any

from results.errors import BadRecord, NotFound, StoreUnavailable, disk_trouble

MOST_BYTES = 64 * 2**20  # of a file as given; a camera's largest pictures are below it
MOST_PIXELS = 100_000_000  # what opens to more is no photo of a part but an attack on memory
QUALITY = 92  # of JPEG: a plate stays readable
TYPES = {"JPEG": "jpg", "PNG": "png"}  # what is taken, and what it is kept as


def keep(home: Path, given: Path, words: str = "") -> dict[str, Any]:
    """Clean a photo and keep it under ``home``; what the record says of it.

    Raises BadRecord for what is no photo or too large, StoreUnavailable where Pillow or the disk fails.
    """
    raw = _read(given)
    kind, clean = cleaned(raw, str(given))
    sha256 = hashlib.sha256(clean).hexdigest()
    _write(_path(home, sha256, kind), clean)
    return {
        "sha256": sha256,
        "type": kind,
        "bytes": len(clean),
        "given_sha256": hashlib.sha256(raw).hexdigest(),
        "words": words,
    }


def read(home: Path, photo: dict[str, Any]) -> bytes:
    """A kept photo, checked against its hash. Raises NotFound, BadRecord."""
    path = _path(home, str(photo["sha256"]), str(photo["type"]))
    try:
        data = path.read_bytes()
    except FileNotFoundError as fault:
        raise NotFound(f"photo {path.name}", "is missing", "restore the home's photos") from fault
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault
    if hashlib.sha256(data).hexdigest() != photo["sha256"]:
        raise BadRecord(f"photo {path.name}", "was altered", "restore the home's photos")
    return data


def cleaned(raw: bytes, where: str) -> tuple[str, bytes]:
    """(type, bytes) of the picture alone, the way up that it is to be seen. Raises BadRecord."""
    try:
        from PIL import Image, ImageOps
    except ImportError as fault:
        remedy = "install milliproof[photos]"
        raise StoreUnavailable(where, "Pillow is not installed", remedy) from fault
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # judged below
            with Image.open(io.BytesIO(raw), formats=list(TYPES)) as opened:
                kind = str(opened.format)
                if opened.width * opened.height > MOST_PIXELS:
                    raise BadRecord(where, f"has more than {MOST_PIXELS} pixels", "make it smaller")
                upright = ImageOps.exif_transpose(opened)
                return TYPES[kind], _written(Image, upright, kind)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as fault:
        raise BadRecord(where, "is no JPEG or PNG that can be read", "take it again") from fault


def _written(image: Any, upright: Any, kind: str) -> bytes:
    """The pixels in a new picture: nothing that came along with them goes on."""
    mode = "RGB" if kind == "JPEG" or upright.mode not in ("L", "RGB", "RGBA") else upright.mode
    plain = image.new(mode, upright.size)
    plain.paste(upright.convert(mode))
    out = io.BytesIO()
    plain.save(out, kind, **({"quality": QUALITY} if kind == "JPEG" else {}))
    return out.getvalue()


def _read(given: Path) -> bytes:
    try:
        if not given.is_file():
            raise BadRecord(str(given), "is no file", "name a photo")
        if given.stat().st_size > MOST_BYTES:  # before a byte of it is read
            most = MOST_BYTES // 2**20
            raise BadRecord(str(given), f"is larger than {most} MB", "make it smaller")
        return given.read_bytes()
    except OSError as fault:
        raise disk_trouble(str(given), fault) from fault


def _path(home: Path, sha256: str, kind: str) -> Path:
    if len(sha256) != 64 or set(sha256) - set("0123456789abcdef") or kind not in TYPES.values():
        raise BadRecord(f"photo {sha256!r}", "is named by no hash")
    return home / "photos" / sha256[:2] / f"{sha256}.{kind}"


def _write(path: Path, data: bytes) -> None:
    """Whole or not at all, and on the disk."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with fresh.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise disk_trouble(str(path), fault) from fault
