"""What the fine fits say of one joint: its two faces as straight lines on the top face.

Joint frame: origin at the coarse tooth's middle, u outward along the coarse joint line, v square to
it and positive clockwise round the ring (from face A to face B), mm on the plane z = thickness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.values import Contribution

JointKind = Literal["open", "closed", "resin", "glue"]
Side = Literal["a", "b"]


@dataclass(frozen=True)
class FaceLine:
    """A face's top edge: v = offset + slope * u, in the joint frame.

    ``offset_mm`` at u = 0; ``slope`` is dimensionless (tangent).
    """

    offset_mm: float
    slope: float


@dataclass(frozen=True, eq=False)
class JointFaces:
    """The two faces of a joint, or why there are none.

    Attributes
    ----------
    number : int
    kind : JointKind
    middle_mm, direction_deg :
        The joint frame (that of the tooth), in the ring frame.
    face_a, face_b : FaceLine or None
        None when the joint could not be found or measured; ``reason`` then says why.
    ends_mm : (float, float)
        u of the inner and of the outer end of the length that both faces share.
    covariance : ndarray, shape (4, 4)
        Of (offset A, slope A, offset B, slope B) from the fit's noise alone.
    gap_budget : tuple of Contribution
        Standard uncertainties of the gap beyond the fit's noise (tone curve, blur, slot darkness,
        face heights, edge that could be either of two), mm.
    taper_budget : tuple of Contribution
        The like for the taper, degrees.
    below_mm : float or None
        If set, the joint is narrower than can be resolved: the gap is below this.
    blocked_mm : (float, float) or None
        Radii from the ring's centre between which an open gap cannot be seen through.
    doubts : tuple of str
        Sentences about this joint (lit wall, squeeze-out, mark across it).
    by_hand : bool
        Started from lines set by hand.
    """

    number: int
    kind: JointKind
    middle_mm: NDArray[np.float64]
    direction_deg: float
    face_a: FaceLine | None
    face_b: FaceLine | None
    ends_mm: tuple[float, float]
    covariance: NDArray[np.float64]
    gap_budget: tuple[Contribution, ...] = ()
    taper_budget: tuple[Contribution, ...] = ()
    below_mm: float | None = None
    blocked_mm: tuple[float, float] | None = None
    doubts: tuple[str, ...] = ()
    reason: str | None = None
    by_hand: bool = False

    @property
    def line_middle_mm(self) -> NDArray[np.float64] | None:
        """Where the middle between both faces lies at u = 0, ring frame; None if they were not measured."""
        if self.face_a is None or self.face_b is None:
            return None
        direction = np.radians(self.direction_deg)
        clockwise = np.array([np.sin(direction), -np.cos(direction)])
        return self.middle_mm + 0.5 * (self.face_a.offset_mm + self.face_b.offset_mm) * clockwise
