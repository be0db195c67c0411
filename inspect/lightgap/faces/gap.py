"""What fills an open joint: air, resin, or air that something blocks part of the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.joint import JointKind
from lightgap.faces.strip import Strip
from lightgap.photo import LUMA

Array = NDArray[np.float64]

_BIN_MM = 1.0
_THIRDS = ((0.12, 0.36), (0.38, 0.62), (0.64, 0.88))
_WOOD_MM = (0.5, 2.0)
_BRIGHT_SHARE = 0.3
_BRIGHT_TIMES = 4.0
_LEAST_BLOCKED_MM = 3.0
_CLEAR_MM = 3.0
"""Light enters a slot at its ends: brightness that reaches one is no blocking, unless it is long inside."""
_RESIN_SHARE = 0.2
_RESIN_SPREAD = 0.15
_RESIN_VARIATION = 0.35
_RESIN_COLOUR = 0.12


@dataclass(frozen=True)
class GapView:
    """What is seen between the two faces.

    Attributes
    ----------
    kind : "open" or "resin"
    blocked_mm : (float, float) or None
        Span of u, mm, in which an open gap cannot be seen through.
    """

    kind: JointKind
    blocked_mm: tuple[float, float] | None


def view_gap(strip: Strip, ends_mm: tuple[float, float], half_gap_mm: float, taper: float) -> GapView:
    """Look into a gap of roughly known place.

    Resin (or glue that fills the gap) shows one even colour all along and across; an open gap is
    dark, or shows a bench that only part of its width can see, and lets light in at its ends. Where
    one span is bright over the whole width and the rest is dark, something stands in it.
    """
    half = half_gap_mm + taper * strip.u
    across = (strip.v + half) / (2.0 * half)
    bins = ((strip.u - ends_mm[0]) / _BIN_MM).astype(np.intp)
    count = int((ends_mm[1] - ends_mm[0]) / _BIN_MM)
    luma = strip.luma
    beside = np.abs(strip.v) - half
    is_wood = (beside > _WOOD_MM[0]) & (beside < _WOOD_MM[1])
    wood = float(np.median(luma[is_wood]))
    light = np.full((len(_THIRDS), count), np.nan)
    spread = np.full(count, np.nan)
    for index in range(count):
        here = bins == index
        for third, (low, high) in enumerate(_THIRDS):
            inside = here & (across > low) & (across < high)
            if np.any(inside):
                light[third, index] = np.median(luma[inside])
        inside = here & (across > _THIRDS[0][0]) & (across < _THIRDS[-1][1])
        if np.any(inside):
            spread[index] = np.std(luma[inside])
    share = light / max(wood, 1e-6)
    if _is_filled(strip, share, spread / wood, (across > 0.15) & (across < 0.85), is_wood):
        return GapView("resin", None)
    return GapView("open", _blocked(share, ends_mm[0]))


def _is_filled(
    strip: Strip, share: Array, spread: Array, inside: NDArray[np.bool_], is_wood: NDArray[np.bool_]
) -> bool:
    seen = share[:, 1:-1][:, np.isfinite(share[:, 1:-1]).any(axis=0)]
    if not seen.size:
        return False
    middle = np.nanmedian(seen, axis=0)
    level = float(np.nanmedian(middle))
    if level < _RESIN_SHARE:
        return False
    even_along = float(np.nanpercentile(middle, 80) - np.nanpercentile(middle, 20)) / level
    even_across = float(np.nanmedian(spread[1:-1])) / level
    colours = [np.median(strip.light[keep], axis=0) for keep in (inside, is_wood)]
    tint, wood = (colour / max(float(colour @ LUMA), 1e-6) for colour in colours)
    coloured = float(np.abs(tint - wood).max()) > _RESIN_COLOUR
    return even_along < _RESIN_VARIATION and even_across < _RESIN_SPREAD and (coloured or level > 0.5)


def _blocked(share: Array, start_mm: float) -> tuple[float, float] | None:
    """The longest run of bins that are bright over the whole width, if the rest is dark."""
    darkest = np.fmin.reduce(share, axis=0)
    usual = float(np.nanpercentile(darkest, 25))
    bright = darkest > max(_BRIGHT_SHARE, _BRIGHT_TIMES * usual)
    best = (0, 0)
    first = None
    for index in range(bright.size + 1):
        if index < bright.size and bright[index]:
            first = index if first is None else first
        elif first is not None:
            best = max(best, (first, index), key=lambda run: run[1] - run[0])
            first = None
    from_inside, to_outside = best[0] * _BIN_MM, (bright.size - best[1]) * _BIN_MM
    length = (best[1] - best[0]) * _BIN_MM
    least = _LEAST_BLOCKED_MM if from_inside >= _CLEAR_MM else 2.0 * _LEAST_BLOCKED_MM
    if length < least or to_outside < _CLEAR_MM:
        return None
    return start_mm + from_inside, start_mm + from_inside + length
