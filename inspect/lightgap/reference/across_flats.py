"""Scale and pose from the ring's own size across flats: the camera that makes its figure most regular.

What fixes the pose is mostly the direction of the outer edges and the places of the joints: a small
tilt shifts a circle without changing its form, but turns the edges and moves the joints round it in
the first order. A round outline has no such edges, so it needs its joints.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.errors import ScaleError
from lightgap.hand import PointPx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.adjust import (
    CAMERA_PARAMETERS,
    LENS_PARAMETERS,
    Adjusted,
    CameraPrior,
    adjust,
    camera_of,
    camera_prior,
    pose_uncertainty,
    project_with_jacobian,
    vector_of,
)
from lightgap.reference.found import Reference
from lightgap.ring.comb import Comb, find_comb
from lightgap.ring.edges import SegmentEdges, fit_edges
from lightgap.ring.outline import find_outline_unscaled
from lightgap.ring.place import Outline
from lightgap.ring.sides import find_sides

Array = NDArray[np.float64]

_HALF_LINE_MM = 5.0
"""A line is handed to the adjustment as two points so far either way of its middle."""

# How regular a carefully made ring is, k = 1; what a line itself is sure to is added to it. A joint's
# figures hold the coarse search's own errors too.
_DISTANCE_STANDARD_MM = 0.30
_DIRECTION_STANDARD_DEG = 0.10
_JOINT_PLACE_STANDARD_DEG = 0.10
_JOINT_DIRECTION_STANDARD_DEG = 0.30
_K1_STANDARD = 0.02
_CAUCHY = (15.0, 1.5)

_READING_STANDARD_MM = 0.5 / math.sqrt(12.0)
"""A size read to half a millimetre (rectangular, JCGM 100:2008 clause 4.3.7)."""
_FLATS_STANDARD_MM = 0.2
"""One pair of flats against the mean of all."""
_SIZE_DOUBT = 0.01

_LEAST_SEGMENTS = 6
_LEAST_FOUND = 0.75
_LEAST_KEPT = 0.5
_MOST_COST = 2.5
_IRREGULAR_DEG, _MOST_IRREGULAR = 0.3, 0.25

_UNTOLD = frozenset(
    {"across_flats_mm", "diameter_mm", "out_of_round_mm", "radial_offset_mm", "inner_offset_mm"}
)
_NOT_TOLD = (
    "With its own size as the only reference, the ring's size, its roundness and how far segments stand in "
    "or out cannot be told: an oval ring looks like a round one seen from aslant."
)
_LAY_CARDS = "lay printed cards round the ring: they give the scale whatever the ring is like"


@dataclass(frozen=True, eq=False)
class _Lines:
    """Outer edges and joints as seen, and where a regular ring has them.

    Attributes
    ----------
    pixels : ndarray, shape (L, 2, 2)
        Two points of each line, in the photo.
    normal : ndarray, shape (L, 2)
        Unit vector square to the regular line, in the ring frame.
    distance_mm : ndarray, shape (L,)
        Of the regular line from the centre along ``normal``: half the size for an edge, 0 for a joint.
    place_standard_mm, turn_standard : ndarray, shape (L,)
        What a line may be off by, along ``normal`` and in direction (radians).
    """

    pixels: Array
    normal: Array
    distance_mm: Array
    place_standard_mm: Array
    turn_standard: Array


@dataclass(frozen=True, eq=False)
class _Seen:
    """What one look at the ring gave."""

    outline: Outline
    comb: Comb
    edges: tuple[SegmentEdges, ...]


def find_across_flats(
    photo: Photo,
    plan: Plan,
    size_mm: float,
    points_px: tuple[PointPx, PointPx, PointPx] | None = None,
) -> Reference:
    """Solve for the camera from the ring alone.

    Parameters
    ----------
    photo : Photo
    plan : Plan
    size_mm : float
        Measured across flats; for a round outline the diameter.
    points_px : three points on the outer edge, optional
        To look for the ring there.

    Raises
    ------
    ScaleError
        If too little of the ring's edges and joints is seen, or they do not make a regular ring.
    RingError
        If there is no ring, or its joints do not fit the plan.
    """
    if plan.segments < _LEAST_SEGMENTS:
        raise ScaleError(
            f"a ring of {plan.segments} segments does not tell from where it was photographed", _LAY_CARDS
        )
    ring = replace(plan, across_flats_mm=size_mm)
    outline = find_outline_unscaled(photo, ring, points_px)
    comb = find_comb(photo, outline, ring, rough=True)
    prior = _prior(photo, outline.camera)
    first = _Seen(outline, comb, fit_edges(photo, outline, comb, ring, ("outer",)))
    camera, _ = _solve(_lines(first, ring), _starts(outline.camera, ring.thickness_mm), prior, ring)
    # Walls and edges are better told apart with the better camera.
    seen = _seen_again(photo, first, camera, ring)
    _check_seen(seen, ring)
    lines = _lines(seen, ring)
    camera, adjusted = _solve(lines, [seen.outline.camera], prior, ring)
    return _reference(camera, adjusted, lines, plan, size_mm)


def _prior(photo: Photo, camera: Camera) -> CameraPrior:
    prior = camera_prior(photo, float(camera.foot_mm[2]))
    standard = prior.standard.copy()
    standard[3] = min(standard[3], _K1_STANDARD)
    return CameraPrior(prior.mean, standard)


def _seen_again(photo: Photo, seen: _Seen, camera: Camera, ring: Plan) -> _Seen:
    """Look at the edges again with another camera, whose frame is that of the ring as before."""
    outline = replace(seen.outline, camera=camera, outer_mm=ring.outer_mm)
    before, height = seen.outline.camera, ring.thickness_mm

    def moved(points_mm: Array) -> Array:
        return camera.to_plane(before.project_plane(points_mm, height), height)

    teeth = []
    for tooth in seen.comb.teeth:
        start, end = moved(_line_points(tooth.middle_mm, tooth.direction_deg))
        direction = float(np.degrees(np.arctan2(*(end - start)[::-1])))
        teeth.append(replace(tooth, middle_mm=moved(tooth.middle_mm), direction_deg=direction))
    comb = Comb(tuple(teeth), seen.comb.missing_segments)
    return _Seen(outline, comb, fit_edges(photo, outline, comb, ring, ("outer",)))


def _line_points(middle_mm: Array, direction_deg: float) -> Array:
    """Two points of a line, shape (2, 2)."""
    angle = np.radians(direction_deg)
    along = _HALF_LINE_MM * np.array([np.cos(angle), np.sin(angle)])
    return np.stack([middle_mm - along, middle_mm + along])


def _check_seen(seen: _Seen, ring: Plan) -> None:
    """Refuse a ring of which too little was seen."""
    outer = [edge.outer for edge in seen.edges if edge.outer is not None]
    present = ring.segments - len(seen.comb.missing_segments)
    if len(outer) < _LEAST_FOUND * present:
        raise ScaleError(
            f"only {len(outer)} of {present} outer edges could be followed, too few to give the scale",
            "photograph the ring on a bench that differs from its wood and in even light, or " + _LAY_CARDS,
        )
    if float(np.median([edge.kept for edge in outer])) < _LEAST_KEPT:
        raise ScaleError(
            "the ring's outer edges are covered or broken over half of their length",
            "clear the bench round the ring, or " + _LAY_CARDS,
        )
    found = sum(tooth.found for tooth in seen.comb.teeth)
    if ring.outline == "round" and found < _LEAST_SEGMENTS:
        raise ScaleError(
            f"only {found} joints of this round ring were seen, too few for its size to give the scale",
            _LAY_CARDS,
        )


def _lines(seen: _Seen, ring: Plan) -> _Lines:
    """Collect the lines of a ring; an arc's direction tells nothing of the pose and is left out."""
    camera, height = seen.outline.camera, ring.thickness_mm
    sides = find_sides(seen.outline, seen.comb, ring, "outer")
    normal_of = dict(zip(sides.numbers.tolist(), sides.normal_rad, strict=True))
    first_joint = sides.normal_rad[0] + np.radians((sides.numbers[0] - 0.5) * ring.pitch_deg)
    points, angles, rows = [], [], []
    for number, edge in ((item.number, item.outer) for item in seen.edges):
        if edge is None:
            continue
        turn = math.hypot(edge.direction_standard_deg, _DIRECTION_STANDARD_DEG)
        points.append(_line_points(edge.middle_mm, edge.direction_deg))
        angles.append(normal_of[number])
        rows.append(
            (
                ring.outer_mm,
                math.hypot(edge.offset_standard_mm, _DISTANCE_STANDARD_MM),
                math.radians(turn) if ring.outline == "polygon" else math.inf,
            )
        )
    place = ring.middle_radius_mm * math.radians(_JOINT_PLACE_STANDARD_DEG)
    for tooth in seen.comb.teeth:
        if tooth.found:
            points.append(_line_points(tooth.middle_mm, tooth.direction_deg))
            angles.append(first_joint - np.radians((tooth.number - 1) * ring.pitch_deg) - np.pi / 2.0)
            rows.append((0.0, place, math.radians(_JOINT_DIRECTION_STANDARD_DEG)))
    normal = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return _Lines(camera.project_plane(np.array(points), height), normal, *np.array(rows).T)


