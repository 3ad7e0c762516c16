"""Pictures are made anew: nothing of the file but the picture is kept."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from flask import Flask
from PIL import Image

from gardenapp.errors import FieldRefused
from gardenapp.services.store import photos
from gardenapp.words import speaking

RED, BLUE = (220, 30, 30), (30, 30, 220)


def picture(
    kind: str = "JPEG", size: tuple[int, int] = (200, 100), *, turned: int | None = None
) -> bytes:
    """Left half red, right half blue."""
    image = Image.new("RGB", size, RED)
    image.paste(BLUE, (size[0] // 2, 0, size[0], size[1]))
    exif = Image.Exif()
    exif[0x010F] = "Camera of somebody"
    if turned is not None:
        exif[0x0112] = turned
    out = io.BytesIO()
    image.save(out, kind, exif=exif)
    return out.getvalue()


def opened(data: bytes) -> Image.Image:
    return Image.open(io.BytesIO(data))


def is_near(found: object, colour: tuple[int, int, int]) -> bool:
    assert isinstance(found, tuple)
    return all(abs(one - other) < 40 for one, other in zip(found, colour, strict=True))


@pytest.mark.parametrize("kind", photos.TAKEN)
def test_each_kind_that_is_taken_becomes_a_plain_jpeg(kind: str) -> None:
    made = opened(photos.remake(picture(kind)))

    assert (made.format, made.mode, made.size) == ("JPEG", "RGB", (200, 100))
    assert is_near(made.getpixel((20, 50)), RED)
    assert is_near(made.getpixel((180, 50)), BLUE)
    assert not made.getexif()
    assert b"Camera of somebody" not in photos.remake(picture(kind))


def test_a_picture_taken_with_the_phone_turned_stands_upright() -> None:
    made = opened(photos.remake(picture(turned=6)))  # 6: to be turned a quarter to the right

    assert made.size == (100, 200)
    assert is_near(made.getpixel((50, 20)), RED)
    assert is_near(made.getpixel((50, 180)), BLUE)


def test_a_large_one_is_made_smaller_and_keeps_its_shape() -> None:
    made = opened(photos.remake(picture(size=(3_200, 1_000))))

    assert made.size == (photos.LARGEST_SIDE, 500)


def test_what_is_seen_through_shows_white() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (40, 40), (0, 0, 0, 0)).save(out, "PNG")

    made = opened(photos.remake(out.getvalue()))

    assert is_near(made.getpixel((20, 20)), (255, 255, 255))


def too_many_pixels() -> bytes:
    out = io.BytesIO()
    Image.new("1", (8_000, 8_000)).save(out, "PNG")
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "english", "spanish"),
    [
        (b"", "not a picture", "no es una imagen"),
        (b"<svg onload='x'/>", "not a picture", "no es una imagen"),
        (picture("GIF"), "not a picture", "no es una imagen"),
        (picture()[:400], "not a picture", "no es una imagen"),
        (b"\xff\xd8" + b"0" * photos.LARGEST_BYTES, "over 3.9 MB", "pasa de 3,9 MB"),
        (too_many_pixels(), "too many pixels", "demasiados píxeles"),
    ],
    ids=["nothing", "a drawing", "another kind", "cut off", "too heavy", "too many pixels"],
)
def test_what_cannot_be_taken_is_refused_beside_the_field(
    app: Flask, tmp_path: Path, data: bytes, english: str, spanish: str
) -> None:
    folder = photos.folder_in(tmp_path)

    with app.app_context():
        with pytest.raises(FieldRefused, match=english) as refused:
            photos.keep(data, folder=folder)
        with speaking("es"), pytest.raises(FieldRefused, match=spanish):
            photos.keep(data, folder=folder)

    assert refused.value.field == "photo"
    assert not folder.exists()


def test_a_kept_picture_has_a_name_of_its_own_and_is_dropped_by_it(tmp_path: Path) -> None:
    folder = photos.folder_in(tmp_path)

    names = [photos.keep(picture(), folder=folder) for _ in range(2)]

    assert names[0] != names[1]
    assert all(photos.NAME.fullmatch(name) for name in names)
    assert {path.name for path in folder.iterdir()} == set(names)
    photos.drop(names[0], folder=folder)
    photos.drop(names[0], folder=folder)  # gone is gone
    photos.drop(None, folder=folder)
    assert [path.name for path in folder.iterdir()] == [names[1]]


def test_only_a_pictures_name_is_dropped(tmp_path: Path) -> None:
    folder = photos.folder_in(tmp_path)
    photos.keep(picture(), folder=folder)
    beside = tmp_path / "garden.sqlite"
    beside.write_bytes(b"everything")

    for name in ("../garden.sqlite", str(beside), "", "."):
        photos.drop(name, folder=folder)

    assert beside.read_bytes() == b"everything"
    assert len(list(folder.iterdir())) == 1


def test_a_disk_that_is_full_leaves_no_half_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = photos.folder_in(tmp_path)
    write = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        write(self, data[: len(data) // 2])
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_bytes", full)
        with pytest.raises(OSError, match="No space left"):
            photos.keep(picture(), folder=folder)

    assert list(folder.iterdir()) == []
