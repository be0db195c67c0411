"""The one door for pixels: every kind of photo comes in upright and 8-bit, and nothing else comes in."""

from __future__ import annotations

import hashlib
import io
import struct
import sys
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from lightgap.errors import PhotoError
from lightgap.photo import DIAGONAL_35MM, LINEAR_OF_CODE, LUMA, Photo, read_photo

SIZE = (1300, 900)
ORIENTATION, EXIF_PART = 0x0112, 0x8769


def picture(mode: str = "RGB", size: tuple[int, int] = SIZE) -> Image.Image:
    """A smooth picture, red growing to the right and green downward."""
    across = np.linspace(20, 230, size[0])[None, :].repeat(size[1], 0)
    down = np.linspace(30, 200, size[1])[:, None].repeat(size[0], 1)
    codes = np.dstack([across, down, np.full_like(across, 90)])
    return Image.fromarray(np.rint(codes).astype(np.uint8)).convert(mode)


def written(image: Image.Image, kind: str, **options: Any) -> bytes:
    """What a file of this kind holds."""
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def lens(**tags: Any) -> Image.Exif:
    """EXIF of a lens: focal (35 mm equivalent), zoom, width, height, taken, offset."""
    numbers = {
        "focal": 41989,
        "zoom": 41988,
        "width": 40962,
        "height": 40963,
        "taken": 36867,
        "offset": 36881,
    }
    made = Image.Exif()
    made.get_ifd(EXIF_PART).update({numbers[name]: value for name, value in tags.items()})
    return made


def jpeg(tags: Image.Exif | None = None, size: tuple[int, int] = SIZE) -> bytes:
    return written(picture(size=size), "JPEG", quality=95, **({} if tags is None else {"exif": tags}))


@pytest.mark.parametrize(
    ("kind", "options", "error"),
    [
        ("JPEG", {"quality": 95}, 4),
        ("PNG", {}, 0),
        ("WEBP", {"lossless": True}, 0),
        ("TIFF", {}, 0),
        ("TIFF", {"compression": "tiff_lzw"}, 0),
        ("HEIF", {"quality": 95}, 6),
    ],
)
def test_every_format_of_the_bench_gives_the_same_pixels(
    kind: str, options: dict[str, Any], error: int
) -> None:
    pillow_heif.register_heif_opener()
    photo = read_photo(written(picture(), kind, **options))
    assert (photo.width, photo.height) == SIZE
    assert photo.codes.dtype == np.uint8
    assert np.abs(photo.codes.astype(int) - np.asarray(picture())).max() <= error


@pytest.mark.parametrize("mode", ["L", "1", "P", "RGBA", "LA", "CMYK", "YCbCr"])
def test_other_kinds_of_pixels_become_rgb(mode: str) -> None:
    image = picture(mode)
    photo = read_photo(written(image, "JPEG" if mode in ("CMYK", "YCbCr") else "PNG"))
    assert photo.codes.shape == (SIZE[1], SIZE[0], 3)
    assert np.abs(photo.codes.astype(int) - np.asarray(image.convert("RGB"))).mean() < 3.0


def test_sixteen_bits_keep_their_tones_instead_of_being_clipped() -> None:
    grey = np.asarray(picture("L"))
    deep = Image.fromarray(grey.astype(np.uint16) * 257)
    for kind in ("PNG", "TIFF"):
        assert np.array_equal(read_photo(written(deep, kind)).codes[..., 1], grey)


def test_what_is_transparent_lies_on_white() -> None:
    image = picture("RGBA")
    image.paste((0, 0, 0, 0), (0, 0, 200, 200))
    photo = read_photo(written(image, "PNG"))
    assert (photo.codes[:200, :200] == 255).all()
    assert np.array_equal(photo.codes[300:], np.asarray(picture())[300:])


def test_orientation_is_applied_once_in_every_format() -> None:
    turned = picture().transpose(Image.Transpose.ROTATE_90)  # what a camera turned clockwise stores
    pillow_heif.register_heif_opener()
    tags = Image.Exif()
    tags[ORIENTATION] = 6
    for kind in ("JPEG", "PNG", "WEBP", "TIFF", "HEIF"):
        photo = read_photo(written(turned, kind, exif=tags.tobytes()))
        assert (photo.width, photo.height) == SIZE, kind
        assert np.abs(photo.codes.astype(int) - np.asarray(picture())).mean() < 5.0, kind


def test_focal_length_follows_the_diagonal_convention() -> None:
    # 26 mm on the 43.27 mm diagonal: 4000 x 3000 px have a diagonal of 5000 px.
    photo = read_photo(jpeg(lens(focal=26), (1600, 1200)))
    assert photo.focal_px == pytest.approx(26.0 / 43.27 * 2000.0)
    assert photo.default_focal_px == photo.focal_px


def test_focal_length_does_not_depend_on_how_the_phone_was_held() -> None:
    tags = lens(focal=24, width=SIZE[0], height=SIZE[1])
    tags[ORIENTATION] = 8
    assert read_photo(jpeg(tags)).focal_px == pytest.approx(24.0 / DIAGONAL_35MM * np.hypot(*SIZE))


