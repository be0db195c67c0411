"""The photo: upright pixels, and what its EXIF says of the lens.

The one door through which pixels come in; orientation is applied once, here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LUMA = np.array([0.3, 0.59, 0.11], dtype=np.float32)
"""Weights of linear red, green and blue in the luma that is measured."""


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
    """

    codes: NDArray[np.uint8]
    focal_px: float | None = None
    name: str = "photo"

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
        """EXIF's focal length, or that of a usual phone (26 mm of 43.27 mm diagonal) without it."""
        return self.focal_px or 26.0 / 43.27 * float(np.hypot(self.width, self.height))


def read_photo(source: Path | bytes, name: str | None = None) -> Photo:
    """Read a photo file (JPEG, PNG, WebP, TIFF, HEIC) upright.

    Raises
    ------
    PhotoError
        If it is no picture, truncated, empty, below 1 or above 50 megapixels.
    """
    import io

    from PIL import Image, ImageOps

    data = source.read_bytes() if isinstance(source, Path) else source
    image = Image.open(io.BytesIO(data))
    exif = image.getexif().get_ifd(0x8769)
    upright = ImageOps.exif_transpose(image).convert("RGB")
    codes = np.asarray(upright)
    equivalent = exif.get(41989)
    focal = float(equivalent) / 43.27 * float(np.hypot(*upright.size)) if equivalent else None
    return Photo(codes, focal, name or (source.name if isinstance(source, Path) else "photo"))
