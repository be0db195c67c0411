"""Values with their uncertainty, per joint, per segment and for the ring, as design.md defines them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.faces.joint import JointFaces
from lightgap.faces.strip import JointFrame
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.ring.comb import Comb
from lightgap.ring.edges import EdgeLine, SegmentEdges
from lightgap.ring.outline import Outline
from lightgap.roundness import round_of
from lightgap.values import Below, Contribution, Measured, Unknown, Value, measured

Array = NDArray[np.float64]

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


_NO_EDGE = Unknown("its outer edge could not be fitted")
_NO_FACES = Unknown("one of its faces could not be measured")
_ROUND = Unknown("a turned outer edge has no flat to measure from")
_NOT_THERE = Unknown("the segment is missing")


@dataclass(frozen=True, eq=False)
class _Line:
    """A straight line in the ring frame: a point, a direction, and the direction's uncertainty."""

    point_mm: Array
    direction_deg: float
    direction_standard_deg: float


@dataclass(frozen=True, eq=False)
class _Place:
    """Where the ring's true centre lies in the ring frame, and where its even comb stands.

    ``comb_deg`` is the clockwise angle of joint 1 in the best even spacing.
    """

    centre_mm: Array
    centre_standard_mm: float
    comb_deg: float
    apothem_mm: float


def measure(
    outline: Outline,
    comb: Comb,
    edges: tuple[SegmentEdges, ...],
    joints: tuple[JointFaces, ...],
    plan: Plan,
    reference: Reference,
) -> Measurement:
    """Turn fitted faces and edges into the values of the report, each with its budget.

    Parameters
    ----------
    joints : tuple of JointFaces
        Clockwise from joint 1.
    """
    place = _place(edges, joints, plan)
    by_number = {item.number: item for item in edges}
    measured_joints = tuple(_joint(joint, outline.camera, place, plan, reference) for joint in joints)
    segments = tuple(
        _segment(
            number,
            number not in comb.missing_segments,
            by_number.get(number),
            joints[number - 1],
            joints[number % plan.segments],
            outline.camera,
            place,
            plan,
            reference,
        )
        for number in range(1, plan.segments + 1)
    )
    ring = _ring(edges, measured_joints, segments, outline.camera, place, plan, reference)
    mm_per_px = 1.0 / outline.camera.px_per_mm([0.0, 0.0], plan.thickness_mm)
    return Measurement(ring, measured_joints, segments, mm_per_px)


def _place(edges: tuple[SegmentEdges, ...], joints: tuple[JointFaces, ...], plan: Plan) -> _Place:
    """Fit the centre to the outer edges, and the even comb to the joints' middles."""
    outer = [item.outer for item in edges if item.outer is not None]
    centre, standard, apothem = np.zeros(2), 0.3, plan.outer_mm
    if len(outer) >= 4:
        centre, standard, apothem = _centre_of(outer, plan)
    turned = []
    for joint in joints:
        if joint.face_a is None or joint.face_b is None:
            continue
        middle = _joint_line(joint).point_mm - centre
        turned.append((_clockwise_deg(middle) - (joint.number - 1) * plan.pitch_deg, joint.number))
    if not turned:
        first = joints[0].middle_mm - centre
        return _Place(centre, standard, _clockwise_deg(first), apothem)
    base = turned[0][0]
    away = np.array([_wrapped(angle - base) for angle, _ in turned])
    return _Place(centre, standard, float(base + np.median(away) + _trimmed(away - np.median(away))), apothem)


def _trimmed(values: Array) -> float:
    """Mean of what lies within 3 robust standard deviations of zero."""
    spread = max(1.4826 * float(np.median(np.abs(values))), 1e-3)
    return float(np.mean(values[np.abs(values) <= 3.0 * spread]))


def _centre_of(outer: list[EdgeLine], plan: Plan) -> tuple[Array, float, float]:
    """Centre, its standard uncertainty, and the mean distance of the outer edges from it (robust)."""
    points = np.array([edge.middle_mm for edge in outer])
    if plan.outline == "round":
        normals = points / np.linalg.norm(points, axis=1, keepdims=True)
    else:
        angles = np.radians([edge.direction_deg + 90.0 for edge in outer])
        normals = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    design = np.column_stack([normals, np.ones(len(outer))])
    distance = np.sum(points * normals, axis=1)
    weights = np.ones(len(outer))
    for _ in range(10):
        root = np.sqrt(weights)[:, None]
        solution = np.linalg.lstsq(design * root, distance * root[:, 0], rcond=None)[0]
        rest = distance - design @ solution
        spread = max(1.4826 * float(np.median(np.abs(rest))), 0.02)
        weights = 1.0 / (1.0 + (rest / (2.0 * spread)) ** 2)
    standard = spread * float(np.sqrt(2.0 / len(outer)))
    return solution[:2], standard, float(solution[2])


