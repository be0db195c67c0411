"""What fills an open joint: air, resin, or air that something blocks part of the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.joint import JointKind
from lightgap.faces.site import Site
from lightgap.faces.strip import Strip
from lightgap.photo import LUMA

Array = NDArray[np.float64]

_BIN_MM = 0.5
_THIRDS = ((0.12, 0.36), (0.38, 0.62), (0.64, 0.88))
_WOOD_MM = (0.5, 2.0)

_RESIN_SHARE, _RESIN_LEVEL = 0.2, 0.5
_RESIN_SPREAD, _RESIN_VARIATION = 0.15, 0.35
_RESIN_COLOUR = 0.12
_EVEN_SHARE, _EVEN_LEVEL = 0.1, 0.006
"""How even a dark filling is along its length, over its own light and over the wood's."""
_EVEN_ENDS, _LEAST_OUTSIDE = 1.5, 3
_BLACK_LEVEL = 0.015

_BRIGHT_SHARE, _BRIGHT_TIMES = 0.12, 3.0
_LEAST_BLOCKED_MM = 3.0
_OUTSIDE_SHARE = 0.4
_LEAST_FROM_END_MM, _LEAST_FROM_END_SHARE = 8.0, 0.3
_END_LEVEL, _LONGEST_END = 0.15, 6
_JUMP, _DRIFT_SHARE = 0.17, 0.35
"""How much the top of what blocks a gap differs in light from its side: logarithm, at least."""


@dataclass(frozen=True)
class GapView:
    """What is seen between the two faces.

    Attributes
    ----------
    kind : "open" or "resin"
    blocked_mm : (float, float) or None
        Span of u, mm, that something fills, as seen at its top.
    hidden_mm : (float, float) or None
        Span of u, mm, in which the gap cannot be seen through: the same, and the side of what fills it.
    """

    kind: JointKind
    blocked_mm: tuple[float, float] | None
    hidden_mm: tuple[float, float] | None = None


def view_gap(strip: Strip, site: Site, half_gap_mm: float, taper: float) -> GapView:
    """Look into a gap of roughly known place.

    Resin (or glue that fills the gap) shows one even colour all along and across; an open gap is
    dark, or shows a bench that only part of its width can see, and lets light in at its ends. Where
    one span is bright over the whole width and the rest is dark, something stands in it.
    """
    start, end = site.ends_mm
    half = half_gap_mm + taper * strip.u
    across = (strip.v + half) / (2.0 * half)
    count = max(int((end - start) / _BIN_MM), 1)
    bins = np.floor((strip.u - start) / _BIN_MM).astype(np.intp)
    luma = strip.luma
    beside = np.abs(strip.v) - half
    is_wood = (beside > _WOOD_MM[0]) & (beside < _WOOD_MM[1])
    wood = max(float(np.median(luma[is_wood])), 1e-6) if np.any(is_wood) else 1.0
    inside = (bins >= 0) & (bins < count)
    share = np.stack(
        [
            _medians(luma / wood, bins, inside & (across > low) & (across < high), count)
            for low, high in _THIRDS
        ]
    )
    is_filling = inside & (across > _THIRDS[0][0]) & (across < _THIRDS[-1][1])
    spread = _spreads(luma / wood, bins, is_filling, count)
    if _is_even(share, site) or _is_coloured(strip, share, spread, is_filling, is_wood):
        return GapView("resin", None)
    run = _blocked_run(share, site)
    if run is None:
        return GapView("open", None)
    top = _top(np.mean(share, axis=0), run, site)
    return GapView(
        "open",
        (start + top[0] * _BIN_MM, start + top[1] * _BIN_MM),
        (start + run[0] * _BIN_MM, start + run[1] * _BIN_MM),
    )


