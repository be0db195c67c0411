"""How wide a filling is by its colour, where other joints of the ring show what fills them.

Below some two pixels a glue line's edges are not seen apart, but what it adds to the light across the
joint is its width times its colour. Joints that are filled widely show that colour; in the others three
things add up to what is seen: a step between the two woods that lies a little off, a dark slot, and
some width of the same filling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.colour import mixed_step
from lightgap.faces.site import NOISE_FACTOR
from lightgap.faces.squeeze import Beside

Array = NDArray[np.float64]

_FLOOR = np.array([0.03, 0.01, 0.01])
"""Least noise of the light summed across a joint: brightness and tint, over the wood's, times px."""
_USUAL_PX = np.array([1.0, 3.0, 6.0])
"""How far off a step, how wide a slot and a filling may be: their prior standard deviations."""
_LEAST_BINS = 4
_SHARE_STANDARD = 0.1
"""Relative standard uncertainty of a width by colour beside that of the calibration: rims and shade."""
_SURE_SIGMAS, _SURE_OVER_SLOT = 2.5, 2.0


@dataclass(frozen=True)
class FilledWidth:
    """Width of a filling by its colour, and its change outward, with their standard uncertainties.

    px, and px per mm. ``slot_px`` is the width of dark slot seen beside it.
    """

    width_px: float
    standard_px: float
    slope_px: float
    slope_standard_px: float
    slot_px: float

    @property
    def is_sure(self) -> bool:
        """Whether the joint is filled beyond doubt, and not just a slot with a trace of the colour."""
        return self.width_px > max(_SURE_SIGMAS * self.standard_px, _SURE_OVER_SLOT * self.slot_px)

    @property
    def widest_px(self) -> float:
        """The widest filling that would not be noticed."""
        return max(self.width_px, 0.0) + 2.0 * self.standard_px


@dataclass(frozen=True, eq=False)
class WideFilling:
    """A joint whose filling is wide enough for its edges to be measured.

    ``width_px`` is its width, ``relative`` that width's relative standard uncertainty.
    """

    beside: Beside
    width_px: float
    relative: float
    blur_px: float


@dataclass(frozen=True, eq=False)
class FillingColour:
    """What a pixel of filling adds to brightness and tint, over the wood's brightness, shape (3,).

    ``relative`` is its relative standard uncertainty: what makes one width wrong makes all of them so,
    and joints may be filled with different glues. ``joints`` is how many showed it.
    """

    added: Array
    relative: float
    joints: int


def filling_colour(filled: Sequence[WideFilling]) -> FillingColour | None:
    """Tell the colour of what fills the ring's joints; None where no joint is filled widely."""
    seen = [item for item in filled if len(item.beside.line) >= _LEAST_BINS]
    if not seen:
        return None
    added = np.array([np.median(_added(item.beside, item.blur_px), axis=0) / item.width_px for item in seen])
    colour = np.median(added, axis=0)
    apart = np.median(np.linalg.norm(added - colour, axis=1)) / np.linalg.norm(colour)
    relative = np.hypot(np.median([item.relative for item in seen]), 1.4826 * apart)
    return FillingColour(colour, float(relative), len(seen))


def filled_width(
    beside: Beside, blur_px: float, slot_share: float, colour: FillingColour
) -> FilledWidth | None:
    """Tell how wide a filling of this colour is in a joint; None where too little of it is seen."""
    if len(beside.line) < _LEAST_BINS:
        return None
    added = _added(beside, blur_px)
    middle = np.median(added, axis=0)
    spread = 1.4826 * np.median(np.abs(added - middle), axis=0)
    # The median's own standard error is 1.25 times that of the mean.
    noise = np.hypot(NOISE_FACTOR * 1.25 * spread / np.sqrt(len(added)), _FLOOR)
    wood_a, wood_b = beside.woods / _brightness(beside)
    known = np.stack([wood_b - wood_a, -(1.0 - slot_share) * 0.5 * (wood_a + wood_b), colour.added], axis=1)
    known = known / noise[:, None]
    covariance = np.linalg.inv(known.T @ known + np.diag(_USUAL_PX**-2.0))
    _, to_slot, to_width = (covariance @ known.T) / noise
    width = float(to_width @ middle)
    share = float(np.hypot(_SHARE_STANDARD, colour.relative))
    standard = float(np.hypot(np.sqrt(covariance[2, 2]), share * max(width, 0.0)))
    lever = beside.places_mm - np.mean(beside.places_mm)
    lever = lever / np.sum(lever**2)
    slope_noise = float(np.linalg.norm(spread * to_width) * np.linalg.norm(lever))
    slope = float(lever @ added @ to_width)
    return FilledWidth(width, standard, slope, NOISE_FACTOR * slope_noise, float(to_slot @ middle))


def _added(beside: Beside, blur_px: float) -> Array:
    """Light about the joint line over that of a sharp step there, over the wood's brightness, per bin."""
    return np.asarray((beside.line - mixed_step(beside.woods, blur_px)) / _brightness(beside))


def _brightness(beside: Beside) -> float:
    return max(float(np.mean(beside.woods[:, 0])), 1e-3)
