"""Where the ring's centre lies, where its even comb stands, and the lines that values are made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.joint import JointFaces
from lightgap.faces.strip import JointFrame
from lightgap.plan import Plan
from lightgap.ring.edges import EdgeLine, SegmentEdges

Array = NDArray[np.float64]


_LEAST_SPREAD_MM, _LEAST_OF_RMS = 0.02, 0.5
_MOST_APART = 3.0
"""Even where joints scatter much, each counts as an edge that is so many times less sure: edges may all be
wrong on one side, where a shadow runs along them."""


@dataclass(frozen=True, eq=False)
class Line:
    """A straight line in the ring frame: a point, a direction, and the direction's uncertainty."""

    point_mm: Array
    direction_deg: float
    direction_standard_deg: float


@dataclass(frozen=True, eq=False)
class Place:
    """Where the ring's true centre lies in the ring frame, and where its even comb stands.

    ``comb_deg`` is the clockwise angle of joint 1 in the best even spacing.
    """

    centre_mm: Array
    centre_standard_mm: float
    comb_deg: float
    apothem_mm: float


def find_place(edges: tuple[SegmentEdges, ...], joints: tuple[JointFaces, ...], plan: Plan) -> Place:
    """Fit the centre to the outer edges and the joint lines, and the even comb to the joints' middles."""
    outer = [item.outer for item in edges if item.outer is not None]
    fitted = [joint for joint in joints if joint.face_a is not None and joint.face_b is not None]
    lines = [joint_line(joint) for joint in fitted]
    centre, standard, apothem = np.zeros(2), 0.3, plan.outer_mm
    if len(outer) >= 4:
        centre, standard, apothem = centre_of(outer, plan, lines)
    if not fitted:
        first = joints[0].middle_mm - centre
        return Place(centre, standard, clockwise_deg(first), apothem)
    turned = [
        clockwise_deg(line.point_mm - centre) - (joint.number - 1) * plan.pitch_deg
        for joint, line in zip(fitted, lines, strict=True)
    ]
    base = turned[0]
    away = np.array([wrapped_deg(angle - base) for angle in turned])
    return Place(centre, standard, float(base + np.median(away) + _trimmed(away - np.median(away))), apothem)


def _trimmed(values: Array) -> float:
    """Mean of what lies within 3 robust standard deviations of zero."""
    spread = max(1.4826 * float(np.median(np.abs(values))), 1e-3)
    return float(np.mean(values[np.abs(values) <= 3.0 * spread]))


def centre_of(
    outer: list[EdgeLine], plan: Plan, lines: list[Line] | None = None
) -> tuple[Array, float, float]:
    """Centre, its standard uncertainty, and the mean distance of the outer edges from it (robust).

    Every edge stands the same distance from the centre, each with an error of its own. Joint lines, where
    given, run through it; but cut angles add up round the ring, so that those of one side are askew alike
    and pass it together: all of them tell it no better than they scatter.
    """
    points = np.array([edge.middle_mm for edge in outer])
    if plan.outline == "round":
        normals = points / np.linalg.norm(points, axis=1, keepdims=True)
    else:
        angles = np.radians([edge.direction_deg + 90.0 for edge in outer])
        normals = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    design = np.column_stack([normals, np.ones(len(outer))])
    distance = np.sum(points * normals, axis=1)
    if lines:
        across = np.radians([line.direction_deg + 90.0 for line in lines])
        sides = np.stack([np.cos(across), np.sin(across)], axis=1)
        design = np.vstack([design, np.column_stack([sides, np.zeros(len(lines))])])
        distance = np.concatenate([distance, np.sum([line.point_mm for line in lines] * sides, axis=1)])
    is_edge = np.arange(len(distance)) < len(outer)
    information = np.ones(len(distance))
    for _ in range(10):
        root = np.sqrt(information)
        solution = np.linalg.lstsq(design * root[:, None], distance * root, rcond=None)[0]
        rest = distance - design @ solution
        of_edges, of_joints = _spread_mm(rest[is_edge]), _spread_mm(rest[~is_edge])
        spread = np.where(is_edge, of_edges, of_joints)
        apart = min(of_joints * np.sqrt(0.5 * np.sum(~is_edge)), _MOST_APART * of_edges)
        variance = np.where(is_edge, of_edges, apart) ** 2
        information = 1.0 / (variance * (1.0 + (rest / (2.0 * spread)) ** 2))
    # Three unknowns take their part of the edges' scatter.
    free = len(outer) / max(len(outer) - 3, 1)
    covariance = free * np.linalg.pinv(design.T @ (information[:, None] * design))
    return solution[:2], float(np.sqrt(0.5 * np.trace(covariance[:2, :2]))), float(solution[2])


