"""The photo: upright pixels, and what its EXIF says of the lens.

The one door through which pixels come in; orientation is applied once, here.
"""

from __future__ import annotations

import hashlib
import io
import math
import warnings
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lightgap.errors import PhotoError
from lightgap.lens import DIAGONAL_35MM, CameraProfile, LensName

LUMA = np.array([0.3, 0.59, 0.11], dtype=np.float32)
"""Weights of linear red, green and blue in the luma that is measured."""

LEAST_MEGAPIXELS = 1.0
MOST_MEGAPIXELS = 50.0
_ROUNDING = 1.03  # a camera sold as one of 50 megapixels may write some more

_BELIEVABLE_35MM = (10.0, 200.0)
_USUAL_35MM = 26.0
_ZOOMED = 1.02
_CROPPED = 0.01
"""Relative difference of width to height from that which the camera noted."""
_BAND_ROWS = 64

_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1"})

# Tags of EXIF 3.0 (CIPA DC-008).
_MAKE, _MODEL, _ORIENTATION, _EXIF_PART = 0x010F, 0x0110, 0x0112, 0x8769
_TAKEN, _OFFSET = 0x9003, 0x9011
_FOCAL_MM, _LENS = 0x920A, 0xA434
_WIDTH, _HEIGHT = 0xA002, 0xA003
_DIGITAL_ZOOM, _FOCAL_35MM = 0xA404, 0xA405

_File = io.BytesIO | io.BufferedReader

_UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
"""What undoes each EXIF orientation; Pillow's rotations run anticlockwise."""


def _linear_of_code() -> NDArray[np.float32]:
    code = np.arange(256) / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


LINEAR_OF_CODE = _linear_of_code()
"""sRGB code 0..255 to linear light 0..1 (IEC 61966-2-1)."""


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo.

    Attributes
    ----------
    codes : ndarray of uint8, shape (height, width, 3)
        sRGB codes, red first, EXIF orientation applied.
    focal_px : float or None
        Focal length from EXIF in pixels of the upright photo, if it is there and believable.
    name : str
        The file's own name, for the report.
    taken : str or None
        When it was taken, as EXIF has it: "2026-03-01T09:30:00", with the offset from UTC if told.
    sha256 : str or None
        Of the file's bytes, in hexadecimal digits; None for a photo that came from no file.
    lens : LensName or None
        What EXIF says of the lens, if the picture spans all that it drew.
    orientation : int
        EXIF's, already applied.
    profile : CameraProfile or None
        What is known of this lens from other photos; `lightgap.profiles.with_profile` sets it.
    """

    codes: NDArray[np.uint8] = field(repr=False)
    focal_px: float | None = None
    name: str = "photo"
    taken: str | None = None
    sha256: str | None = None
    lens: LensName | None = None
    orientation: int = 1
    profile: CameraProfile | None = None

    @property
    def width(self) -> int:
        return int(self.codes.shape[1])

    @property
    def height(self) -> int:
        return int(self.codes.shape[0])

    def linear(self, rows: slice, columns: slice) -> NDArray[np.float32]:
        """Return a window in linear light, 0..1, shape (rows, columns, 3)."""
        return LINEAR_OF_CODE[self.codes[rows, columns]]

    def luma(self, rows: slice, columns: slice) -> NDArray[np.float32]:
        """Return a window's luma in linear light, 0..1, shape (rows, columns)."""
        return np.asarray(self.linear(rows, columns) @ LUMA)

    @cached_property
    def default_focal_px(self) -> float:
        """The profile's focal length, or EXIF's, or that of a usual phone (26 mm equivalent)."""
        diagonal = math.hypot(self.width, self.height)
        if self.profile is not None:
            return self.profile.focal * diagonal
        return self.focal_px or _USUAL_35MM / DIAGONAL_35MM * diagonal


