"""The camera: image points to points on a plane, and back.

Conventions: pixel centres at whole numbers, x right, y down, in the upright photo. World frame:
right-handed, millimetres, z from the bench to the camera, z = 0 on the bench. ``x_cam = R x + t``;
lens by OpenCV's polynomial with the two radial terms k1 and k2
(https://docs.opencv.org, "Camera Calibration and 3D Reconstruction").
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_UNDISTORT_ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Camera:
    """A pinhole with radial distortion, at a place over the bench.

    Attributes
    ----------
    focal_px : float
        Focal length in pixels (square pixels).
    centre_px : ndarray, shape (2,)
        Principal point (x, y).
    rotation : ndarray, shape (3, 3)
        World to camera.
    translation : ndarray, shape (3,)
        World to camera, mm.
    k1, k2 : float
        Radial distortion.
    """

    focal_px: float
    centre_px: Array
    rotation: Array
    translation: Array
    k1: float = 0.0
    k2: float = 0.0

    def project(self, points_mm: ArrayLike) -> Array:
        """Project world points, shape (..., 3) in mm, to pixels, shape (..., 2)."""
        points = np.asarray(points_mm, dtype=float) @ self.rotation.T + self.translation
        plane = points[..., :2] / points[..., 2:]
        radius2 = np.sum(plane**2, axis=-1, keepdims=True)
        bent = plane * (1.0 + radius2 * (self.k1 + self.k2 * radius2))
        return np.asarray(self.focal_px * bent + self.centre_px)

    def project_plane(self, points_mm: ArrayLike, height_mm: float) -> Array:
        """Project points (..., 2) of the plane z = height to pixels (..., 2)."""
        points = np.asarray(points_mm, dtype=float)
        height = np.full((*points.shape[:-1], 1), height_mm)
        return self.project(np.concatenate([points, height], axis=-1))

    def to_plane(self, points_px: ArrayLike, height_mm: float) -> Array:
        """Map pixels (..., 2) to the plane z = height by ray intersection, mm (..., 2)."""
        bent = (np.asarray(points_px, dtype=float) - self.centre_px) / self.focal_px
        plane = bent
        for _ in range(_UNDISTORT_ROUNDS if self.k1 or self.k2 else 0):
            radius2 = np.sum(plane**2, axis=-1, keepdims=True)
            plane = bent / (1.0 + radius2 * (self.k1 + self.k2 * radius2))
        rays = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1) @ self.rotation
        foot = self.foot_mm
        reach = (height_mm - foot[2]) / rays[..., 2:]
        return np.asarray(foot[:2] + reach * rays[..., :2])

    @cached_property
    def foot_mm(self) -> Array:
        """The camera's own place in the world, shape (3,): x, y of its foot point, z its height."""
        return np.asarray(-self.rotation.T @ self.translation)

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the plane's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    def px_per_mm(self, point_mm: ArrayLike, height_mm: float) -> float:
        """Mean scale at a point of the plane z = height: root of the local area ratio."""
        point = np.asarray(point_mm, dtype=float)
        steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
        right, left, up, down = self.project_plane(point + steps, height_mm)
        return float(np.sqrt(abs(np.linalg.det(np.stack([right - left, up - down])))))

    def moved(self, origin_mm: ArrayLike, turn_deg: float) -> Camera:
        """Return this camera in a frame with its origin at ``origin_mm``, turned by ``turn_deg``.

        A point p of the old frame is ``Rz(-turn) (p - origin)`` in the new one; ``origin_mm`` has
        shape (2,), z stays.
        """
        angle = np.radians(turn_deg)
        turn = np.array(
            [[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [0.0, 0.0, 1.0]]
        )
        origin = np.append(np.asarray(origin_mm, dtype=float), 0.0)
        return replace(
            self, rotation=self.rotation @ turn, translation=self.rotation @ origin + self.translation
        )

    def upright_at(self, origin_mm: ArrayLike, height_mm: float) -> Camera:
        """Return this camera in a ring frame: origin there, +y straight up in the photo at that point."""
        origin = np.asarray(origin_mm, dtype=float)
        here = self.project_plane(origin, height_mm)
        up = self.to_plane(here - np.array([0.0, 1.0]), height_mm) - origin
        return self.moved(origin, float(np.degrees(np.arctan2(up[1], up[0]))) - 90.0)