def _frame(joint: JointFaces) -> JointFrame:
    return JointFrame(joint.middle_mm, joint.direction_deg, 0.0)


def _joint_line(joint: JointFaces) -> _Line:
    """The bisector of the two faces, at the middle of their shared length."""
    assert joint.face_a is not None and joint.face_b is not None
    middle = sum(joint.ends_mm) / 2.0
    a, b = joint.face_a, joint.face_b
    v = 0.5 * (a.offset_mm + b.offset_mm + (a.slope + b.slope) * middle)
    turn = 0.5 * (np.arctan(a.slope) + np.arctan(b.slope))
    point = _frame(joint).to_ring(np.array(middle), np.array(v))
    variance = 0.25 * (joint.covariance[1, 1] + joint.covariance[3, 3] + 2.0 * joint.covariance[1, 3])
    return _Line(
        point, joint.direction_deg - float(np.degrees(turn)), float(np.degrees(np.sqrt(max(variance, 0.0))))
    )


def _face_line(joint: JointFaces, which: str) -> _Line | None:
    face = joint.face_a if which == "a" else joint.face_b
    if face is None:
        return None
    middle = sum(joint.ends_mm) / 2.0
    point = _frame(joint).to_ring(np.array(middle), np.array(face.offset_mm + face.slope * middle))
    index = 1 if which == "a" else 3
    noise = np.degrees(np.sqrt(max(joint.covariance[index, index], 0.0)))
    # A face's own direction carries half of what makes the taper of the pair uncertain.
    extra = 0.5 * np.sqrt(sum(part.standard**2 for part in joint.taper_budget))
    return _Line(
        point, joint.direction_deg - float(np.degrees(np.arctan(face.slope))), float(np.hypot(noise, extra))
    )


def _joint(
    joint: JointFaces, camera: Camera, place: _Place, plan: Plan, reference: Reference
) -> JointMeasure:
    inner, outer = joint.ends_mm
    frame, height = _frame(joint), plan.thickness_mm

    def line_px(offset: float, slope: float) -> LinePx:
        points = frame.to_ring(np.array([inner, outer]), offset + slope * np.array([inner, outer]))
        ends = camera.project_plane(points, height)
        return (float(ends[0, 0]), float(ends[0, 1])), (float(ends[1, 0]), float(ends[1, 1]))

    if joint.face_a is None or joint.face_b is None:
        unknown = Unknown(joint.reason or "it could not be measured")
        angle = _clockwise_deg(joint.middle_mm - place.centre_mm) % 360.0
        return JointMeasure(
            joint.number,
            angle,
            joint.kind,
            False,
            unknown,
            unknown,
            unknown,
            unknown,
            unknown,
            unknown,
            joint.blocked_mm,
            None,
            line_px(0.0, 0.0),
            joint.doubts,
            joint.reason,
            joint.by_hand,
        )
    line = _joint_line(joint)
    out = line.point_mm - place.centre_mm
    angle = _clockwise_deg(out)
    radius = float(np.hypot(*out))
    uncertainty = reference.uncertainty
    side = float(np.degrees(np.sqrt(_across_variance(joint)) / radius))
    off_centre = float(np.degrees(place.centre_standard_mm / radius))
    pitch = measured(
        _wrapped(angle - place.comb_deg - (joint.number - 1) * plan.pitch_deg),
        {"edge fit": side, "reference": uncertainty.pitch_deg, "the ring's own centre": off_centre},
    )
    skew = measured(
        _wrapped(-line.direction_deg - _clockwise_deg(out) + 90.0),
        {
            "edge fit": line.direction_standard_deg,
            "reference": uncertainty.skew_deg,
            "the ring's own centre": off_centre,
        },
    )
    stations = (inner, 0.5 * (inner + outer), outer)
    gaps = [_gap(joint, station, uncertainty.scale) for station in stations]
    return JointMeasure(
        joint.number,
        angle % 360.0,
        joint.kind,
        True,
        gaps[0],
        gaps[1],
        gaps[2],
        _taper(joint, uncertainty.taper_deg),
        pitch,
        skew,
        joint.blocked_mm,
        (
            line_px(joint.face_a.offset_mm, joint.face_a.slope),
            line_px(joint.face_b.offset_mm, joint.face_b.slope),
        ),
        line_px(
            0.5 * (joint.face_a.offset_mm + joint.face_b.offset_mm),
            0.5 * (joint.face_a.slope + joint.face_b.slope),
        ),
        joint.doubts,
        joint.reason,
        joint.by_hand,
    )


