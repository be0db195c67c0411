"""Guesses of how far the camera leans over a ring of which only the size is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import Circle
from lightgap.ring.evidence import grain_mm
from lightgap.ring.figure import Figure, glance_figure
from lightgap.ring.plane import sampler
from lightgap.ring.pose import leaning_camera

_STEP_DEG = 8.0
_MOST_DEG = 33.0
_SHIFT = 2.0
_SCALE_SPAN = 0.03
_NEIGHBOURS = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))
"""On a grid of equilateral triangles."""


@dataclass(frozen=True)
class Lean:
    """A guess of the camera, and the figure seen with it."""

    camera: Camera
    figure: Figure


def lean_over(photo: Photo, plan: Plan, circle: Circle) -> list[Lean]:
    """Climb from upright to the lean with which the figure looks most regular.

    Return all that were tried, the best first.
    """
    tried: dict[tuple[int, int], Lean] = {}
    best = (0, 0)
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


def cameras_round(photo: Photo, plan: Plan, circle: Circle, rings: int) -> list[Camera]:
    """Return the upright camera and those on the grid's rings of neighbours about it."""
    reach = range(-rings, rings + 1)
    spots = [(a, b) for a in reach for b in reach if abs(a + b) <= rings]
    return [leaning_camera(photo, plan, circle, *_tilt(spot)) for spot in spots]


def _tilt(spot: tuple[int, int]) -> tuple[float, float]:
    x, y = _STEP_DEG * (spot[0] + 0.5 * spot[1]), _STEP_DEG * np.sqrt(0.75) * spot[1]
    return float(np.hypot(x, y)), float(np.degrees(np.arctan2(y, x)))


def _glance(photo: Photo, plan: Plan, circle: Circle, tilt_deg: float, toward_deg: float) -> Lean:
    grain = grain_mm(plan)
    camera = leaning_camera(photo, plan, circle, tilt_deg, toward_deg)
    look = sampler(photo, camera, plan.thickness_mm, 0.4 * grain)
    return Lean(camera, glance_figure(look, plan, (0.0, 0.0), _SHIFT * grain, _SCALE_SPAN))
