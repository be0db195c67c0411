"""The values of one segment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.faces.joint import JointFaces
from lightgap.measure import LinePx, SegmentMeasure
from lightgap.measure.place import Line, Place, distance_mm, face_line, wrapped_deg
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.ring.edges import EdgeLine, SegmentEdges
from lightgap.values import COVERAGE_FACTOR, Measured, Unknown, measured

Array = NDArray[np.float64]

_NO_EDGE = Unknown("its outer edge could not be fitted")
_PARALLEL_STANDARD_DEG = 0.03
"""A segment's outer and inner edge were sawn from one board as parallels (common practice, no source)."""
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
    included: Measured = _NO_FACES
    if start is not None and end is not None:
        included = measured(
            wrapped_deg(start.direction_deg - end.direction_deg),
            {
                "edge fit": float(np.hypot(start.direction_standard_deg, end.direction_standard_deg)),
                **reference.parts("included_deg"),
            },
        )
    board = None if edges is None or plan.outline == "round" else _board(edges)
    why = _ROUND if plan.outline == "round" else _NO_EDGE
    mitre_start = mitre_end = twist = length = radial = cast(Measured, why)
    corners = None
    if board is not None:
        mitre_start = _mitre(start, board, 1.0, reference)
        mitre_end = _mitre(end, board, -1.0, reference)
        normal_clockwise = -(board.direction_deg + 90.0) + 90.0
        expected = place.comb_deg + (number - 0.5) * plan.pitch_deg
        twist = measured(
            wrapped_deg(normal_clockwise - expected),
            {"edge fit": board.standard_deg, **reference.parts("mitre_deg")},
        )
    if outer is not None:
        radial = _radial(outer, place, plan, reference)
        if plan.outline == "polygon":
            length, corners = _outer_length(start, end, before, after, outer, reference)
    return SegmentMeasure(
        number,
        True,
        included,
        mitre_start,
        mitre_end,
        length,
        radial,
        twist,
        _edge_px(outer, corners, camera, plan),
    )


@dataclass(frozen=True)
class _Board:
    """Direction of a segment's outer edge, told by both of its edges, and its standard uncertainty."""

    direction_deg: float
    standard_deg: float


def _board(edges: SegmentEdges) -> _Board | None:
    """Weighted mean of the outer edge's direction and of its parallel's, the inner edge.

    Where they contradict each other beyond chance, either may be the wrong line, and the uncertainty
    reaches to both.
    """
    known = [
        (edge.direction_deg, float(np.hypot(edge.direction_standard_deg, aside)))
        for edge, aside in ((edges.outer, 0.0), (edges.inner, _PARALLEL_STANDARD_DEG))
        if edge is not None
    ]
    if not known:
        return None
    if len(known) == 1:
        return _Board(*known[0])
    (outer, outer_standard), (inner, inner_standard) = known
    apart, spread = wrapped_deg(inner - outer), float(np.hypot(outer_standard, inner_standard))
    share = outer_standard**2 / spread**2
    doubt = float(np.clip(abs(apart) / spread - COVERAGE_FACTOR, 0.0, 1.0))
    either = doubt * max(share, 1.0 - share) * abs(apart) / COVERAGE_FACTOR
    return _Board(outer + share * apart, float(np.hypot(outer_standard * inner_standard / spread, either)))


def _mitre(face: Line | None, board: _Board, sign: float, reference: Reference) -> Measured:
    """Angle between a face and the normal of the segment's own edges."""
    if face is None:
        return _NO_FACES
    normal = board.direction_deg + 90.0
    return measured(
        sign * wrapped_deg(face.direction_deg - normal),
        {
            "edge fit": face.direction_standard_deg,
            "outer and inner edge": board.standard_deg,
            **reference.parts("mitre_deg"),
        },
    )


def _outer_length(
    start: Line | None,
    end: Line | None,
    before: JointFaces,
    after: JointFaces,
    outer: EdgeLine,
    reference: Reference,
) -> tuple[Measured, Array | None]:
    """Length of the outer edge between the two faces, and its two corners."""
    if start is None or end is None:
        return _NO_FACES, None
    corners = np.array([_meet(face, outer) for face in (start, end)])
    length = float(np.hypot(*(corners[1] - corners[0])))
    faces = sum(part.standard**2 for joint in (before, after) for part in joint.gap_budget) / 4.0
    noise = max(before.covariance[2, 2], 0.0) + max(after.covariance[0, 0], 0.0)
    scale = {name: length * part for name, part in reference.parts("scale").items()}
    value = measured(length, {"edge fit": float(np.sqrt(faces + noise)), **scale})
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
            **reference.parts("radial_mm"),
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
