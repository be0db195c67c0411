"""Where the ring lies: its outer and inner edge as one regular figure on the top face's plane."""

from __future__ import annotations

import cv2
import numpy as np

from lightgap.camera import Camera
from lightgap.errors import RingError
from lightgap.hand import PointPx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import edge_votes, find_centres
from lightgap.ring.figure import Figure, Sampler, glance_figure, search_figure, unit_mm
from lightgap.ring.place import Outline
from lightgap.ring.plane import reduce_photo, sample
from lightgap.ring.pose import Circle, fit_pose, leaning_camera

_LEANS = [(0.0, 0.0)] + [(8.0, 60.0 * k) for k in range(6)] + [(16.0, 45.0 * k) for k in range(8)]
SURE_SCORE = 2.7
LEAST_SCORE = 2.4


def find_outline(
    photo: Photo, camera: Camera, plan: Plan, points_px: tuple[PointPx, PointPx, PointPx] | None = None
) -> Outline:
    """Find the ring with a camera whose scale is known, starting from three hand-set points if given.

    Raises
    ------
    RingError
        If there is no ring here, it is cut off by the frame, or it is not of the plan's size.
    """
    height = plan.thickness_mm
    grain = unit_mm(plan)
    px_per_mm = camera.px_per_mm(
        camera.to_plane([(photo.width - 1) / 2, (photo.height - 1) / 2], height), height
    )
    look = _looker(photo, camera, height, px_per_mm, 0.2 * grain)
    best: Figure | None = None
    for centre in _centres(photo, camera, plan, px_per_mm):
        figure = search_figure(look, plan, centre, 3.0 * grain, 0.02)
        if best is None or figure.score > best.score:
            best = figure
        if best.score >= SURE_SCORE:
            break
    if best is None or best.score < LEAST_SCORE:
        raise RingError(
            "No ring of this plan was seen in the photo.",
            "Compare segments, size and width with the ring, and let it lie whole and clear of other things.",
        )
    return _outline(camera, plan, best)


def _looker(photo: Photo, camera: Camera, height_mm: float, px_per_mm: float, grain_mm: float) -> Sampler:
    reduced = reduce_photo(photo, px_per_mm, grain_mm)
    return lambda x, y: sample(reduced, camera, x, y, height_mm)


def _centres(photo: Photo, camera: Camera, plan: Plan, px_per_mm: float) -> list[tuple[float, float]]:
    step = 0.5 * unit_mm(plan)
    across, down = photo.width - 1.0, photo.height - 1.0
    frame = [[0, 0], [across, 0], [across, down], [0, down]]
    corners = camera.to_plane(frame, plan.thickness_mm)
    low, high = corners.min(axis=0), corners.max(axis=0)
    x, y = (np.arange(low[axis], high[axis], step) for axis in (0, 1))
    look = _looker(photo, camera, plan.thickness_mm, px_per_mm, step)
    votes = edge_votes(look(x[None, :], y[:, None]))
    peaks = find_centres(votes, plan, [plan.outer_mm / (2 * step)], 3)[0]
    return [
        (float(low[0] + (2 * p.column + 0.5) * step), float(low[1] + (2 * p.row + 0.5) * step)) for p in peaks
    ]


def _outline(camera: Camera, plan: Plan, figure: Figure) -> Outline:
    centre = np.array([figure.x_mm, figure.y_mm])
    side = np.radians(figure.phase_deg)
    upright = camera.upright_at(centre, plan.thickness_mm)
    side_mm = centre + plan.outer_mm * np.array([np.cos(side), np.sin(side)])
    middle = upright.to_plane(camera.project_plane(side_mm, plan.thickness_mm), plan.thickness_mm)
    phase = float(np.degrees(np.arctan2(middle[1], middle[0]))) % plan.pitch_deg
    return Outline(
        upright,
        plan.outer_mm * figure.scale,
        plan.inner_mm * figure.scale,
        phase if plan.outline == "polygon" else 0.0,
        figure.score,
    )


def find_outline_unscaled(
    photo: Photo, plan: Plan, points_px: tuple[PointPx, PointPx, PointPx] | None = None
) -> Outline:
    """Find the ring with nothing known but its size: the pose comes from the figure's own regularity."""
    starts = []
    for circle in _circles(photo, plan)[:2]:
        for tilt_deg, toward_deg in _LEANS:
            camera = leaning_camera(photo, plan, circle, tilt_deg, toward_deg)
            look = _looker(
                photo, camera, plan.thickness_mm, circle.outer_px / plan.outer_mm, 0.4 * unit_mm(plan)
            )
            starts.append((camera, glance_figure(look, plan, (0.0, 0.0), 2.0 * unit_mm(plan), 0.03)))
    starts.sort(key=lambda start: -start[1].score)
    fits = [fit_pose(photo, camera, plan, figure) for camera, figure in starts[:3]]
    pose, fitted = max(fits, key=lambda fit: fit[1].score)
    return _outline(pose, plan, fitted)


def _circles(photo: Photo, plan: Plan) -> list[Circle]:
    """Return where a ring could lie in the photo; likeliest first."""
    short = min(photo.width, photo.height)
    reduced = reduce_photo(photo, short / 380.0, 1.0)
    found = []
    codes, factor = reduced.codes, reduced.factor
    for low in (0.14, 0.28):
        votes = edge_votes(codes)
        cell = 2 * factor
        sizes = low * short / cell * 1.04 ** np.arange(18)
        for size, peaks in zip(sizes, find_centres(votes, plan, sizes, 3), strict=True):
            for peak in peaks:
                centre = ((peak.column + 0.5) * cell - 0.5, (peak.row + 0.5) * cell - 0.5)
                found.append(Circle(*centre, size * cell, peak.votes))
        codes = cv2.resize(codes, (codes.shape[1] // 2, codes.shape[0] // 2), interpolation=cv2.INTER_AREA)
        factor *= 2
    found.sort(key=lambda circle: -circle.votes)
    kept: list[Circle] = []
    for new in found:
        if not any(_alike(new, old) for old in kept):
            kept.append(new)
        if len(kept) == 4:
            break
    return kept


def _alike(one: Circle, other: Circle) -> bool:
    apart = np.hypot(one.x_px - other.x_px, one.y_px - other.y_px)
    return bool(apart < 0.1 * other.outer_px and abs(np.log(one.outer_px / other.outer_px)) < 0.06)
