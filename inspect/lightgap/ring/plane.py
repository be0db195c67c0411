"""The top face's plane as a picture: reduced pixels, sampled at places given in millimetres."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from weakref import WeakKeyDictionary

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.photo import Photo

Array = NDArray[np.floating[Any]]
Codes = NDArray[np.uint8]
Float32 = NDArray[np.float32]
Sampler = Callable[[Array, Array], Codes]
"""sRGB codes at places (x, y) in mm; both arguments have two dimensions and broadcast against each other."""


_LEVELS: WeakKeyDictionary[Photo, list[Codes]] = WeakKeyDictionary()


def sampler(photo: Photo, camera: Camera, height_mm: float, grain_mm: float) -> Sampler:
    """Return a look at the plane z = height, bilinear, in pixels no larger than ``grain_mm``.

    The photo is first reduced by area means, so that fine texture makes no false edges. Places outside
    it show the nearest pixel: no edge is made up there.
    """
    codes, factor = reduced(photo, int(px_per_mm(photo, camera, height_mm) * grain_mm))
    scale, shift = np.float32(1.0 / factor), np.float32(0.5 / factor - 0.5)

    def look(x_mm: Array, y_mm: Array) -> Codes:
        across, down = project32(camera, x_mm, y_mm, height_mm)
        across *= scale
        across += shift
        down *= scale
        down += shift
        seen = cv2.remap(codes, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(seen, dtype=np.uint8)

    return look


def px_per_mm(photo: Photo, camera: Camera, height_mm: float) -> float:
    """Return the scale at the photo's middle."""
    middle = camera.to_plane([(photo.width - 1) / 2.0, (photo.height - 1) / 2.0], height_mm)
    return camera.px_per_mm(middle, height_mm)


def reduced(photo: Photo, factor: int) -> tuple[Codes, int]:
    """Reduce a photo by the greatest power of two within ``factor``, each pixel the mean of its square.

    Return the picture and its factor. What was made for a photo is kept as long as the photo.
    """
    levels = _LEVELS.setdefault(photo, [photo.codes])
    level = max(0, int(np.log2(max(factor, 1))))
    while len(levels) <= level and min(levels[-1].shape[:2]) >= 2:
        rows, columns = levels[-1].shape[0] // 2, levels[-1].shape[1] // 2
        whole = levels[-1][: 2 * rows, : 2 * columns]
        levels.append(np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8))
    level = min(level, len(levels) - 1)
    return levels[level], 2**level


def project32(camera: Camera, x_mm: Array, y_mm: Array, height_mm: float) -> tuple[Float32, Float32]:
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