def _medians(values: Array, bins: NDArray[np.intp], keep: NDArray[np.bool_], count: int) -> Array:
    """Median of each bin; NaN where it is empty."""
    order = np.lexsort((values[keep], bins[keep]))
    sorted_bins, sorted_values = bins[keep][order], values[keep][order]
    first, last = (np.searchsorted(sorted_bins, np.arange(count), side) for side in ("left", "right"))
    middle = np.minimum((first + last) // 2, max(sorted_values.size - 1, 0))
    return np.where(last > first, sorted_values[middle] if sorted_values.size else np.nan, np.nan)


def _spreads(values: Array, bins: NDArray[np.intp], keep: NDArray[np.bool_], count: int) -> Array:
    """Standard deviation of each bin; NaN where it is empty."""
    number = np.bincount(bins[keep], minlength=count)
    some = np.maximum(number, 1)
    mean = np.bincount(bins[keep], values[keep], minlength=count) / some
    square = np.bincount(bins[keep], values[keep] ** 2, minlength=count) / some
    return np.where(number > 0, np.sqrt(np.maximum(square - mean**2, 0.0)), np.nan)


def _is_even(share: Array, site: Site) -> bool:
    """Whether the gap is one level across and along, up to where the camera would see out of a slot."""
    known = share[:, 1:-1]
    known = known[:, np.all(np.isfinite(known), axis=0)]
    middle = known[1]
    outside = int(np.ceil((site.ends_mm[1] - site.seen_through(site.ends_mm[1])) / _BIN_MM))
    if middle.size < 8 or outside < _LEAST_OUTSIDE:
        return False
    level = float(np.median(middle))
    allowed = _EVEN_SHARE * level + _EVEN_LEVEL
    ends = max(np.max(middle[:4]), np.max(middle[-outside:])) - level
    ranged = np.percentile(middle, 90) - np.percentile(middle, 10)
    across = np.max(np.abs(np.median(known, axis=1) - level))
    return bool(level > _BLACK_LEVEL and max(ranged, across) < allowed and ends < _EVEN_ENDS * allowed)


def _is_coloured(
    strip: Strip, share: Array, spread: Array, inside: NDArray[np.bool_], is_wood: NDArray[np.bool_]
) -> bool:
    """Whether the gap is fairly even along and across and has a colour, or a brightness, of its own."""
    known = np.all(np.isfinite(share), axis=0)
    known[[0, -1]] = False
    if not np.any(known) or not np.any(is_wood):
        return False
    middle = np.median(share[:, known], axis=0)
    level = float(np.median(middle))
    if level < _RESIN_SHARE:
        return False
    even_along = float(np.percentile(middle, 80) - np.percentile(middle, 20)) / level
    even_across = float(np.median(spread[known])) / level
    colours = [np.median(strip.light[keep], axis=0) for keep in (inside, is_wood)]
    tint, wood = (colour / max(float(colour @ LUMA), 1e-6) for colour in colours)
    coloured = float(np.abs(tint - wood).max()) > _RESIN_COLOUR
    even = even_along < _RESIN_VARIATION and even_across < _RESIN_SPREAD
    return even and (coloured or level > _RESIN_LEVEL)


def _blocked_run(share: Array, site: Site) -> tuple[int, int] | None:
    """The longest run of bins that are bright over the whole width, if the rest is dark.

    Past the place from which the camera sees out under the outer (or the inner) end, and a little
    before it, bright is what lies outside.
    """
    start, end = site.ends_mm
    darkest = np.min(np.where(np.isfinite(share), share, 0.0), axis=0)
    known = darkest[np.all(np.isfinite(share), axis=0)]
    bright_level = max(_BRIGHT_SHARE, _BRIGHT_TIMES * float(np.percentile(known, 10)) if known.size else 0.0)
    bright = darkest > bright_level
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bright, [False]]).astype(int))).reshape(-1, 2)
    if not edges.size:
        return None
    first, last = (int(edge) for edge in edges[np.argmax(edges[:, 1] - edges[:, 0])])
    length = (last - first) * _BIN_MM
    low, high = start + first * _BIN_MM, start + last * _BIN_MM
    sees_in, sees_out = site.seen_through(start), site.seen_through(end)
    outside = max(high - max(low, min(sees_out, end)), 0.0) + max(min(high, max(sees_in, start)) - low, 0.0)
    if length < _LEAST_BLOCKED_MM or outside > _OUTSIDE_SHARE * length:
        return None
    reaches_end = first == 0 or last >= bright.size - 1
    if reaches_end and length < max(_LEAST_FROM_END_MM, _LEAST_FROM_END_SHARE * (end - start)):
        return None
    return _rounded_ends(share[1], first, last, bright_level)


def _rounded_ends(middle: Array, first: int, last: int, least: float) -> tuple[int, int]:
    """Add the ends of a blob, which are narrower than the gap: only the middle is bright there."""
    least = max(least, _END_LEVEL * float(np.median(middle[first:last])))
    start, end = max(first - _LONGEST_END, 0), min(last + _LONGEST_END, middle.size)
    before, after = middle[start:first][::-1] > least, middle[last:end] > least
    # What stays bright is no end of a blob, but what is seen beyond it.
    longer = [0 if np.all(beyond) else int(np.argmin(beyond)) for beyond in (before, after)]
    return first - longer[0], last + longer[1]


def _top(light: Array, run: tuple[int, int], site: Site) -> tuple[int, int]:
    """The part of a run that is the top of what stands there: its side, seen below it, is lit otherwise.

    Between the two the light jumps; on a rounded blob of glue it only drifts.
    """
    first, last = run
    inner = site.ends_mm[0] + first * _BIN_MM
    side = (inner - site.seen_through(inner)) / _BIN_MM
    height = np.log(np.maximum(light[first:last] if side > 0.0 else light[first:last][::-1], 1e-6))
    best, most = 0, _JUMP
    for at in range(2, min(int(abs(side)) + 2, height.size // 2)):
        jump = abs(height[at + 1] - height[at - 2])
        before, after = height[max(at - 4, 0) : at], height[at + 1 : at + 4]
        drift = max(np.ptp(before), np.ptp(after))
        if jump > most and drift < _DRIFT_SHARE * jump:
            best, most = at, jump
    return (first + best, last) if side > 0.0 else (first, last - best)
