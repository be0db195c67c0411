"""The values of one segment."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.faces.joint import JointFaces
from lightgap.measure import LinePx, SegmentMeasure
from lightgap.measure.place import Line, Place, distance_mm, face_line, wrapped_deg
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.ring.edges import EdgeLine, SegmentEdges
from lightgap.values import Measured, Unknown, measured

Array = NDArray[np.float64]

_NO_EDGE = Unknown("its outer edge could not be fitted")
_NO_FACES = Unknown("one of its faces could not be measured")
_ROUND = Unknown("a turned outer edge has no flat to measure from")
_NOT_THERE = Unknown("the segment is missing")


def measure_segment(
    number: int,
    present: bool,
    edges: SegmentEdges | None,
    before: JointFaces,
    after: JointFaces,
    camera: Camera,
    place: Place,
    plan: Plan,
    reference: Reference,
) -> SegmentMeasure:
    """Angles, length and place of one segment, each with its budget."""
    if not present:
        why = _NOT_THERE
        return SegmentMeasure(number, False, why, why, why, why, why, why, None)
    start, end = face_line(before, "b"), face_line(after, "a")
    outer = edges.outer if edges is not None else None
    uncertainty = reference.uncertainty
    included: Measured = _NO_FACES
    if start is not None and end is not None:
        included = measured(
            wrapped_deg(start.direction_deg - end.direction_deg),
            {
                "edge fit": float(np.hypot(start.direction_standard_deg, end.direction_standard_deg)),
                "reference": uncertainty.included_deg,
            },
        )
    if outer is None or plan.outline == "round":
        why = _ROUND if plan.outline == "round" else _NO_EDGE
        radial: Measured = why if outer is None else _radial(outer, place, plan, reference)
        return SegmentMeasure(
            number, True, included, why, why, why, radial, why, _edge_px(outer, None, camera, plan)
        )
    mitre_start = _mitre(start, outer, 1.0, uncertainty.mitre_deg)
    mitre_end = _mitre(end, outer, -1.0, uncertainty.mitre_deg)
    length, corners = _outer_length(start, end, before, after, outer, uncertainty.scale)
    normal_clockwise = -(outer.direction_deg + 90.0) + 90.0
    expected = place.comb_deg + (number - 0.5) * plan.pitch_deg
    twist = measured(
        wrapped_deg(normal_clockwise - expected),
        {"edge fit": outer.direction_standard_deg, "reference": uncertainty.mitre_deg},
    )
    return SegmentMeasure(
        number,
        True,
        included,
        mitre_start,
        mitre_end,
        length,
        _radial(outer, place, plan, reference),
        twist,
        _edge_px(outer, corners, camera, plan),
    )


def _mitre(face: Line | None, outer: EdgeLine, sign: float, reference_standard_deg: float) -> Measured:
    """Angle between a face and the normal of the segment's own outer edge."""
    if face is None:
        return _NO_FACES
    normal = outer.direction_deg + 90.0
    return measured(
        sign * wrapped_deg(face.direction_deg - normal),
        {
            "edge fit": face.direction_standard_deg,
            "outer edge": outer.direction_standard_deg,
            "reference": reference_standard_deg,
        },
    )


def _outer_length(
    start: Line | None,
    end: Line | None,
    before: JointFaces,
    after: JointFaces,
    outer: EdgeLine,
    scale: float,
) -> tuple[Measured, Array | None]:
    """Length of the outer edge between the two faces, and its two corners."""
    if start is None or end is None:
        return _NO_FACES, None
    corners = np.array([_meet(face, outer) for face in (start, end)])
    length = float(np.hypot(*(corners[1] - corners[0])))
    faces = sum(part.standard**2 for joint in (before, after) for part in joint.gap_budget) / 4.0
    noise = max(before.covariance[2, 2], 0.0) + max(after.covariance[0, 0], 0.0)
    value = measured(length, {"edge fit": float(np.sqrt(faces + noise)), "scale": length * scale})
    return value, corners


def _meet(face: Line, outer: EdgeLine) -> Array:
    """Where a face's line meets the outer edge's line."""
    angles = np.radians([face.direction_deg, outer.direction_deg])
    directions = np.stack([np.cos(angles), np.sin(angles)])
    steps = np.linalg.solve(directions * np.array([[1.0, -1.0]]), outer.middle_mm - face.point_mm)
    return np.asarray(face.point_mm + steps[0] * directions[:, 0])


def _radial(outer: EdgeLine, place: Place, plan: Plan, reference: Reference) -> Measured:
    if "radial_offset_mm" in reference.untold:
        return Unknown(f"cannot be told with {reference.name} as the reference")
    distance = distance_mm(outer, place.centre_mm, plan)
    return measured(
        distance - place.apothem_mm,
        {
            "edge fit": outer.offset_standard_mm,
            "reference": reference.uncertainty.radial_mm,
            "the ring's own centre": place.centre_standard_mm,
        },
    )


def _edge_px(outer: EdgeLine | None, corners: Array | None, camera: Camera, plan: Plan) -> LinePx | None:
    if outer is None:
        return None
    if corners is None:
        angle = np.radians(outer.direction_deg)
        half = (
            np.array([np.cos(angle), np.sin(angle)])
            * plan.middle_radius_mm
            * np.sin(np.radians(plan.mitre_deg))
        )
        corners = np.stack([outer.middle_mm - half, outer.middle_mm + half])
    ends = camera.project_plane(corners, plan.thickness_mm)
    return (float(ends[0, 0]), float(ends[0, 1])), (float(ends[1, 0]), float(ends[1, 1]))