def read_photo(source: Path | bytes, name: str | None = None) -> Photo:
    """Read a photo file (JPEG, PNG, WebP, TIFF, HEIC) upright.

    Parameters
    ----------
    source : Path or bytes
        The file, or what is in it.
    name : str, optional
        How the report calls it, by default the file's own name.

    Raises
    ------
    PhotoError
        If it is no picture, truncated, empty, below 1 or above 50 megapixels.
    """
    if isinstance(source, bytes):
        return _read(io.BytesIO(source), name or "photo")
    name = name or source.name
    if not source.is_file():
        raise PhotoError(f"There is no file {source}.", "Check the photo's name and folder.")
    try:
        with source.open("rb") as file:
            return _read(file, name)
    except OSError as error:
        raise PhotoError(
            f"{source} cannot be read: {error.strerror or error}.", "Copy the photo again to this computer."
        ) from error


def look_at_photo(source: Path | bytes, name: str) -> None:
    """Refuse at once what is no photo, by the file's head alone: nothing is decoded.

    Raises
    ------
    PhotoError
        If it is no picture, empty, below 1 or above 50 megapixels.
    """
    if isinstance(source, bytes):
        _opened(io.BytesIO(source), name)
        return
    with source.open("rb") as file:
        _opened(file, name)


def _read(file: _File, name: str) -> Photo:
    digest = hashlib.file_digest(file, "sha256").hexdigest()
    image = _decoded(file, name)
    # Only now: where the format itself is turned upright by its decoder, the tag is gone by now.
    exif = _exif(image)
    orientation = int(_number(exif.get(_ORIENTATION)))
    turn = _UPRIGHT.get(orientation)
    # What the HEIC decoder has applied already, it keeps here.
    applied = int(_number(image.info.get("original_orientation")))
    # One name for all, so that no more of them are kept than are needed.
    image = _rgb(image, name)
    if turn is not None:
        image = image.transpose(turn)
    whole = _is_whole(exif, image.size)
    return Photo(
        _pixels(image),
        _focal_px(exif, image.size) if whole else None,
        name,
        _taken(exif),
        digest,
        _lens(exif) if whole else None,
        next((told for told in (orientation, applied) if told in _UPRIGHT), 1),
    )


