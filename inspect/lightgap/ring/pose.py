"""The camera's pose from the ring's own regularity, when nothing else in the photo gives it.

A tilt turns the sides of a regular polygon to first order, so its sides tell the tilt where the ellipse of
its corners hardly does. A round ring has only the ellipses of its two edges.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import Circle
from lightgap.ring.evidence import SIDE, edge_evidence, grain_mm, side_points
from lightgap.ring.figure import INNER_WEIGHT, Figure, search_figure, sides_of
from lightgap.ring.plane import Array, Sampler, sampler

_WINDOWS = (2.5, 1.5, 1.0, 0.75)
"""Half widths, in grains, within which an edge is looked for, round after round."""
_TILT_PRIOR_DEG = 8.0
_EDGE_SCALE = 0.2
"""Residual, in grains, beyond which an edge point loses its say."""
_STRONG = 2.5
_CENTRING_ROUNDS = 3
_PARTS = np.array_split(SIDE, 3)


def leaning_camera(photo: Photo, plan: Plan, circle: Circle, tilt_deg: float, toward_deg: float) -> Camera:
    """Return a camera tilted so over a ring of the plan's size that it sees as that circle.

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
    centre, size = np.array([circle.x, circle.y]), circle.outer
    # The rim's image is an ellipse whose middle is not the centre's image: bring both to the circle seen.
    for _ in range(_CENTRING_ROUNDS):
        away = focal * plan.outer_mm / size
        ray = np.append((centre - middle) / focal, 1.0) * away
        camera = Camera(focal, middle, rotation, ray - rotation[:, 2] * plan.thickness_mm)
        seen = camera.project_plane(rim, plan.thickness_mm)
        off = seen.mean(axis=0) - [circle.x, circle.y]
        size *= circle.outer / float(np.hypot(*(seen - seen.mean(axis=0)).T).mean())
        centre = centre - off
    return camera


def fit_pose(photo: Photo, camera: Camera, plan: Plan, figure: Figure) -> tuple[Camera, Figure]:
    """Fit the pose that makes the figure regular and of the plan's size; return it with the figure in it."""
    height, grain = plan.thickness_mm, grain_mm(plan)
    centre = np.array([figure.x_mm, figure.y_mm, height])
    nearer = centre + (camera.foot_mm - centre) / figure.scale
    pose = replace(camera, translation=-camera.rotation @ nearer).moved(figure.centre_mm, figure.phase_deg)
    for window in _WINDOWS:
        look = sampler(photo, pose, height, 0.1 * grain)
        pose = _adjusted(look, pose, plan, window * grain)
    return pose, search_figure(sampler(photo, pose, height, 0.2 * grain), plan, (0.0, 0.0), grain, 0.01)


def _adjusted(look: Sampler, pose: Camera, plan: Plan, window_mm: float) -> Camera:
    """One round: measure three points a side within the window, then fit the pose to them."""
    height, grain = plan.thickness_mm, grain_mm(plan)
    directions = np.arange(sides_of(plan)) * (2 * np.pi / sides_of(plan))
    found, normals, edges, weights = [], [], [], []
    for edge_mm, share in ((plan.outer_mm, 1.0), (plan.inner_mm, INNER_WEIGHT)):
        for along in _PARTS:
            evidence = edge_evidence(
                look, plan, (0.0, 0.0), directions, edge_mm, window_mm, 0.1 * grain, along
            )
            away = (evidence.distance_mm - edge_mm) / window_mm
            best = (np.log1p(evidence.table) * np.exp(-0.5 * away**2)).argmax(axis=1)
            strength = evidence.table[np.arange(len(best)), best]
            points, normal = side_points(
                plan, directions, evidence.distance_mm[best], edge_mm, float(along.mean())
            )
            found.append(points)
            normals.append(normal)
            edges.append(np.full(len(best), edge_mm))
            weights.append(share * np.minimum(strength / _STRONG, 1.0))
    seen_px = pose.project_plane(np.concatenate(found), height)
    normal, edge, weight = np.concatenate(normals), np.concatenate(edges), np.concatenate(weights)

    def residuals(parameters: Array) -> Array:
        tried = _changed(pose, parameters)
        place = tried.to_plane(seen_px, height)
        away = np.hypot(*place.T) if plan.outline == "round" else np.sum(place * normal, axis=1)
        tilt = np.degrees(tried.rotation[2, :2]) / _TILT_PRIOR_DEG
        return np.concatenate([weight * (away - edge) / (_EDGE_SCALE * grain), tilt])

    fit = least_squares(residuals, np.zeros(6), loss="soft_l1", x_scale=[0.01, 0.01, 0.01, 1.0, 1.0, 1.0])
    return _changed(pose, fit.x)


def _changed(pose: Camera, parameters: Array) -> Camera:
    turn, _ = cv2.Rodrigues(np.asarray(parameters[:3], dtype=float))
    return replace(
        pose, rotation=pose.rotation @ np.asarray(turn), translation=pose.translation + parameters[3:]
    )