def _spread_mm(rest: Array) -> float:
    """Robust standard deviation about zero; a few that agree by chance do not make the others outliers."""
    if not rest.size:
        return _LEAST_SPREAD_MM
    usual = 1.4826 * float(np.median(np.abs(rest)))
    return max(usual, _LEAST_OF_RMS * float(np.sqrt(np.mean(rest**2))), _LEAST_SPREAD_MM)


def frame_of(joint: JointFaces) -> JointFrame:
    return JointFrame(joint.middle_mm, joint.direction_deg, 0.0)


def joint_line(joint: JointFaces) -> Line:
    """The bisector of the two faces, at the middle of their shared length."""
    assert joint.face_a is not None and joint.face_b is not None
    middle = sum(joint.ends_mm) / 2.0
    a, b = joint.face_a, joint.face_b
    v = 0.5 * (a.offset_mm + b.offset_mm + (a.slope + b.slope) * middle)
    turn = 0.5 * (np.arctan(a.slope) + np.arctan(b.slope))
    point = frame_of(joint).to_ring(np.array(middle), np.array(v))
    variance = 0.25 * (joint.covariance[1, 1] + joint.covariance[3, 3] + 2.0 * joint.covariance[1, 3])
    return Line(
        point, joint.direction_deg - float(np.degrees(turn)), float(np.degrees(np.sqrt(max(variance, 0.0))))
    )


def face_line(joint: JointFaces, which: str) -> Line | None:
    face = joint.face_a if which == "a" else joint.face_b
    if face is None:
        return None
    middle = sum(joint.ends_mm) / 2.0
    point = frame_of(joint).to_ring(np.array(middle), np.array(face.offset_mm + face.slope * middle))
    index = 1 if which == "a" else 3
    noise = np.degrees(np.sqrt(max(joint.covariance[index, index], 0.0)))
    # What makes the taper of the pair uncertain can be all in one of the two faces.
    extra = np.sqrt(sum(part.standard**2 for part in joint.taper_budget))
    return Line(
        point, joint.direction_deg - float(np.degrees(np.arctan(face.slope))), float(np.hypot(noise, extra))
    )


def distance_mm(edge: EdgeLine, centre_mm: Array, plan: Plan) -> float:
    """Distance of an edge from the centre: square to it (polygon) or to its middle (round)."""
    away = edge.middle_mm - centre_mm
    if plan.outline == "round":
        return float(np.hypot(*away))
    angle = np.radians(edge.direction_deg + 90.0)
    return float(abs(away @ np.array([np.cos(angle), np.sin(angle)])))


def foot_mm(edge: EdgeLine, centre_mm: Array, plan: Plan) -> Array:
    """The point of an edge square out from the centre (polygon), or its middle (round)."""
    if plan.outline == "round":
        return edge.middle_mm
    angle = np.radians(edge.direction_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    return np.asarray(edge.middle_mm + ((centre_mm - edge.middle_mm) @ along) * along)


def clockwise_deg(vector: Array) -> float:
    """Angle of a vector of the ring frame, clockwise from 12 o'clock."""
    return float(np.degrees(np.arctan2(vector[0], vector[1])))


def wrapped_deg(angle_deg: float) -> float:
    """The same angle within -180 to 180."""
    return float((angle_deg + 180.0) % 360.0 - 180.0)
