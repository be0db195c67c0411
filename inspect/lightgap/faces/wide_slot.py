"""A slot that stands wide open in a ring whose joints were to be closed.

Both faces of a closed joint are fitted at once, about a line a few pixels wide. A slot of many pixels
has two edges that are seen apart, and they are fitted each alone, as an open joint's are. It is dark
between two woods, so where its edges run is seen without a search.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes

from lightgap.faces.joint import Side
from lightgap.faces.open import SoughtLine
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_LEAST_PX = 8.0
"""Up to here one model of both faces measures better (drawn rings, seed 601)."""
_BIN_PX = 0.5
_SECTIONS, _FEWEST_SECTIONS = 8, 5
"""At the outer end the bench may be seen through the slot, as bright as wood."""
_DARK_SHARE = 0.3
"""Light of a slot as a share of the darker wood's, at most, in its middle; dark glue is brighter."""
_WOOD_SHARE = 0.25
"""The outermost share of a strip, on either side, is wood."""


@dataclass(frozen=True)
class WideSlot:
    """The edges of both faces in the joint frame, roughly."""

    a: SoughtLine
    b: SoughtLine

    @property
    def edges(self) -> dict[Side, SoughtLine]:
        return {"a": self.a, "b": self.b}

    @property
    def middle_mm(self) -> float:
        return 0.5 * (self.a.offset_mm + self.b.offset_mm)

    @property
    def gap_mm(self) -> float:
        return self.b.offset_mm - self.a.offset_mm

    def moved(self, across_mm: float) -> WideSlot:
        """The same slot in a frame whose middle lies further clockwise."""
        a, b = (replace(edge, offset_mm=edge.offset_mm - across_mm) for edge in (self.a, self.b))
        return WideSlot(a, b)


def see_wide_slot(strip: Strip, u_range: tuple[float, float]) -> WideSlot | None:
    """Look for a slot whose two edges are seen apart; None where there is none."""
    low, width = float(np.min(strip.v)), _BIN_PX / strip.px_per_mm
    edges = np.array([_dark_run(light) for light in _profiles(strip, u_range, low, width)])
    seen = np.flatnonzero(np.all(np.isfinite(edges), axis=1))
    if seen.size < _FEWEST_SECTIONS or np.median(np.diff(edges[seen])) * _BIN_PX < _LEAST_PX:
        return None
    middles = u_range[0] + (seen + 0.5) / _SECTIONS * (u_range[1] - u_range[0])
    a, b = (theilslopes(low + (edge + 0.5) * width, middles) for edge in edges[seen].T)
    return WideSlot(SoughtLine(a.intercept, a.slope, 0.0), SoughtLine(b.intercept, b.slope, 0.0))


def _profiles(strip: Strip, u_range: tuple[float, float], low: float, width: float) -> Array:
    """Mean light across the joint in sections of its length; NaN where a bin has no pixel."""
    section = np.floor((strip.u - u_range[0]) / (u_range[1] - u_range[0]) * _SECTIONS).astype(np.intp)
    keep = (section >= 0) & (section < _SECTIONS)
    bins = ((strip.v - low) / width).astype(np.intp)
    columns = int(bins.max()) + 1
    cell = section[keep] * columns + bins[keep]
    count = np.bincount(cell, minlength=_SECTIONS * columns)
    total = np.bincount(cell, strip.luma[keep], minlength=_SECTIONS * columns)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(_SECTIONS, columns)


def _dark_run(light: Array) -> tuple[float, float]:
    """Where a section falls to half its wood's light and rises again, in bins; NaN where it does not."""
    nothing = (np.nan, np.nan)
    wood = int(_WOOD_SHARE * light.size)
    if not all(np.any(np.isfinite(part)) for part in (light[:wood], light[wood:-wood], light[-wood:])):
        return nothing
    left, right = float(np.nanmedian(light[:wood])), float(np.nanmedian(light[-wood:]))
    darkest = wood + int(np.nanargmin(light[wood:-wood]))
    before = np.flatnonzero(light[:darkest] > 0.5 * left)
    after = np.flatnonzero(light[darkest:] > 0.5 * right)
    if light[darkest] > _DARK_SHARE * min(left, right) or not before.size or not after.size:
        return nothing
    first, last = int(before[-1]), darkest + int(after[0])
    if np.nanmedian(light[first + 1 : last]) > _DARK_SHARE * min(left, right):
        return nothing
    return _crossing(light, first, first + 1, 0.5 * left), _crossing(light, last, last - 1, 0.5 * right)


def _crossing(light: Array, bright: int, dark: int, level: float) -> float:
    share = (light[bright] - level) / (light[bright] - light[dark])
    return float(bright + share * (dark - bright))
