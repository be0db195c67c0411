"""The outer and the inner edge of each segment's top face, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb
from lightgap.ring.outline import Outline


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """A straight edge fitted in original pixels, in the ring frame on the top face.

    Attributes
    ----------
    middle_mm : ndarray, shape (2,)
        The middle of the fitted part (for a round outline: the arc's middle).
    direction_deg : float
        Direction of the line (of the tangent, if round), clockwise round the ring, from +x.
    offset_standard_mm, direction_standard_deg : float
        Standard uncertainties of the fit: square to the line at its middle, and of its direction.
    kept : float
        Share of its length that agreed.
    """

    middle_mm: NDArray[np.float64]
    direction_deg: float
    offset_standard_mm: float
    direction_standard_deg: float
    kept: float


@dataclass(frozen=True)
class SegmentEdges:
    """Edges of segment ``number``; None where an edge could not be fitted."""

    number: int
    outer: EdgeLine | None
    inner: EdgeLine | None


def fit_edges(photo: Photo, outline: Outline, comb: Comb, plan: Plan) -> tuple[SegmentEdges, ...]:
    """Fit every present segment's outer and inner top edge, clockwise from segment 1."""
    raise NotImplementedError
