"""The numbering carried over: a later measurement told in an earlier one's numbers."""

from __future__ import annotations

from dataclasses import replace

from lightgap.again.matching import Match
from lightgap.hand import PointPx
from lightgap.measure import JointMeasure, Measurement, SegmentMeasure
from lightgap.values import Measured, Value


def first_joint_px(after: Measurement, match: Match) -> PointPx:
    """Return where joint 1 of the earlier numbering lies in the later photo, as `ByHand` takes it."""
    inner, outer = after.joints[match.number_after(1) - 1].place_px
    return (inner[0] + outer[0]) / 2.0, (inner[1] + outer[1]) / 2.0


def renumber(after: Measurement, match: Match) -> Measurement:
    """Give joints and segments the numbers that they had before, and put them in that order.

    Of a ring that lies face down all is told as it would look from the other side, where the numbers run
    clockwise again: pitch error, skew and twist change sign, and where a segment begins it ends. Only
    places in the photo stay what they are, ``angle_deg`` among them.
    """
    count = match.segments
    joints, segments = [], []
    for number in range(1, count + 1):
        joint = after.joints[match.number_after(number) - 1]
        # Face down, a segment's later joint comes first as seen in the photo.
        segment = after.segments[match.number_after(number % count + 1 if match.face_down else number) - 1]
        if match.face_down:
            joint, segment = _other_side_of_joint(joint), _other_side_of_segment(segment)
        joints.append(replace(joint, number=number))
        segments.append(replace(segment, number=number))
    return replace(after, joints=tuple(joints), segments=tuple(segments))


def _other_side_of_joint(joint: JointMeasure) -> JointMeasure:
    return replace(
        joint,
        pitch_error_deg=_reversed(joint.pitch_error_deg),
        skew_deg=_reversed(joint.skew_deg),
        faces_px=None if joint.faces_px is None else (joint.faces_px[1], joint.faces_px[0]),
    )


def _other_side_of_segment(segment: SegmentMeasure) -> SegmentMeasure:
    edge = segment.outer_edge_px
    return replace(
        segment,
        mitre_start_deg=segment.mitre_end_deg,
        mitre_end_deg=segment.mitre_start_deg,
        twist_deg=_reversed(segment.twist_deg),
        outer_edge_px=None if edge is None else (edge[1], edge[0]),
    )


def _reversed(value: Measured) -> Measured:
    return replace(value, value=-value.value) if isinstance(value, Value) else value
