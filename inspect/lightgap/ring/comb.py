"""Where the joints lie, coarsely: the comb of 360/N, and each tooth of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.errors import RingError
from lightgap.hand import PointPx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.kind import check_closed
from lightgap.ring.missing import find_missing
from lightgap.ring.phase import check_segments, find_phase
from lightgap.ring.place import Outline
from lightgap.ring.plane import px_per_mm, sampler
from lightgap.ring.strips import cut_strips, strip_step_mm
from lightgap.ring.teeth import fit_teeth
from lightgap.ring.unroll import column_mm, unroll


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


_LEAST_SEEN = 1 / 3
"""Share of the joints without which the comb's own place cannot be trusted."""


def find_comb(
    photo: Photo,
    outline: Outline,
    plan: Plan,
    first_joint_px: PointPx | None = None,
    rough: bool = False,
) -> Comb:
    """Find every joint coarsely; ``rough`` says that the outline's pose is, and leaves the N open in doubt.

    Raises
    ------
    RingError
        If the joints do not make a comb of the plan's N, or are gaps where closed ones were entered; the
        message names the N that they make, or how wide they are.
    """
    camera, height = outline.camera, plan.thickness_mm
    scale = px_per_mm(photo, camera, height)
    width_mm, step_mm = column_mm(scale), strip_step_mm(scale)
    unrolled = unroll(sampler(photo, camera, height, width_mm), outline, plan, width_mm)
    first = find_phase(unrolled, plan)
    check_segments(unrolled, plan, first, rough)
    check_closed(unrolled, plan)
    angle = first + np.arange(plan.segments) * np.radians(plan.pitch_deg)
    strips = cut_strips(sampler(photo, camera, height, 1.5 * step_mm), outline, plan, angle, step_mm)
    lines, seen = fit_teeth(strips, plan)
    if np.mean(seen) < _LEAST_SEEN:
        raise RingError(
            f"Only {int(seen.sum())} of {plan.segments} joints can be seen.",
            "Take the photo from nearer and in even light, sharp and with the ring filling the picture.",
        )

    sin, cos = np.sin(angle), np.cos(angle)
    u, v = strips.middle_mm, lines.place_mm
    middles = np.stack([u * sin + v * cos, u * cos - v * sin], axis=1)
    clockwise = np.arctan2(middles[:, 0], middles[:, 1]) % (2 * np.pi)
    order = np.argsort(clockwise)
    if first_joint_px is not None:
        marked = outline.camera.to_plane(first_joint_px, plan.thickness_mm)
        nearest = int(np.argmin(np.hypot(*(middles[order] - marked).T)))
        order = np.roll(order, -nearest)
    missing = find_missing(photo, outline, plan, clockwise[order])
    # A joint needs both its segments: beside a missing one there is a single face and no gap.
    seen[order] &= ~(missing | np.roll(missing, 1))
    teeth = tuple(
        Tooth(
            number,
            middles[k],
            float(90.0 - np.degrees(angle[k]) - lines.skew_deg[k]),
            float(lines.gap_mm[k]),
            bool(seen[k]),
            float(lines.strength[k]),
        )
        for number, k in enumerate(order, 1)
    )
    return Comb(teeth, tuple(int(k) + 1 for k in np.flatnonzero(missing)))