def _decoded(file: _File, name: str) -> Image.Image:
    """Open and decode; the size is read before anything is decoded."""
    image = _opened(file, name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            image.load()
        except Exception as error:
            raise PhotoError(
                f"{name} is damaged or was cut short: its picture cannot be decoded.",
                "Copy the photo again from the phone, or take another.",
            ) from error
    return image


def _opened(file: _File, name: str) -> Image.Image:
    """Read the head of a file and check the size that it tells."""
    if file.seek(0, io.SEEK_END) == 0:
        raise PhotoError(f"{name} is empty.", "Copy the photo again to this computer.")
    file.seek(0)
    with warnings.catch_warnings():
        # Damaged EXIF and sizes beyond Pillow's own limit are dealt with here.
        warnings.simplefilter("ignore")
        try:
            image = Image.open(file, formats=_formats(file, name))
        except Image.DecompressionBombError as error:
            raise _too_large(name) from error
        except PhotoError:
            raise
        except Exception as error:  # A decoder given any bytes may raise anything.
            raise PhotoError(
                f"{name} is not a picture that can be read, or it is damaged.",
                "Give a photo as the camera wrote it: JPEG, HEIC, PNG, WebP or TIFF.",
            ) from error
    _check_size(image, name)
    return image


def _formats(file: _File, name: str) -> tuple[str, ...]:
    """Return the formats to try; the HEIC decoder is loaded only for a HEIC file (ISO/IEC 23008-12)."""
    head = file.read(12)
    file.seek(0)
    if head[4:8] != b"ftyp" or head[8:12] not in _HEIC_BRANDS:
        return _FORMATS
    try:
        from pillow_heif import register_heif_opener
    except ImportError as error:
        raise PhotoError(
            f"{name} is a HEIC photo, and what decodes these is not installed.",
            "Install pillow-heif, or set the phone's camera to save JPEG ('most compatible').",
        ) from error
    register_heif_opener()
    return ("HEIF",)


def _check_size(image: Image.Image, name: str) -> None:
    megapixels = image.width * image.height / 1e6
    if megapixels > MOST_MEGAPIXELS * _ROUNDING:
        raise _too_large(name)
    if megapixels < LEAST_MEGAPIXELS:
        raise PhotoError(
            f"{name} has only {image.width} x {image.height} pixels, too few to measure joints.",
            f"Send the photo in its original size, {LEAST_MEGAPIXELS:.0f} megapixel or more.",
        )


def _too_large(name: str) -> PhotoError:
    return PhotoError(
        f"{name} has more than {MOST_MEGAPIXELS:.0f} megapixels.",
        "Take the photo at the camera's usual size: 12 megapixels are plenty.",
    )


def _rgb(image: Image.Image, name: str) -> Image.Image:
    """Return the picture in 8-bit RGB; what is transparent lies on white."""
    if image.mode == "RGB":
        return image
    if image.mode.startswith("I;16"):
        # Pillow itself would clip 16 bits at 255.
        return Image.fromarray((np.asarray(image) >> 8).astype(np.uint8)).convert("RGB")
    if image.mode in ("I", "F", "LAB"):
        raise PhotoError(
            f"{name} holds its pixels in a form (mode {image.mode}) that no camera writes.",
            "Save it as JPEG, or as PNG with 8 or 16 bits.",
        )
    if image.has_transparency_data:
        image = image.convert("RGBA")
        paper = Image.new("RGB", image.size, "white")
        paper.paste(image, mask=image.getchannel("A"))
        return paper
    return image.convert("RGB")


def _pixels(image: Image.Image) -> NDArray[np.uint8]:
    """Return an RGB picture's codes, copied band by band: all at once would pass through a second copy."""
    codes = np.empty((image.height, image.width, 3), dtype=np.uint8)
    for top in range(0, image.height, _BAND_ROWS):
        band = (0, top, image.width, min(top + _BAND_ROWS, image.height))
        codes[top : band[3]] = np.asarray(image.crop(band))
    return codes


def _exif(image: Image.Image) -> dict[int, object]:
    """Return the tags of both parts of EXIF; nothing where it is damaged."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            exif = image.getexif()
            return {**exif, **exif.get_ifd(_EXIF_PART)}
        except Exception:  # Cameras and editors write all kinds of nonsense here.
            return {}


def _is_whole(exif: dict[int, object], size: tuple[int, int]) -> bool:
    """Whether the picture spans what the lens drew, as far as EXIF tells.

    It does not where it was cropped after the camera noted its size, or zoomed digitally, which some
    cameras count in the focal length and some do not.
    """
    if _number(exif.get(_DIGITAL_ZOOM)) > _ZOOMED:
        return False
    noted = sorted((_number(exif.get(_WIDTH)), _number(exif.get(_HEIGHT))))
    if noted[0] <= 0.0:
        return True
    stretch = (max(size) / min(size)) / (noted[1] / noted[0])
    return 1.0 - _CROPPED <= stretch <= 1.0 + _CROPPED


def _focal_px(exif: dict[int, object], size: tuple[int, int]) -> float | None:
    """Return the focal length in pixels, by the 35 mm equivalent's diagonal, if it is believable."""
    equivalent = _number(exif.get(_FOCAL_35MM))
    if not _BELIEVABLE_35MM[0] <= equivalent <= _BELIEVABLE_35MM[1]:
        return None
    return equivalent / DIAGONAL_35MM * math.hypot(*size)


def _lens(exif: dict[int, object]) -> LensName | None:
    """Return the lens's name, if EXIF tells the camera's model and a focal length."""
    make, model, lens = (_text(exif.get(tag)) for tag in (_MAKE, _MODEL, _LENS))
    focal, equivalent = (max(_number(exif.get(tag)), 0.0) for tag in (_FOCAL_MM, _FOCAL_35MM))
    if not model or not (focal or equivalent):
        return None
    return LensName(make, model, lens, round(focal, 4), equivalent)


def _text(tag: object) -> str:
    """Return a tag's text on one line, without the blanks and zeros that cameras fill it up with."""
    if not isinstance(tag, str):
        return ""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in tag).split())


def _number(tag: object) -> float:
    """Return a tag's number; 0 where it is none."""
    try:
        number = float(tag)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return number if math.isfinite(number) else 0.0


def _taken(exif: dict[int, object]) -> str | None:
    """Return the time of the exposure in ISO 8601, or None."""
    try:
        moment = datetime.strptime(str(exif.get(_TAKEN)).strip(), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None
    offset = str(exif.get(_OFFSET, "")).strip()
    try:
        return datetime.fromisoformat(moment + offset).isoformat()
    except ValueError:
        return moment
