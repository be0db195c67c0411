"""Where a ring lies: what the search for it hands to every later step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.camera import Camera
from lightgap.plan import Plan
from lightgap.ring.figure import Figure


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


def outline_of(camera: Camera, plan: Plan, figure: Figure) -> Outline:
    """Put a figure found on the plane in the ring's own frame."""
    height = plan.thickness_mm
    upright = camera.upright_at(figure.centre_mm, height)
    side = np.radians(figure.phase_deg)
    side_mm = np.array(figure.centre_mm) + plan.outer_mm * np.array([np.cos(side), np.sin(side)])
    middle = upright.to_plane(camera.project_plane(side_mm, height), height)
    phase = float(np.degrees(np.arctan2(middle[1], middle[0]))) % plan.pitch_deg
    return Outline(
        upright,
        plan.outer_mm * figure.scale,
        plan.inner_mm * figure.scale,
        phase if plan.outline == "polygon" else 0.0,
        figure.score,
    )
