"""A camera's lens: how EXIF names it, and what a stored profile tells of how it draws.

A profile holds for pictures of any size of one lens, so it is told in units of the picture's diagonal, and
for the picture as the camera stored it, before EXIF's orientation is applied.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DIAGONAL_35MM = 43.27
"""Diagonal of the 24 x 36 mm frame, mm, to which the 35 mm equivalent focal length refers."""
REFOCUS = 0.006
"""Relative: how much the focal length differs from photo to photo of one lens, by focusing (k = 1)."""
SHIFT = 0.002
"""The same for the principal point, in diagonals: a stabilised lens or sensor does not stay in its place."""
BEND = 0.002
"""The same for k1."""

_SAME_FOCAL = 0.003
_SAME_ASPECT = 0.01
_TURNED = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}
"""Where EXIF's orientations take the stored picture's x (right) and y (down)."""


@dataclass(frozen=True)
class LensName:
    """The lens as EXIF names it.

    Attributes
    ----------
    make, model, lens : str
        Of the camera, and of the lens where it is told.
    focal_mm : float
        Focal length as recorded; 0 where it is not told.
    equivalent_mm : float
        35 mm equivalent as recorded; 0 where it is not told.
    """

    make: str
    model: str
    lens: str = ""
    focal_mm: float = 0.0
    equivalent_mm: float = 0.0

    def is_like(self, other: LensName) -> bool:
        """Whether both name one lens at one focal length; what one of them does not tell is left aside."""
        if (self.make, self.model) != (other.make, other.model):
            return False
        if self.lens and other.lens and self.lens != other.lens:
            return False
        pairs = ((self.focal_mm, other.focal_mm), (self.equivalent_mm, other.equivalent_mm))
        told = [pair for pair in pairs if min(pair) > 0.0]
        return bool(told) and all(abs(math.log(one / two)) < _SAME_FOCAL for one, two in told)

    def __str__(self) -> str:
        named = self.model if self.model.startswith(self.make) else f"{self.make} {self.model}".strip()
        return f"{named}, {self.focal_mm:g} mm" if self.focal_mm else named


@dataclass(frozen=True)
class CameraProfile:
    """How one lens draws, from several photos of printed cards.

    Attributes
    ----------
    lens : LensName
    aspect : float
        Long side of the pictures over the short one.
    focal : float
        Focal length over the picture's diagonal.
    centre : (float, float)
        Principal point less the stored picture's middle, x right and y down, over the diagonal.
    k1, k2 : float
        Radial distortion, as `lightgap.camera.Camera` has it.
    focal_standard, centre_standard, k1_standard : float
        Standard uncertainties: relative, in diagonals, and as it is. What differs from photo to photo is
        not in them.
    distance_mm : float
        From how far the cards were photographed.
    photos : int
        From how many photos it was made.
    made : str
        The day, as 2026-03-01.
    """

    lens: LensName
    aspect: float
    focal: float
    centre: tuple[float, float]
    k1: float
    k2: float
    focal_standard: float
    centre_standard: float
    k1_standard: float
    distance_mm: float
    photos: int
    made: str

    def __str__(self) -> str:
        return f"{self.lens}, from {self.photos} photos of {self.made}"

    def fits(self, width: int, height: int) -> bool:
        """Whether a picture of this size has the shape of those that the profile was made from."""
        return abs(max(width, height) / min(width, height) / self.aspect - 1.0) < _SAME_ASPECT

    def focal_spread(self, distance_mm: float) -> float:
        """Relative standard uncertainty of the focal length in one photo taken from such a distance.

        A lens that is moved to focus draws larger by f / (Z - f).
        """
        refocused = self.lens.focal_mm * (1.0 / distance_mm - 1.0 / self.distance_mm)
        return math.hypot(self.focal_standard, REFOCUS, refocused)

    def principal_point(self, width: int, height: int, orientation: int) -> tuple[Array, float]:
        """Principal point of an upright picture and its standard uncertainty in one photo, both in px.

        Where pixels were turned by something else than EXIF's orientation, nobody knows which way: then the
        offset itself is part of the uncertainty.
        """
        diagonal = math.hypot(width, height)
        spread = math.hypot(self.centre_standard, SHIFT)
        offset = np.array(self.centre)
        turn = turned(orientation)
        if (width > height) != (abs(turn[0, 0]) == 1.0):
            spread, offset = math.hypot(spread, *self.centre), np.zeros(2)
        return np.array([width - 1.0, height - 1.0]) / 2.0 + diagonal * (turn @ offset), diagonal * spread


def turned(orientation: int) -> Array:
    """Matrix (2, 2) that takes a vector of the stored picture to the upright one."""
    return np.array(_TURNED[orientation], dtype=float)
