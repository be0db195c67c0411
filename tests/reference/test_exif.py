"""EXIF orientation against Pillow's own `ImageOps.exif_transpose`, all eight."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from lightgap.photo import read_photo

ORIENTATION = 0x0112


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_upright_pixels_are_those_of_pillow(kind: str, orientation: int) -> None:
    noise = np.random.default_rng(orientation).integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, kind, exif=exif)
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(stream.getvalue())))
    assert np.array_equal(read_photo(stream.getvalue()).codes, np.asarray(upright))