@pytest.mark.parametrize(
    "tags",
    [
        {},
        {"focal": 0},
        {"focal": 8},
        {"focal": 311},
        {"focal": 65535},
        {"focal": 26, "zoom": IFDRational(2, 1)},
        {"focal": 26, "width": 4000, "height": 3000},  # this picture is 13:9, so it was cropped
    ],
)
def test_focal_length_that_cannot_be_believed_is_left_out(tags: dict[str, Any]) -> None:
    photo = read_photo(jpeg(lens(**tags)))
    assert photo.focal_px is None
    assert photo.default_focal_px == pytest.approx(26.0 / 43.27 * np.hypot(*SIZE))


def test_a_photo_made_smaller_keeps_its_focal_length() -> None:
    tags = lens(focal=26, width=4 * SIZE[0], height=4 * SIZE[1], zoom=IFDRational(1, 1))
    assert read_photo(jpeg(tags)).focal_px is not None


@pytest.mark.parametrize(
    ("tags", "taken"),
    [
        ({"taken": "2026:03:01 09:30:00"}, "2026-03-01T09:30:00"),
        ({"taken": "2026:03:01 09:30:00", "offset": "+02:00"}, "2026-03-01T09:30:00+02:00"),
        ({"taken": "2026:03:01 09:30:00", "offset": "about 2"}, "2026-03-01T09:30:00"),
        ({"taken": "0000:00:00 00:00:00"}, None),
        ({}, None),
    ],
)
def test_the_time_of_the_photo(tags: dict[str, Any], taken: str | None) -> None:
    assert read_photo(jpeg(lens(**tags))).taken == taken


def test_a_file_is_named_and_identified(tmp_path: Path) -> None:
    path = tmp_path / "ring 3.jpg"
    path.write_bytes(jpeg())
    photo = read_photo(path)
    assert photo.name == "ring 3.jpg"
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert read_photo(path, "other.jpg").name == "other.jpg"


def test_linear_light_follows_srgb() -> None:
    # IEC 61966-2-1: mid grey 188 is half the light of white, codes below 11 lie on the straight part.
    assert LINEAR_OF_CODE[188] == pytest.approx(0.5, abs=0.004)
    assert LINEAR_OF_CODE[10] == pytest.approx(10 / 255 / 12.92)
    photo = Photo(np.full((4, 6, 3), 188, np.uint8))
    assert photo.linear(slice(0, 2), slice(0, 3)).shape == (2, 3, 3)
    assert photo.luma(slice(0, 2), slice(0, 3)) == pytest.approx(np.full((2, 3), LINEAR_OF_CODE[188]))
    assert LUMA.sum() == pytest.approx(1.0)


def png_of_size(width: int, height: int) -> bytes:
    """A PNG's head that tells a size, without the pixels: what a decompression bomb looks like."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"%PDF-1.7 this is no picture" * 10, "not a picture"),
        (b"\xff\xd8\xff\xe0", "not a picture"),
        (b"\x00\x00\x00\x18ftypheic" + b"\x00" * 60, "not a picture"),
        (jpeg()[:20_000], "cut short"),
        (written(picture(), "PNG")[:4_000], "cut short"),
        (jpeg(size=(366, 274)), "366 x 274 pixels"),
        (png_of_size(9000, 6000), "more than 50 megapixels"),
        (png_of_size(12_000, 9_000), "more than 50 megapixels"),
        (png_of_size(20_000, 15_000), "more than 50 megapixels"),
        (png_of_size(4000, 3000), "cut short"),
    ],
    ids=[
        "empty",
        "no picture",
        "head only",
        "no HEIC",
        "truncated JPEG",
        "truncated PNG",
        "0.1 megapixels",
        "54 megapixels",
        "108 megapixels",
        "300 megapixels",
        "bomb",
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(data: bytes, said: str) -> None:
    with pytest.raises(PhotoError) as raised:
        read_photo(data, "IMG_1.jpg")
    assert said in raised.value.message
    assert raised.value.message.startswith("IMG_1.jpg ")
    assert raised.value.message.count(". ") == 0
    assert raised.value.hint.endswith(".")


@pytest.mark.parametrize("name", ["missing.jpg", "."])
def test_a_file_that_is_not_there(tmp_path: Path, name: str) -> None:
    with pytest.raises(PhotoError, match="no file"):
        read_photo(tmp_path / name)


def test_pixels_that_no_camera_writes() -> None:
    floats = Image.fromarray(np.ones((SIZE[1], SIZE[0]), np.float32))
    with pytest.raises(PhotoError, match="mode F"):
        read_photo(written(floats, "TIFF"))


def test_a_heic_photo_without_its_decoder_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(PhotoError) as raised:
        read_photo(b"\x00\x00\x00\x18ftypheic" + b"\x00" * 60)
    assert "pillow-heif" in raised.value.hint


SMALL_FILES = {
    kind: written(picture(size=(1024, 1000)), kind, exif=lens(focal=26))
    for kind in ("JPEG", "PNG", "TIFF", "WEBP")
}


@given(
    st.sampled_from(sorted(SMALL_FILES)),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=8),
)
@settings(max_examples=60, deadline=None)
def test_a_damaged_file_is_read_or_refused_but_never_breaks_the_program(
    kind: str, damage: list[tuple[float, int]]
) -> None:
    data = bytearray(SMALL_FILES[kind])
    for place, byte in damage:
        # Most of what can go wrong stands at the front: squaring favours it.
        data[int(place**2 * (len(data) - 1))] = byte
    try:
        photo = read_photo(bytes(data))
    except PhotoError:
        return
    assert photo.codes.ndim == 3
