"""The camera's pose from the ring's own regularity, when nothing else in the photo gives it.

A tilt turns the sides of a regular polygon to first order, so its sides tell the tilt where the ellipse of
its corners hardly does. A round ring has only the ellipses of its two edges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.bend import Bend
from lightgap.ring.circles import Circle
from lightgap.ring.evidence import SIDE, edge_evidence, grain_mm, side_points
from lightgap.ring.figure import INNER_WEIGHT, Figure, search_figure, sides_of
from lightgap.ring.place import Outline
from lightgap.ring.plane import Array, Sampler, sampler

_WINDOWS = (2.5, 1.5, 1.0, 0.75)
"""Half widths, in grains, within which an edge is looked for, round after round."""
_TILT_PRIOR_DEG = 8.0
_EDGE_SCALE = 0.2
"""Residual, in grains, beyond which an edge point loses its say."""
_STRONG = 2.5
_SPOKE_WEIGHT = 3.0
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


@dataclass(frozen=True, eq=False)
class Spokes:
    """Joints: a point of each in the photo, (N, 2), and the direction that makes them even, (N,).

    Directions are radians clockwise from +y in the frame whose +x is the middle of an outer side.
    """

    seen_px: Array
    even: Array


def spokes_of(bend: Bend, outline: Outline, plan: Plan) -> Spokes:
    """Return the joints of a bent comb, as the outline sees them."""
    radius = 0.5 * (outline.outer_mm + outline.inner_mm)
    places = radius * np.stack([np.sin(bend.angle), np.cos(bend.angle)], axis=1)
    seen_px = outline.camera.project_plane(places, plan.thickness_mm)
    return Spokes(seen_px, bend.even + np.radians(outline.phase_deg))


def fit_pose(
    photo: Photo, camera: Camera, plan: Plan, figure: Figure, spokes: Spokes | None = None
) -> tuple[Camera, Figure]:
    """Fit the pose that makes the figure regular and of the plan's size; return it with the figure in it.

    With ``spokes`` the joints are made even too.
    """
    height, grain = plan.thickness_mm, grain_mm(plan)
    centre = np.array([figure.x_mm, figure.y_mm, height])
    nearer = centre + (camera.foot_mm - centre) / figure.scale
    pose = replace(camera, translation=-camera.rotation @ nearer).moved(figure.centre_mm, figure.phase_deg)
    for window in _WINDOWS:
        look = sampler(photo, pose, height, 0.1 * grain)
        pose = _adjusted(look, pose, plan, window * grain, spokes)
    return pose, search_figure(sampler(photo, pose, height, 0.2 * grain), plan, (0.0, 0.0), grain, 0.01)


def _adjusted(look: Sampler, pose: Camera, plan: Plan, window_mm: float, spokes: Spokes | None) -> Camera:
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
    is_arc = np.full(len(edge), plan.outline == "round")
    if spokes is not None:
        across = np.stack([np.cos(spokes.even), -np.sin(spokes.even)], axis=1)
        seen_px, normal = np.concatenate([seen_px, spokes.seen_px]), np.concatenate([normal, across])
        none = np.zeros(len(across))
        edge, weight = np.append(edge, none), np.append(weight, none + _SPOKE_WEIGHT)
        is_arc = np.append(is_arc, none > 0)
    weight = weight / (_EDGE_SCALE * grain)

    def residuals(parameters: Array) -> Array:
        tried, _ = _changed(pose, parameters)
        place = tried.to_plane(seen_px, height)
        away = np.where(is_arc, np.hypot(*place.T), np.sum(place * normal, axis=1))
        tilt = np.degrees(tried.rotation[2, :2]) / _TILT_PRIOR_DEG
        return np.concatenate([weight * (away - edge), tilt])

    def jacobian(parameters: Array) -> Array:
        tried, turns = _changed(pose, parameters)
        place = tried.to_plane(seen_px, height)
        out = np.where(is_arc[:, None], place / np.hypot(*place.T)[:, None], normal)
        away = np.einsum("ni,nip->np", out, _moves(tried, turns, place, height))
        tilt = np.zeros((2, 6))
        tilt[:, :3] = np.degrees(turns[:, 2, :2].T) / _TILT_PRIOR_DEG
        return np.concatenate([weight[:, None] * away, tilt])

    scale = [0.01, 0.01, 0.01, 1.0, 1.0, 1.0]
    fit = least_squares(residuals, np.zeros(6), jacobian, loss="soft_l1", x_scale=scale)
    return _changed(pose, fit.x)[0]


def _changed(pose: Camera, parameters: Array) -> tuple[Camera, Array]:
    """Turn and move a camera; return also how its rotation changes with each of the turns, (3, 3, 3)."""
    turn, change = cv2.Rodrigues(np.asarray(parameters[:3], dtype=float))
    rotation, translation = pose.rotation @ np.asarray(turn), pose.translation + parameters[3:]
    turns = pose.rotation @ np.asarray(change, dtype=float).reshape(3, 3, 3)
    return replace(pose, rotation=rotation, translation=translation), turns


def _moves(camera: Camera, turns: Array, points_mm: Array, height_mm: float) -> Array:
    """How places on the plane, (n, 2), that keep their pixels move with turns and shifts, (n, 2, 6)."""
    solid = np.column_stack([points_mm, np.full(len(points_mm), height_mm)])
    seen = solid @ camera.rotation.T + camera.translation
    slope = (seen[:, :2] / seen[:, 2:])[:, :, None]
    by_turn = np.einsum("kij,nj->nik", turns, solid)
    changed = np.concatenate([by_turn, np.broadcast_to(np.eye(3), by_turn.shape)], axis=2)
    off = changed[:, :2] - slope * changed[:, 2:]
    own = camera.rotation[:2, :2] - slope * camera.rotation[2, :2]
    return np.asarray(np.linalg.solve(own, -off))
