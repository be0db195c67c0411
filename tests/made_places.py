"""Faces of a ring cut to one stop, placed by hand, some of them found on another line."""

from __future__ import annotations

import numpy as np

from lightgap.faces.which import JointPlaces

SEGMENTS, RADIUS_MM, GAP_MM = 12, 100.0, 3.0


def ring(shift_mm: dict[tuple[int, str], float] | None = None, seed: int = 1) -> list[JointPlaces]:
    """A ring cut to one stop, placed by hand to 0.05 mm; ``shift_mm`` moves faces clockwise."""
    shift_mm = shift_mm or {}
    rng = np.random.default_rng(seed)
    aside = rng.normal(0.0, 0.05, SEGMENTS)
    joints = []
    for index in range(SEGMENTS):
        angle = np.radians(90.0 - 360.0 / SEGMENTS * index)
        middle = RADIUS_MM * np.array([np.cos(angle), np.sin(angle)])
        clockwise = np.array([np.sin(angle), -np.cos(angle)])
        number = index + 1
        a = -GAP_MM / 2.0 + aside[index - 1] + shift_mm.get((number, "a"), 0.0)
        b = GAP_MM / 2.0 + aside[index] + shift_mm.get((number, "b"), 0.0)
        joints.append(JointPlaces(number, middle + a * clockwise, middle + b * clockwise))
    return joints
