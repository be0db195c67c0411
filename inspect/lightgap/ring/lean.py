"""Guesses of how far the camera leans over a ring of which only the size is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import SIZE_STEP, SMALLEST, Circle, circles_on_plane, different
from lightgap.ring.evidence import grain_mm
from lightgap.ring.figure import Figure, glance_figure
from lightgap.ring.place import Outline
from lightgap.ring.plane import sampler
from lightgap.ring.pose import leaning_camera

_STEP_DEG = 8.0
_MOST_DEG = 33.0
_SHIFT = 2.0
_SCALE_SPAN = 0.05
_VIEW_SHARE, _VIEW_SIZES, _VIEW_STEPS = 0.3, 28, 12.0
"""A view's middle size over the photo's short side, its sizes, and its steps over the short side's 1/25."""
_NEIGHBOURS = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))
"""On a grid of equilateral triangles."""
_VIEWS = (
    *((2 * a, 2 * b) for a, b in _NEIGHBOURS),
    *((3 * a, 3 * b) for a, b in _NEIGHBOURS),
    *((2 * (a - b), 2 * (a + 2 * b)) for a, b in _NEIGHBOURS),
)
"""Leans of 16 and 24 degrees, and of 28 between them: a circle still gets its votes some 8 degrees off."""

Spot = tuple[int, int]


@dataclass(frozen=True)
class Lean:
    """A guess of the camera, and the figure seen with it."""

    camera: Camera
    figure: Figure


def lean_over(photo: Photo, plan: Plan, circle: Circle, start: Spot = (0, 0)) -> list[Lean]:
    """Climb from a lean to that with which the figure looks most regular.

    Return all that were tried, the best first.
    """
    tried: dict[Spot, Lean] = {}
    best = start
    while True:
        for step in ((0, 0), *_NEIGHBOURS):
            spot = (best[0] + step[0], best[1] + step[1])
            tilt_deg, toward_deg = _tilt(spot)
            if spot not in tried and tilt_deg <= _MOST_DEG:
                tried[spot] = _glance(photo, plan, circle, tilt_deg, toward_deg)
        top = max(tried, key=lambda spot: tried[spot].figure.score)
        if top == best:
            return sorted(tried.values(), key=lambda lean: -lean.figure.score)
        best = top


def grown(photo: Photo, plan: Plan, outline: Outline) -> list[Lean]:
    """Guess that what was taken for the outer edge is the ring's inner edge, and look again, best first."""
    leans = [_looked(photo, plan, camera) for camera in _grown_cameras(plan, outline)]
    return sorted(leans, key=lambda lean: -lean.figure.score)


def grown_circles(plan: Plan, outline: Outline) -> list[Circle]:
    """Return where the ring lies by the guess of `grown`: one edge alone tells little of the lean."""
    cameras = _grown_cameras(plan, outline)
    return [_rim(camera, plan, (0.0, 0.0), plan.outer_mm, outline.score) for camera in cameras]


def _grown_cameras(plan: Plan, outline: Outline) -> list[Camera]:
    """The inner edge on top, or, where the bench is of the wood's colour, the foot of the inner wall."""
    top = np.array([0.0, 0.0, plan.thickness_mm])
    away = (outline.camera.foot_mm - top) * (plan.inner_mm / plan.outer_mm)
    return [
        replace(outline.camera, translation=-outline.camera.rotation @ (edge + away))
        for edge in (top, np.zeros(3))
    ]


def _rim(camera: Camera, plan: Plan, centre_mm: tuple[float, float], outer_mm: float, votes: float) -> Circle:
    """The circle in the photo that a ring on the plane nearly is."""
    around = np.radians(np.arange(0.0, 360.0, 15.0))
    rim = np.array(centre_mm) + outer_mm * np.stack([np.cos(around), np.sin(around)], axis=1)
    rim_px = camera.project_plane(rim, plan.thickness_mm)
    x, y = rim_px.mean(axis=0)
    return Circle(float(x), float(y), float(np.hypot(*(rim_px - [x, y]).T).mean()), votes)


def leaning_circles(photo: Photo, plan: Plan) -> list[tuple[Circle, Spot]]:
    """Return where in the photo a ring seen from well aside could lie, with the lean it was seen with.

    A ring that is far from a circle in the photo is nearly one on a plane that leans like it.
    """
    short = min(photo.width, photo.height)
    view = Circle((photo.width - 1) / 2.0, (photo.height - 1) / 2.0, _VIEW_SHARE * short, 0.0)
    sizes = SMALLEST / _VIEW_SHARE * SIZE_STEP ** np.arange(_VIEW_SIZES)
    plans = [
        replace(plan, across_flats_mm=size * plan.across_flats_mm, width_mm=size * plan.width_mm)
        for size in sizes
    ]
    found = {}
    for spot in _VIEWS:
        camera = leaning_camera(photo, plan, view, *_tilt(spot))
        for circle in circles_on_plane(photo, camera, plans, plan.outer_mm * _VIEW_SHARE / _VIEW_STEPS)[:3]:
            found[_rim(camera, plan, (circle.x, circle.y), circle.outer, circle.votes)] = spot
    return [(circle, found[circle]) for circle in different(list(found))]


def cameras_round(photo: Photo, plan: Plan, circle: Circle, rings: int) -> list[Camera]:
    """Return the upright camera and those on the grid's rings of neighbours about it."""
    reach = range(-rings, rings + 1)
    spots = [(a, b) for a in reach for b in reach if abs(a + b) <= rings]
    return [leaning_camera(photo, plan, circle, *_tilt(spot)) for spot in spots]


def _tilt(spot: tuple[int, int]) -> tuple[float, float]:
    x, y = _STEP_DEG * (spot[0] + 0.5 * spot[1]), _STEP_DEG * np.sqrt(0.75) * spot[1]
    return float(np.hypot(x, y)), float(np.degrees(np.arctan2(y, x)))


def _glance(photo: Photo, plan: Plan, circle: Circle, tilt_deg: float, toward_deg: float) -> Lean:
    return _looked(photo, plan, leaning_camera(photo, plan, circle, tilt_deg, toward_deg))


def _looked(photo: Photo, plan: Plan, camera: Camera) -> Lean:
    grain = grain_mm(plan)
    look = sampler(photo, camera, plan.thickness_mm, 0.4 * grain)
    return Lean(camera, glance_figure(look, plan, (0.0, 0.0), _SHIFT * grain, _SCALE_SPAN))
