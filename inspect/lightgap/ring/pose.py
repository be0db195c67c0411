"""The camera's pose from the ring's own regularity, when nothing else in the photo gives it.

A tilt turns the outer sides of a regular polygon to first order, so its sides tell the tilt where the
ellipse of its corners hardly does. A round ring has only the ellipses of its two edges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.figure import (
    INNER_WEIGHT,
    SIDE,
    Array,
    Figure,
    edge_evidence,
    search_figure,
    sides_of,
    unit_mm,
)
from lightgap.ring.plane import Reduced, reduce_photo, sample

_WINDOWS = (2.5, 1.5, 1.0, 0.75)
"""Half widths, in grains, within which an edge is looked for, round after round."""
_TILT_PRIOR_DEG = 8.0
_EDGE_SCALE = 0.2
"""Residual, in grains, beyond which an edge point loses its say."""
_CENTRING_ROUNDS = 3
_PARTS = np.array_split(SIDE, 3)


@dataclass(frozen=True)
class Circle:
    """A ring as the circle that it nearly is in the photo: centre and outer apothem, and the votes for it."""

    x_px: float
    y_px: float
    outer_px: float
    votes: float


def leaning_camera(photo: Photo, plan: Plan, circle: Circle, tilt_deg: float, toward_deg: float) -> Camera:
    """Return a camera tilted so over a ring of the plan's size that it sees at a place with a size.

    The world's origin is the ring's centre; the ring's side toward ``toward_deg`` (anticlockwise from
    right in the photo) is the farther one.
    """
    focal = photo.default_focal_px
    middle = np.array([(photo.width - 1) / 2.0, (photo.height - 1) / 2.0])
    toward = np.radians(toward_deg)
    lean, _ = cv2.Rodrigues(np.radians(tilt_deg) * np.array([-np.sin(toward), np.cos(toward), 0.0]))
    rotation = np.diag([1.0, -1.0, -1.0]) @ np.asarray(lean, dtype=float)
    around = np.arange(24) * (2 * np.pi / 24)
    rim = plan.outer_mm * np.stack([np.cos(around), np.sin(around)], axis=1)
    centre, size = np.array([circle.x_px, circle.y_px]), circle.outer_px
    # The rim's image is an ellipse whose middle is not the centre's image: bring both to the circle seen.
    for _ in range(_CENTRING_ROUNDS):
        away = focal * plan.outer_mm / size
        ray = np.append((centre - middle) / focal, 1.0) * away
        camera = Camera(focal, middle, rotation, ray - rotation[:, 2] * plan.thickness_mm)
        seen = camera.project_plane(rim, plan.thickness_mm)
        off = seen.mean(axis=0) - [circle.x_px, circle.y_px]
        size *= circle.outer_px / float(np.hypot(*(seen - seen.mean(axis=0)).T).mean())
        centre = centre - off
    return camera


def fit_pose(photo: Photo, camera: Camera, plan: Plan, figure: Figure) -> tuple[Camera, Figure]:
    """Fit the pose that makes the figure regular and of the plan's size; return it with the figure in it."""
    height, grain = plan.thickness_mm, unit_mm(plan)
    centre = np.array([figure.x_mm, figure.y_mm, height])
    here = camera.foot_mm
    nearer = replace(camera, translation=-camera.rotation @ (centre + (here - centre) / figure.scale))
    pose = nearer.moved(figure_centre(figure), figure.phase_deg)
    reduced = reduce_photo(photo, pose.px_per_mm([0.0, 0.0], height), 0.1 * grain)
    for window in _WINDOWS:
        pose = _adjust(reduced, pose, plan, window * grain)

    fitted = pose
    final = search_figure(lambda x, y: sample(reduced, fitted, x, y, height), plan, (0.0, 0.0), grain, 0.01)
    return pose, final


def figure_centre(figure: Figure) -> Array:
    """Return the figure's centre on the plane, shape (2,)."""
    return np.array([figure.x_mm, figure.y_mm])


def _adjust(reduced: Reduced, pose: Camera, plan: Plan, window_mm: float) -> Camera:
    """One round: measure edge points within the window, then fit the pose to them."""
    height, grain = plan.thickness_mm, unit_mm(plan)
    sides = sides_of(plan)
    directions = np.arange(sides) * (2 * np.pi / sides)
    start = Figure(0.0, 0.0, 1.0, 0.0, 0.0)
    points, normals, apothems, weights = [], [], [], []
    for middle, share in ((plan.outer_mm, 1.0), (plan.inner_mm, INNER_WEIGHT)):
        for along in _PARTS:
            evidence = edge_evidence(
                lambda x, y: sample(reduced, pose, x, y, height),
                plan,
                start,
                directions,
                middle,
                window_mm,
                0.1 * grain,
                along,
            )
            distance = evidence.first_mm + evidence.step_mm * np.arange(evidence.table.shape[1])
            graded = np.log1p(evidence.table) * np.exp(-0.5 * ((distance - middle) / window_mm) ** 2)
            place = distance[graded.argmax(axis=1)]
            weight = share * np.minimum(evidence.table[np.arange(sides), graded.argmax(axis=1)] / 2.5, 1.0)
            turn = directions if plan.outline == "polygon" else directions + 0.16 * along.mean()
            offset = (
                middle * np.tan(np.radians(plan.mitre_deg)) * along.mean()
                if plan.outline == "polygon"
                else 0.0
            )
            normal = np.stack([np.cos(turn), np.sin(turn)], axis=1)
            tangent = np.stack([-np.sin(turn), np.cos(turn)], axis=1)
            points.append(place[:, None] * normal + offset * tangent)
            normals.append(normal)
            apothems.append(np.full(sides, middle))
            weights.append(weight)
    seen = pose.project_plane(np.concatenate(points), height)
    normal, apothem, weight = np.concatenate(normals), np.concatenate(apothems), np.concatenate(weights)

    def residuals(parameters: Array) -> Array:
        tried = _changed(pose, parameters)
        place = tried.to_plane(seen, height)
        away = np.hypot(*place.T) if plan.outline == "round" else np.sum(place * normal, axis=1)
        tilt = tried.rotation[2, :2] * np.degrees(1.0) / _TILT_PRIOR_DEG
        return np.concatenate([weight * (away - apothem) / (_EDGE_SCALE * grain), tilt])

    fit = least_squares(residuals, np.zeros(6), loss="soft_l1", x_scale=[0.01, 0.01, 0.01, 1, 1, 1])
    return _changed(pose, fit.x)


def _changed(pose: Camera, parameters: Array) -> Camera:
    turn, _ = cv2.Rodrigues(np.asarray(parameters[:3], dtype=float))
    return replace(
        pose, rotation=pose.rotation @ np.asarray(turn), translation=pose.translation + parameters[3:]
    )
