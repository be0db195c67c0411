"""The original pixels across one joint, each with its place on the ring's top face.

Points are mapped, never the picture: every pixel of the strip keeps its own value and gets the place
(u, v) of its centre in the joint frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.faces.blur import Response
from lightgap.faces.colour import brightness_and_tint
from lightgap.photo import LUMA, Photo

Array = NDArray[np.float64]

_GRID = 6


@dataclass(frozen=True, eq=False)
class JointFrame:
    """Origin, and directions of u (outward) and v (clockwise), of a joint on the plane z = height."""

    middle_mm: Array
    direction_deg: float
    height_mm: float

    @property
    def along(self) -> Array:
        angle = np.radians(self.direction_deg)
        return np.array([np.cos(angle), np.sin(angle)])

    @property
    def across(self) -> Array:
        angle = np.radians(self.direction_deg)
        return np.array([np.sin(angle), -np.cos(angle)])

    def to_ring(self, u: Array, v: Array) -> Array:
        """Joint frame (n,), (n,) to ring frame (n, 2), mm."""
        return np.asarray(
            self.middle_mm + np.multiply.outer(u, self.along) + np.multiply.outer(v, self.across)
        )

    def from_ring(self, points_mm: Array) -> tuple[Array, Array]:
        """Ring frame (..., 2) to u and v, mm."""
        shifted = np.asarray(points_mm) - self.middle_mm
        return shifted @ self.along, shifted @ self.across

    def project(self, camera: Camera, u: Array, v: Array) -> Array:
        """Joint frame to pixels (n, 2)."""
        return camera.project_plane(self.to_ring(u, v), self.height_mm)


@dataclass(frozen=True, eq=False)
class Strip:
    """Pixels across a joint.

    Attributes
    ----------
    u, v : ndarray, shape (n,)
        Place of each pixel's centre in the joint frame, mm.
    scale : ndarray, shape (n,)
        Pixels per mm square to the joint line, at each pixel.
    light : ndarray, shape (n, 3)
        Linear red, green, blue, 0..1.
    px_per_mm_along : float
        Pixels per mm along the joint line.
    """

    u: Array
    v: Array
    scale: Array
    light: NDArray[np.float32]
    px_per_mm_along: float

    @cached_property
    def luma(self) -> Array:
        return np.asarray(self.light @ LUMA, dtype=float)

    @cached_property
    def tints(self) -> Array:
        """Brightness and tint of each pixel, as `lightgap.faces.colour.brightness_and_tint` has them."""
        return brightness_and_tint(self.light)

    @property
    def px_per_mm(self) -> float:
        return float(np.mean(self.scale))

    def part(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Strip:
        """The pixels where ``keep`` is true, or at its indices in their order."""
        return Strip(self.u[keep], self.v[keep], self.scale[keep], self.light[keep], self.px_per_mm_along)


def cut_strip(
    photo: Photo,
    response: Response,
    camera: Camera,
    frame: JointFrame,
    u_range: tuple[float, float],
    v_range: tuple[float, float],
) -> Strip:
    """Collect the pixels in a rectangle of the joint frame, mm; those on its border too.

    The map from pixels to (u, v) is the camera's own, taken as a cubic fitted on a grid of points
    (exact to about 1e-4 px over a joint); pixels outside the photo are left out.
    """
    u_grid, v_grid = (
        axis.ravel()
        for axis in np.meshgrid(np.linspace(*u_range, _GRID), np.linspace(*v_range, _GRID), indexing="ij")
    )
    grid_px = frame.project(camera, u_grid, v_grid)
    centre, half = grid_px.mean(axis=0), np.ptp(grid_px, axis=0).max() / 2.0
    powers = _monomials((grid_px - centre) / half)
    to_joint = np.linalg.lstsq(powers.T, np.stack([u_grid, v_grid], axis=1), rcond=None)[0].T

    corners = grid_px.reshape(_GRID, _GRID, 2)[[0, 0, -1, -1], [0, -1, -1, 0]]
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, [photo.width, photo.height])
    if np.any(high <= low):
        empty = np.empty(0)
        return Strip(empty, empty, empty, np.empty((0, 3), np.float32), 1.0)
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillConvexPoly(mask, np.round((corners - low) * 16).astype(np.int32), 1, shift=4)
    keep = mask.astype(bool)
    rows, columns = np.nonzero(keep)
    points = np.stack([columns + low[0], rows + low[1]], axis=1)
    u, v = to_joint @ _monomials((points - centre) / half)
    light = response.light(photo, slice(low[1], high[1]), slice(low[0], high[0]), keep)

    ends = np.linspace(*u_range, 3)
    nil = np.zeros(3)
    line = frame.project(camera, ends, nil)
    beside = frame.project(camera, ends, nil + 0.5) - frame.project(camera, ends, nil - 0.5)
    along = (line[2] - line[0]) / np.hypot(*(line[2] - line[0]))
    across_px = np.abs(beside[:, 0] * along[1] - beside[:, 1] * along[0])
    scale = np.polyval(np.polyfit(ends, across_px, 2), u)
    px_along = float(np.hypot(*(line[2] - line[0]))) / (u_range[1] - u_range[0])
    return Strip(u, v, scale, light, px_along)


def _monomials(points: Array) -> Array:
    """Products of x and y up to the third degree, shape (10, n)."""
    x, y = points.T
    xx, xy, yy = x * x, x * y, y * y
    return np.stack([np.ones_like(x), x, y, xx, xy, yy, xx * x, xx * y, x * yy, yy * y])