def _starts(camera: Camera, height_mm: float) -> list[Camera]:
    """Return the camera itself, its mirror image over the ring, and one that looks straight down on it."""
    centre = np.array([0.0, 0.0, height_mm])
    seen = camera.rotation @ centre + camera.translation
    sight, normal = -seen / np.linalg.norm(seen), camera.rotation[:, 2]
    starts = [camera]
    for wanted in (2.0 * (normal @ sight) * sight - normal, sight):
        # The shortest turn that takes one unit vector to another (Rodrigues).
        cross = np.cross(normal, wanted)
        skew = np.array([[0, -cross[2], cross[1]], [cross[2], 0, -cross[0]], [-cross[1], cross[0], 0]])
        turn = np.eye(3) + skew + skew @ skew / (1.0 + normal @ wanted)
        rotation = turn @ camera.rotation
        starts.append(replace(camera, rotation=rotation, translation=seen - rotation @ centre))
    return starts


def _solve(lines: _Lines, starts: list[Camera], prior: CameraPrior, ring: Plan) -> tuple[Camera, Adjusted]:
    """Adjust roughly from every start, then finely from the best, and return the camera."""
    count = 2 * len(lines.pixels)

    def adjusted(start: Camera, cauchy: tuple[float, ...], tolerance: float) -> tuple[Camera, Adjusted]:
        vector = np.concatenate([prior.mean, vector_of(start)[LENS_PARAMETERS:]])
        model = _model(lines, start, prior, ring.thickness_mm)
        found = adjust(model, vector, count, cauchy, tolerance)
        return camera_of(found.vector, start), found

    rough = min((adjusted(start, _CAUCHY[:1], 1e-4) for start in starts), key=lambda one: one[1].cost)
    return adjusted(rough[0], _CAUCHY[1:], 1e-9)