def _gap(joint: JointFaces, station_mm: float, scale_standard: float) -> Measured:
    """Distance of the faces square to the joint line at u = station."""
    assert joint.face_a is not None and joint.face_b is not None
    a, b = joint.face_a, joint.face_b
    turn = 0.5 * (np.arctan(a.slope) + np.arctan(b.slope))
    gap = (b.offset_mm - a.offset_mm + (b.slope - a.slope) * station_mm) * float(np.cos(turn))
    lever = np.array([-1.0, -station_mm, 1.0, station_mm])
    noise = float(np.sqrt(max(lever @ joint.covariance @ lever, 0.0)))
    length = joint.ends_mm[1] - joint.ends_mm[0]
    away = abs(station_mm - sum(joint.ends_mm) / 2.0)
    taper = float(np.sqrt(sum(part.standard**2 for part in joint.taper_budget)))
    budget = (
        Contribution("edge fit", noise),
        Contribution("scale", abs(gap) * scale_standard),
        Contribution("along the joint", float(np.radians(taper)) * away if length > 0 else 0.0),
        *joint.gap_budget,
    )
    if joint.below_mm is not None:
        spread = 2.0 * float(np.sqrt(sum(part.standard**2 for part in budget)))
        return Below(max(gap, 0.0) + spread, budget)
    return Value(gap, budget)


def _taper(joint: JointFaces, reference_standard_deg: float) -> Value:
    """Signed angle between the faces, + when wider outside."""
    assert joint.face_a is not None and joint.face_b is not None
    taper = float(np.degrees(np.arctan(joint.face_b.slope) - np.arctan(joint.face_a.slope)))
    lever = np.array([0.0, -1.0, 0.0, 1.0])
    noise = float(np.degrees(np.sqrt(max(lever @ joint.covariance @ lever, 0.0))))
    return Value(
        taper,
        (
            Contribution("edge fit", noise),
            Contribution("reference", reference_standard_deg),
            *joint.taper_budget,
        ),
    )


def _across_variance(joint: JointFaces) -> float:
    """Variance of the joint line's place across itself, at its middle, mm^2."""
    middle = sum(joint.ends_mm) / 2.0
    lever = 0.5 * np.array([1.0, middle, 1.0, middle])
    one_edge = sum(part.standard**2 for part in joint.gap_budget) / 4.0
    return max(float(lever @ joint.covariance @ lever), 0.0) + one_edge


