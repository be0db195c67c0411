"""Where the joints lie, coarsely: the comb of 360/N, and each tooth of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.hand import PointPx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.outline import Outline


@dataclass(frozen=True, eq=False)
class Tooth:
    """One joint, coarsely (within about 0.5 mm and 1 degree), in the ring frame on the top face.

    Attributes
    ----------
    number : int
        1..N clockwise as seen; 1 is the first at or after 12 o'clock or the marked one.
    middle_mm : ndarray, shape (2,)
        The joint line's middle.
    direction_deg : float
        The joint line's direction outward, anticlockwise from +x.
    gap_mm : float
        Coarse gap at the middle (0 for a closed joint).
    found : bool
        False: nothing seen here; the place is where the comb says it should be.
    strength : float
        Evidence, in the units of the log T-squared of the search.
    """

    number: int
    middle_mm: NDArray[np.float64]
    direction_deg: float
    gap_mm: float
    found: bool
    strength: float


@dataclass(frozen=True)
class Comb:
    """All N teeth, clockwise from joint 1, and the segments that are not there.

    ``missing_segments`` holds numbers of segments (segment k lies clockwise after joint k).
    """

    teeth: tuple[Tooth, ...]
    missing_segments: tuple[int, ...] = ()


def find_comb(photo: Photo, outline: Outline, plan: Plan, first_joint_px: PointPx | None = None) -> Comb:
    """Find every joint coarsely.

    Raises
    ------
    RingError
        If the joints do not make a comb of the plan's N; the message names the N that they make.
    """
    raise NotImplementedError
