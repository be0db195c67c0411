"""Where a ring lies: what the search for it hands to every later step."""

from __future__ import annotations

from dataclasses import dataclass

from lightgap.camera import Camera


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
