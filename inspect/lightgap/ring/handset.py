"""A ring's outer edge as a person marked it."""

from __future__ import annotations

import numpy as np

from lightgap.errors import RingError
from lightgap.plan import Plan
from lightgap.ring.circles import Circle
from lightgap.ring.plane import Array

_LEAST_SPREAD_DEG = 40.0


def circle_through(points: Array, plan: Plan) -> Circle:
    """Return the circle through three points of the outer edge, shape (3, 2).

    Raises
    ------
    RingError
        If the points lie too near to each other, or on one line.
    """
    chords = 2.0 * (points[1:] - points[0])
    if abs(float(np.linalg.det(chords))) > 1e-6 * float(np.sum(chords**2)):
        centre = np.linalg.solve(chords, np.sum(points[1:] ** 2, axis=1) - np.sum(points[0] ** 2))
        arms = points - centre
        angles = np.sort(np.degrees(np.arctan2(arms[:, 1], arms[:, 0])))
        spread = 360.0 - float(np.max(np.diff(np.append(angles, angles[0] + 360.0))))
        if spread >= _LEAST_SPREAD_DEG:
            # Points on a polygon's edge lie between its flats and its corners.
            flat = 0.5 * (1.0 + np.cos(np.radians(plan.mitre_deg))) if plan.outline == "polygon" else 1.0
            return Circle(float(centre[0]), float(centre[1]), flat * float(np.hypot(*arms[0])), 0.0)
    raise RingError(
        "The three points given for the ring's outer edge do not span a circle.",
        "Set them on the outer edge, about a third of the way round from each other.",
    )
