"""Values with their uncertainty, per joint, per segment and for the ring, as the report holds them.

The types stand here; `lightgap.measure.measuring` makes them.
"""

from __future__ import annotations

from dataclasses import dataclass

from lightgap.values import Measured

PointPx = tuple[float, float]
LinePx = tuple[PointPx, PointPx]


@dataclass(frozen=True)
class JointMeasure:
    """One joint. ``angle_deg`` is clockwise from 12 o'clock as seen in the photo.

    ``kind`` is "open", "closed", "resin" or "glue"; ``found`` False means that nothing was seen at
    the place where the joint should be; ``faces_px`` holds each face's (inner, outer) end in pixels
    of the upright photo, or None; ``place_px`` is the (inner, outer) end of the joint line, always
    there. ``doubts`` are sentences, ``reason`` says why there are no values.
    """

    number: int
    angle_deg: float
    kind: str
    found: bool
    gap_inside_mm: Measured
    gap_middle_mm: Measured
    gap_outside_mm: Measured
    taper_deg: Measured
    pitch_error_deg: Measured
    skew_deg: Measured
    blocked_mm: tuple[float, float] | None
    faces_px: tuple[LinePx, LinePx] | None
    place_px: LinePx
    doubts: tuple[str, ...] = ()
    reason: str | None = None
    by_hand: bool = False


@dataclass(frozen=True)
class SegmentMeasure:
    """One segment; segment k lies clockwise after joint k.

    ``mitre_start_deg`` is at its face B of joint k, ``mitre_end_deg`` at its face A of joint k + 1.
    """

    number: int
    present: bool
    included_angle_deg: Measured
    mitre_start_deg: Measured
    mitre_end_deg: Measured
    outer_length_mm: Measured
    radial_offset_mm: Measured
    twist_deg: Measured
    outer_edge_px: LinePx | None


@dataclass(frozen=True)
class RingMeasure:
    """The whole ring. ``size_mm`` is across flats (polygon) or the diameter (round)."""

    size_mm: Measured
    out_of_round_mm: Measured
    out_of_round_minimum_zone_mm: Measured
    inner_offset_mm: Measured
    closure_deg: Measured
    mean_gap_mm: Measured
    centre_px: PointPx


@dataclass(frozen=True)
class Measurement:
    """Everything measured in one photo."""

    ring: RingMeasure
    joints: tuple[JointMeasure, ...]
    segments: tuple[SegmentMeasure, ...]
    mm_per_px: float
    notes: tuple[str, ...] = ()
