"""The top face's plane as a picture: reduced pixels, sampled at places given in millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.photo import Photo

Float32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Reduced:
    """A photo made smaller by a whole factor, each pixel the mean of ``factor`` x ``factor``.

    Attributes
    ----------
    codes : ndarray of uint8, shape (height, width, 3)
    factor : int
    """

    codes: NDArray[np.uint8]
    factor: int


def reduce_photo(photo: Photo, px_per_mm: float, grain_mm: float) -> Reduced:
    """Reduce by area means to pixels of at most ``grain_mm``, so that fine texture makes no false edges."""
    factor = max(1, int(px_per_mm * grain_mm))
    if factor == 1:
        return Reduced(photo.codes, 1)
    rows, columns = photo.height // factor, photo.width // factor
    whole = photo.codes[: rows * factor, : columns * factor]
    codes = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return Reduced(np.asarray(codes, dtype=np.uint8), factor)


def sample(
    reduced: Reduced, camera: Camera, x_mm: NDArray[np.floating], y_mm: NDArray[np.floating], height_mm: float
) -> NDArray[np.uint8]:
    """Return the sRGB codes seen at places of the plane z = height, bilinear; shape (rows, columns, 3).

    ``x_mm`` and ``y_mm`` have two dimensions and broadcast against each other. Places outside the
    photo take the nearest pixel: no edge is made up there.
    """
    across, down = project32(camera, x_mm, y_mm, height_mm)
    scale, shift = np.float32(1.0 / reduced.factor), np.float32(0.5 / reduced.factor - 0.5)
    across *= scale
    across += shift
    down *= scale
    down += shift
    seen = cv2.remap(reduced.codes, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, dtype=np.uint8)


def project32(
    camera: Camera, x_mm: NDArray[np.floating], y_mm: NDArray[np.floating], height_mm: float
) -> tuple[Float32, Float32]:
    """Project like `Camera.project_plane`, in single precision (about 0.001 px) and several times faster."""
    x, y = np.asarray(x_mm, dtype=np.float32), np.asarray(y_mm, dtype=np.float32)
    turn = camera.rotation.astype(np.float32)
    origin = (camera.rotation[:, 2] * height_mm + camera.translation).astype(np.float32)
    depth = turn[2, 0] * x + (turn[2, 1] * y + origin[2])
    across = turn[0, 0] * x + (turn[0, 1] * y + origin[0])
    down = turn[1, 0] * x + (turn[1, 1] * y + origin[1])
    across /= depth
    down /= depth
    bend = np.float32(camera.focal_px)
    if camera.k1 or camera.k2:
        radius2 = across * across + down * down
        bend = bend * (1.0 + radius2 * (np.float32(camera.k1) + np.float32(camera.k2) * radius2))
    across *= bend
    down *= bend
    across += np.float32(camera.centre_px[0])
    down += np.float32(camera.centre_px[1])
    return across, down
