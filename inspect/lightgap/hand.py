"""What a person set by hand: where the measurement starts from instead of from the search."""

from __future__ import annotations

from dataclasses import dataclass, field

PointPx = tuple[float, float]


@dataclass(frozen=True)
class HandFace:
    """One face's line as dragged: its inner and outer end in pixels of the upright photo."""

    inner_px: PointPx
    outer_px: PointPx


@dataclass(frozen=True)
class ByHand:
    """Help given on the page; all of it optional.

    Attributes
    ----------
    first_joint_px : a point near the joint that is to bear number 1
    outline_px : three points on the ring's outer edge
    faces : joint number -> (face A, face B)
    added_px : points where a joint was missed
    struck : numbers of joints that are none
    """

    first_joint_px: PointPx | None = None
    outline_px: tuple[PointPx, PointPx, PointPx] | None = None
    faces: dict[int, tuple[HandFace, HandFace]] = field(default_factory=dict)
    added_px: tuple[PointPx, ...] = ()
    struck: frozenset[int] = frozenset()
