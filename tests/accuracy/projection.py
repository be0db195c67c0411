"""From mm to the picture and back, for whole polygons and whole windows of pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightgap.camera import Camera

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

_CHORD_PX = 0.002


@dataclass(frozen=True, eq=False)
class Projection:
    """A camera, split in two: straight perspective, where polygons are clipped, then the lens."""

    camera: Camera
    width: int
    height: int

    @cached_property
    def _pinhole(self) -> Camera:
        return replace(self.camera, focal_px=1.0, centre_px=np.zeros(2), k1=0.0, k2=0.0)

    @cached_property
    def _lens(self) -> Camera:
        return replace(self.camera, rotation=np.eye(3), translation=np.zeros(3))

    def flat(self, points_mm: ArrayLike) -> Array:
        """World points (n, 3) to the undistorted image plane (n, 2), where straight stays straight."""
        return self._pinhole.project(points_mm)

    def bent(self, flat: Array) -> Array:
        """Undistorted image plane (n, 2) to pixels (n, 2)."""
        return self._lens.project(np.column_stack([flat, np.ones(len(flat))]))

    def polygon_px(self, flat: Array) -> Array:
        """A polygon's edges through the lens: cut so finely that no chord strays by over 0.002 px."""
        after = np.roll(flat, -1, axis=0)
        ends = self.bent(flat)
        middle = self.bent((flat + after) / 2.0)
        stray = np.hypot(*(middle - (ends + np.roll(ends, -1, axis=0)) / 2.0).T)
        pieces = np.maximum(np.ceil(np.sqrt(stray / _CHORD_PX)), 1.0).astype(int)
        owner = np.repeat(np.arange(len(flat)), pieces)
        first = np.repeat(np.cumsum(pieces) - pieces, pieces)
        share = ((np.arange(len(owner)) - first) / pieces[owner])[:, None]
        return self.bent(flat[owner] + share * (after[owner] - flat[owner]))

    def plane_map(self, height_mm: float, window: tuple[slice, slice]) -> tuple[Picture, Picture]:
        """Where the pixels of a window lie on the plane z = height, mm, without the lens's bending.

        For texture and light, which need no exact place.
        """
        camera = self.camera
        rows, columns = window
        x = (np.arange(columns.start, columns.stop, dtype=np.float32) - camera.centre_px[0]) / camera.focal_px
        y = (
            np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] - camera.centre_px[1]
        ) / camera.focal_px
        turn = camera.rotation.astype(np.float32)
        foot = camera.foot_mm
        x, y = x.astype(np.float32), y.astype(np.float32)
        reach = np.float32(height_mm - foot[2]) / (x * turn[0, 2] + y * turn[1, 2] + turn[2, 2])
        return (
            np.float32(foot[0]) + reach * (x * turn[0, 0] + y * turn[1, 0] + turn[2, 0]),
            np.float32(foot[1]) + reach * (x * turn[0, 1] + y * turn[1, 1] + turn[2, 1]),
        )

    @property
    def whole(self) -> tuple[slice, slice]:
        """The window that is the whole picture."""
        return slice(0, self.height), slice(0, self.width)


def at_height(points_mm: Array, height_mm: float) -> Array:
    """Plan points (n, 2) as world points (n, 3)."""
    return np.column_stack([points_mm, np.full(len(points_mm), height_mm)])