def _model(
    lines: _Lines, start: Camera, prior: CameraPrior, height_mm: float
) -> Callable[[Array], tuple[Array, Array]]:
    """Residuals of the lines' places and directions, then of the prior, with their Jacobian."""

    def model(vector: Array) -> tuple[Array, Array]:
        points, change = _on_plane(vector, start, lines.pixels, height_mm)
        normal, place_standard, turn_standard = lines.normal, lines.place_standard_mm, lines.turn_standard
        middle, run = points.mean(axis=1), points[:, 1] - points[:, 0]
        length = np.hypot(*run.T)
        place = (np.sum(normal * middle, axis=1) - lines.distance_mm) / place_standard
        turn = np.sum(normal * run, axis=1) / length / turn_standard
        place_change = np.einsum("li,lip->lp", normal, change.mean(axis=1)) / place_standard[:, None]
        run_change = np.einsum("li,lip->lp", normal, change[:, 1] - change[:, 0])
        turn_change = run_change / (length * turn_standard)[:, None]
        return (
            np.concatenate([place, turn, prior.residuals(vector)]),
            np.concatenate([place_change, turn_change, prior.jacobian(CAMERA_PARAMETERS)]),
        )

    return model


def _on_plane(vector: Array, start: Camera, pixels: Array, height_mm: float) -> tuple[Array, Array]:
    """Map pixels (..., 2) to the plane; also the derivative by the camera's numbers, (..., 2, 11).

    A point that stays on its pixel moves over the plane by minus the inverse of how the pixel moves
    with the point, times how it moves with the camera.
    """
    points = camera_of(vector, start).to_plane(pixels, height_mm)
    flat = points.reshape(-1, 2)
    solid = np.column_stack([flat, np.full(len(flat), height_mm)])
    _, by_camera, by_point = project_with_jacobian(vector, start, solid)
    change = np.linalg.solve(by_point[:, :, :2], -by_camera).astype(float)
    return points, change.reshape(*points.shape, CAMERA_PARAMETERS)


