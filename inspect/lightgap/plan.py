"""What the ring should be: the plan, and the tolerances it is judged against."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Literal

import numpy as np

JointStyle = Literal["closed", "spaced", "tapered"]
OutlineShape = Literal["polygon", "round"]


@dataclass(frozen=True)
class Tolerance:
    """Limits as plus or minus about nominal; None is not judged.

    Lengths in mm, angles in degrees. For a closed joint the gap's limit is one-sided: 0 to ``gap_mm``.
    """

    gap_mm: float | None = None
    taper_deg: float | None = None
    pitch_error_deg: float | None = None
    skew_deg: float | None = None
    included_angle_deg: float | None = None
    mitre_deg: float | None = None
    outer_length_mm: float | None = None
    radial_offset_mm: float | None = None
    twist_deg: float | None = None
    across_flats_mm: float | None = None
    out_of_round_mm: float | None = None
    inner_offset_mm: float | None = None

    def to_dict(self) -> dict[str, float | None]:
        return {item.name: getattr(self, item.name) for item in fields(self)}


@dataclass(frozen=True)
class Plan:
    """What the ring should be; the fields are the keys of ring.toml.

    Attributes
    ----------
    segments : int
        N, 3 or more.
    joint : "closed", "spaced" or "tapered"
    across_flats_mm : float
        Outer size across flats; for a round outline the diameter.
    width_mm, thickness_mm : float
        Radial width of the wood, and its height from the bench.
    gap_mm : float
        Nominal gap at the middle of a spaced or tapered joint; 0 when closed.
    gap_deg : float
        Nominal taper of a tapered joint, positive when wider outside.
    outline : "polygon" or "round"
    reference_height_mm : float
        Height of the cards above the bench: 0, or the ring's thickness when they lie on blocks.
    tolerance : Tolerance
    """

    segments: int
    joint: JointStyle
    across_flats_mm: float
    width_mm: float
    thickness_mm: float
    gap_mm: float = 0.0
    gap_deg: float = 0.0
    outline: OutlineShape = "polygon"
    reference_height_mm: float = 0.0
    tolerance: Tolerance = field(default_factory=Tolerance)

    @property
    def mitre_deg(self) -> float:
        """Mitre angle 180/N."""
        return 180.0 / self.segments

    @property
    def pitch_deg(self) -> float:
        """Joint pitch 360/N."""
        return 360.0 / self.segments

    @property
    def outer_mm(self) -> float:
        """Distance from the centre to a flat (polygon), or the outer radius (round)."""
        return self.across_flats_mm / 2.0

    @property
    def inner_mm(self) -> float:
        """The same for the inner edge."""
        return self.outer_mm - self.width_mm

    @property
    def joint_radii_mm(self) -> tuple[float, float]:
        """Distance from the centre to the inner and to the outer end of a joint's centre line."""
        stretch = 1.0 / np.cos(np.radians(self.mitre_deg)) if self.outline == "polygon" else 1.0
        return self.inner_mm * stretch, self.outer_mm * stretch

    @property
    def middle_radius_mm(self) -> float:
        """Distance from the centre to a joint's middle."""
        return sum(self.joint_radii_mm) / 2.0
