"""From a joint's line and its gap to the lines of both its faces."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.blur import Response
from lightgap.faces.joint import FaceLine
from lightgap.faces.site import NOISE_FACTOR

Array = NDArray[np.float64]

_SMEARED_FACTOR = 1.6
"""Noise reduction smears grain along a faint line: what is alike over long stretches scatters little."""


class CentredFit(Protocol):
    """A joint by its middle line and its gap, both with their slopes, at ``middle_mm`` along it."""

    @property
    def centre_mm(self) -> float: ...
    @property
    def centre_slope(self) -> float: ...
    @property
    def gap_mm(self) -> float: ...
    @property
    def gap_slope(self) -> float: ...
    @property
    def middle_mm(self) -> float: ...
    @property
    def covariance(self) -> Array: ...


def both_faces(fit: CentredFit) -> tuple[FaceLine, FaceLine]:
    """Return the lines of faces a and b."""
    lines = _to_faces(fit.middle_mm) @ [fit.centre_mm, fit.centre_slope, fit.gap_mm, fit.gap_slope]
    return FaceLine(float(lines[0]), float(lines[1])), FaceLine(float(lines[2]), float(lines[3]))


def face_covariance(fit: CentredFit, response: Response) -> Array:
    """Covariance of both faces' lines; a line's own place is less sure in a smeared picture."""
    place = 1.0 if response.is_sure else _SMEARED_FACTOR
    to_faces = _to_faces(fit.middle_mm) @ np.diag([place, place, 1.0, 1.0])
    return np.asarray(NOISE_FACTOR**2 * (to_faces @ fit.covariance @ to_faces.T))


def _to_faces(middle_mm: float) -> Array:
    """From centre, its slope, gap, its slope, all at the middle, to both faces' lines at u = 0."""
    return np.array(
        [
            [1.0, -middle_mm, -0.5, 0.5 * middle_mm],
            [0.0, 1.0, 0.0, -0.5],
            [1.0, -middle_mm, 0.5, -0.5 * middle_mm],
            [0.0, 1.0, 0.0, 0.5],
        ]
    )