def _reference(camera: Camera, adjusted: Adjusted, lines: _Lines, plan: Plan, size_mm: float) -> Reference:
    """State the camera, or refuse a figure that is not regular."""
    count = len(adjusted.residuals)
    if 2.0 * adjusted.cost > _MOST_COST * count:
        raise ScaleError(
            "the ring's edges and joints do not make one regular figure, so they do not give the scale",
            "compare segments and outline with the plan, or " + _LAY_CARDS,
        )
    edge = lines.distance_mm > 0.0
    place, turn = adjusted.residuals.reshape(2, -1)
    notes = [_NOT_TOLD]
    off_plan = size_mm / plan.across_flats_mm - 1.0
    if abs(off_plan) > _SIZE_DOUBT:
        notes.append(
            f"The size given, {size_mm:g} mm, is {abs(off_plan):.1%} {'over' if off_plan > 0 else 'under'} "
            f"the plan's {plan.across_flats_mm:g} mm: nothing in the photo tells which is right."
        )
    irregularity = 1.0
    if plan.outline == "polygon":
        off_deg = np.abs(np.degrees(turn[edge] * lines.turn_standard[edge]))
        irregularity = max(1.0, 1.4826 * float(np.median(off_deg)) / _DIRECTION_STANDARD_DEG)
        odd = int(np.sum(off_deg > _IRREGULAR_DEG))
        if odd > _MOST_IRREGULAR * len(off_deg):
            notes.append(
                f"{odd} of {len(off_deg)} outer edges stand more than {_IRREGULAR_DEG} deg off a regular "
                "ring: its own size is a poor reference for it."
            )
    centre_px = camera.project([0.0, 0.0, plan.thickness_mm])
    px_per_mm = camera.px_per_mm([0.0, 0.0], plan.thickness_mm)
    pose = pose_uncertainty(vector_of(camera), adjusted.covariance, camera, plan, centre_px)
    off_px = place[edge] * lines.place_standard_mm[edge] * px_per_mm
    kind = "across flats" if plan.outline == "polygon" else "diameter"
    return Reference(
        "across-flats",
        camera,
        replace(
            pose,
            scale=math.hypot(_READING_STANDARD_MM, _FLATS_STANDARD_MM) / size_mm,
            pitch_deg=irregularity * pose.pitch_deg,
            skew_deg=irregularity * pose.skew_deg,
            mitre_deg=irregularity * pose.mitre_deg,
            included_deg=irregularity * pose.included_deg,
            taper_deg=irregularity * pose.taper_deg,
            radial_mm=irregularity * pose.radial_mm,
        ),
        float(np.sqrt(np.mean(off_px**2))),
        f"{kind} {size_mm:g} mm",
        untold=_UNTOLD,
        notes=tuple(notes),
        focal_standard=float(np.sqrt(adjusted.covariance[0, 0])),
    )