def _segment(
    number: int,
    present: bool,
    edges: SegmentEdges | None,
    before: JointFaces,
    after: JointFaces,
    camera: Camera,
    place: _Place,
    plan: Plan,
    reference: Reference,
) -> SegmentMeasure:
    if not present:
        return SegmentMeasure(number, False, *([_NOT_THERE] * 6), outer_edge_px=None)
    start, end = _face_line(before, "b"), _face_line(after, "a")
    outer = edges.outer if edges is not None else None
    uncertainty = reference.uncertainty
    included: Measured = _NO_FACES
    if start is not None and end is not None:
        included = measured(
            _wrapped(start.direction_deg - end.direction_deg),
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
        _wrapped(normal_clockwise - expected),
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


def _mitre(face: _Line | None, outer: EdgeLine, sign: float, reference_standard_deg: float) -> Measured:
    """Angle between a face and the normal of the segment's own outer edge."""
    if face is None:
        return _NO_FACES
    normal = outer.direction_deg + 90.0
    return measured(
        sign * _wrapped(face.direction_deg - normal),
        {
            "edge fit": face.direction_standard_deg,
            "outer edge": outer.direction_standard_deg,
            "reference": reference_standard_deg,
        },
    )


def _outer_length(
    start: _Line | None,
    end: _Line | None,
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


def _meet(face: _Line, outer: EdgeLine) -> Array:
    """Where a face's line meets the outer edge's line."""
    angles = np.radians([face.direction_deg, outer.direction_deg])
    directions = np.stack([np.cos(angles), np.sin(angles)])
    steps = np.linalg.solve(directions * np.array([[1.0, -1.0]]), outer.middle_mm - face.point_mm)
    return np.asarray(face.point_mm + steps[0] * directions[:, 0])


def _radial(outer: EdgeLine, place: _Place, plan: Plan, reference: Reference) -> Measured:
    if "radial_offset_mm" in reference.untold:
        return Unknown(f"cannot be told with {reference.name} as the reference")
    distance = _distance(outer, place.centre_mm, plan)
    return measured(
        distance - place.apothem_mm,
        {
            "edge fit": outer.offset_standard_mm,
            "reference": reference.uncertainty.radial_mm,
            "the ring's own centre": place.centre_standard_mm,
        },
    )


def _distance(edge: EdgeLine, centre_mm: Array, plan: Plan) -> float:
    """Distance of an edge from the centre: square to it (polygon) or to its middle (round)."""
    away = edge.middle_mm - centre_mm
    if plan.outline == "round":
        return float(np.hypot(*away))
    angle = np.radians(edge.direction_deg + 90.0)
    return float(abs(away @ np.array([np.cos(angle), np.sin(angle)])))


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


def _ring(
    edges: tuple[SegmentEdges, ...],
    joints: tuple[JointMeasure, ...],
    segments: tuple[SegmentMeasure, ...],
    camera: Camera,
    place: _Place,
    plan: Plan,
    reference: Reference,
) -> RingMeasure:
    untold = Unknown(f"cannot be told with {reference.name} as the reference")
    outer = [item.outer for item in edges if item.outer is not None]
    inner = [item.inner for item in edges if item.inner is not None]
    few = Unknown("too few of its outer edges could be fitted")
    size_key = "across_flats_mm" if plan.outline == "polygon" else "diameter_mm"
    size: Measured = untold if size_key in reference.untold or "across_flats_mm" in reference.untold else few
    uncertainty = reference.uncertainty
    if size is few and len(outer) >= 4:
        distances = np.array([_distance(edge, place.centre_mm, plan) for edge in outer])
        mean = 2.0 * float(np.mean(distances))
        noise = 2.0 * float(np.sqrt(np.mean([edge.offset_standard_mm**2 for edge in outer]) / len(outer)))
        size = measured(mean, {"edge fit": noise, "scale": mean * uncertainty.scale})
    least: Measured = untold if "out_of_round_mm" in reference.untold else few
    zone = least
    if least is few and len(outer) >= 6:
        circle = round_of(np.array([_foot(edge, place.centre_mm, plan) for edge in outer]))
        noise = float(np.sqrt(np.mean([edge.offset_standard_mm**2 for edge in outer])))
        parts = {"edge fit": 1.5 * noise, "reference": 2.0 * uncertainty.radial_mm}
        least = measured(circle.out_of_round_mm, parts)
        zone = measured(circle.minimum_zone_mm, parts)
    offset: Measured = (
        untold if "inner_offset_mm" in reference.untold else Unknown("too few inner edges were fitted")
    )
    if not isinstance(offset, Unknown) or (offset is not untold and len(inner) >= 6 and len(outer) >= 6):
        inner_centre, inner_standard, _ = _centre_of(inner, plan)
        offset = measured(
            float(np.hypot(*(inner_centre - place.centre_mm))),
            {
                "inner edges": inner_standard,
                "outer edges": place.centre_standard_mm,
                "reference": uncertainty.radial_mm,
            },
        )
    centre = camera.project_plane(place.centre_mm, plan.thickness_mm)
    return RingMeasure(
        size, least, zone, offset, _closure(segments), _mean_gap(joints), (float(centre[0]), float(centre[1]))
    )


def _foot(edge: EdgeLine, centre_mm: Array, plan: Plan) -> Array:
    """The point of an edge square out from the centre (polygon), or its middle (round)."""
    if plan.outline == "round":
        return edge.middle_mm
    angle = np.radians(edge.direction_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    return np.asarray(edge.middle_mm + ((centre_mm - edge.middle_mm) @ along) * along)


def _closure(segments: tuple[SegmentMeasure, ...]) -> Measured:
    """Sum of the segments' included angles; with the tapers it makes 360 degrees."""
    included = [segment.included_angle_deg for segment in segments]
    values = [value for value in included if isinstance(value, Value)]
    if len(values) < len(segments):
        return Unknown("not every segment's angle could be measured")
    fits = float(np.sqrt(sum(_part(value, "edge fit") ** 2 for value in values)))
    # What the reference adds is shared: turned one way at one segment, the other way across the ring.
    shared = float(np.mean([_part(value, "reference") for value in values]))
    return measured(sum(value.value for value in values), {"edge fit": fits, "reference": shared})


def _part(value: Value, name: str) -> float:
    return sum(part.standard for part in value.budget if part.name == name)


def _mean_gap(joints: tuple[JointMeasure, ...]) -> Measured:
    values = [joint.gap_middle_mm for joint in joints if isinstance(joint.gap_middle_mm, Value)]
    if not values:
        return Unknown("no joint is wide enough to be measured")
    names: Mapping[str, list[float]] = {
        part.name: [_part(value, part.name) for value in values]
        for value in values[:1]
        for part in value.budget
    }
    shared = ("scale", "phone's processing", "slot darkness", "blur")
    parts = {
        name: float(np.mean(each))
        if name in shared
        else float(np.sqrt(np.sum(np.square(each)))) / len(values)
        for name, each in names.items()
    }
    return measured(float(np.mean([value.value for value in values])), parts)


def _clockwise_deg(vector: Array) -> float:
    """Angle of a vector of the ring frame, clockwise from 12 o'clock."""
    return float(np.degrees(np.arctan2(vector[0], vector[1])))


def _wrapped(angle_deg: float) -> float:
    """The same angle within -180 to 180."""
    return float((angle_deg + 180.0) % 360.0 - 180.0)
