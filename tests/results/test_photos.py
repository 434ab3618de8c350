"""Photos: nothing but the picture is kept, by its hash; what is no photo is refused in words."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from PIL import ExifTags, Image

from results import photos
from results.errors import BadRecord, NotFound, StoreUnavailable

SECRET = b"47 deg north"


def picture(kind: str = "JPEG", size: tuple[int, int] = (40, 20), turned: int = 1) -> bytes:
    """One with position, maker's note and a comment; red at its left end."""
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 4, size[1]))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = turned
    exif[ExifTags.Base.ImageDescription] = SECRET.decode()
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (47.0, 33.0, 12.0)
    out = io.BytesIO()
    image.save(out, kind, exif=exif)
    return out.getvalue()


@pytest.mark.parametrize(("kind", "ending"), [("JPEG", "jpg"), ("PNG", "png")])
def test_position_and_all_else_is_gone(tmp_path: Path, kind: str, ending: str) -> None:
    given = tmp_path / "plate.photo"
    given.write_bytes(picture(kind))
    with Image.open(given) as before:
        assert before.getexif().get_ifd(ExifTags.IFD.GPSInfo)
    kept = photos.keep(tmp_path / "home", given, "the plate")
    data = photos.read(tmp_path / "home", kept)
    assert SECRET not in data
    with Image.open(io.BytesIO(data)) as after:
        assert not after.getexif()
        assert not {"exif", "comment", "icc_profile"} & set(after.info)
        assert after.size == (40, 20)
    assert (kept["type"], kept["bytes"], kept["words"]) == (ending, len(data), "the plate")
    assert list((tmp_path / "home" / "photos").rglob(f"{kept['sha256']}.{ending}"))


def test_it_is_kept_the_way_up_that_it_is_seen(tmp_path: Path) -> None:
    given = tmp_path / "a.jpg"
    given.write_bytes(picture(turned=6))  # EXIF: turn by 90 degrees clockwise to see it upright
    data = photos.read(tmp_path, photos.keep(tmp_path, given))
    with Image.open(io.BytesIO(data)) as seen:
        assert seen.size == (20, 40)
        red, _, blue = seen.getpixel((10, 2))  # type: ignore[misc]
    assert red > 200 > 100 > blue


def test_the_same_photo_is_kept_once(tmp_path: Path) -> None:
    given = tmp_path / "a.jpg"
    given.write_bytes(picture())
    assert photos.keep(tmp_path, given) == photos.keep(tmp_path, given)
    assert len([one for one in (tmp_path / "photos").rglob("*") if one.is_file()]) == 1


@pytest.mark.parametrize("content", [b"", b"no picture", picture()[:300], b"GIF89a" + bytes(50)])
def test_what_is_no_photo_is_refused(tmp_path: Path, content: bytes) -> None:
    given = tmp_path / "a.jpg"
    given.write_bytes(content)
    with pytest.raises(BadRecord, match="no JPEG or PNG"):
        photos.keep(tmp_path, given)
    assert not (tmp_path / "photos").exists()


def test_four_gigabytes_are_refused_before_they_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = tmp_path / "huge.jpg"
    with given.open("wb") as file:
        file.truncate(4 * 2**30)  # a hole: it takes no room here

    def unread(_path: Path) -> Any:
        raise AssertionError("it was read")

    monkeypatch.setattr(Path, "read_bytes", unread)
    with pytest.raises(BadRecord, match="larger than 64 MB"):
        photos.keep(tmp_path, given)


def test_a_small_file_that_opens_to_too_many_pixels_is_refused(tmp_path: Path) -> None:
    given = tmp_path / "bomb.png"
    out = io.BytesIO()
    Image.new("1", (11_000, 10_001)).save(out, "PNG")
    given.write_bytes(out.getvalue())
    with pytest.raises(BadRecord, match="pixels"):
        photos.keep(tmp_path, given)


def test_altered_missing_and_misnamed_photos_are_named(tmp_path: Path) -> None:
    given = tmp_path / "a.jpg"
    given.write_bytes(picture())
    kept = photos.keep(tmp_path, given)
    path = next(one for one in (tmp_path / "photos").rglob("*.jpg"))
    path.write_bytes(path.read_bytes() + b"x")
    with pytest.raises(BadRecord, match="was altered"):
        photos.read(tmp_path, kept)
    path.unlink()
    with pytest.raises(NotFound, match="is missing"):
        photos.read(tmp_path, kept)
    for sha256 in ("../../etc/passwd", "", "A" * 64, "../" + "a" * 61):
        with pytest.raises(BadRecord, match="no hash"):
            photos.read(tmp_path, {**kept, "sha256": sha256})


def test_a_directory_or_a_disk_that_refuses_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadRecord, match="is no file"):
        photos.keep(tmp_path, tmp_path)
    given = tmp_path / "a.jpg"
    given.write_bytes(picture())
    (tmp_path / "photos").write_text("in the way")
    with pytest.raises(StoreUnavailable):
        photos.keep(tmp_path, given)
