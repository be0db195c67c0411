"""Where the ring lies: its outer and inner edge as one regular figure on the top face's plane."""

from __future__ import annotations

from dataclasses import dataclass

from lightgap.camera import Camera
from lightgap.hand import PointPx
from lightgap.photo import Photo
from lightgap.plan import Plan


@dataclass(frozen=True)
class Outline:
    """The ring's place.

    Attributes
    ----------
    camera : Camera
        Re-expressed in the ring frame: origin at the ring's centre, +y straight up in the photo
        there, z = 0 on the bench; the top face is z = plan.thickness_mm.
    outer_mm, inner_mm : float
        Distance from the centre to a flat (polygon) or radius (round), at the top face.
    phase_deg : float
        Direction, anticlockwise from +x, of the middle of one outer side; 0 for a round outline.
    score : float
        Evidence, 0 to 4 (2.4 and more is a ring).
    """

    camera: Camera
    outer_mm: float
    inner_mm: float
    phase_deg: float
    score: float


def find_outline(
    photo: Photo, camera: Camera, plan: Plan, points_px: tuple[PointPx, PointPx, PointPx] | None = None
) -> Outline:
    """Find the ring with a camera whose scale is known, starting from three hand-set points if given.

    Raises
    ------
    RingError
        If there is no ring here, it is cut off by the frame, or it is not of the plan's size.
    """
    raise NotImplementedError


def find_outline_unscaled(
    photo: Photo, plan: Plan, points_px: tuple[PointPx, PointPx, PointPx] | None = None
) -> Outline:
    """Find the ring with nothing known but its size: the pose comes from the figure's own regularity."""
    raise NotImplementedError
