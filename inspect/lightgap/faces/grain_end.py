"""Where the grain of the top face ends: it runs up to the edge of the wood and no further.

A strip of lit wall below an edge can be as bright as the wood above, and then light alone does not tell which
of two lines is the edge. But the lines of grain that cross the top face stop there; the wall has a pattern
of its own. How much of the pattern some pixels inside the wood is left at each distance is a profile with
one step, at the edge, however the wall is lit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lightgap.faces.levels import blurred_step
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_WOOD_PX, _GAP_PX, _BIN_PX = 13.0, 8.0, 0.5
_PLACES = np.arange(-_WOOD_PX, _GAP_PX, _BIN_PX) + 0.5 * _BIN_PX
_BANDS = ((-12.0, -9.0), (-8.0, -5.0))
"""Where the pattern is read: what both bands show is grain, what one of them shows is noise."""
_PATTERN = (_PLACES > -12.0) & (_PLACES < -5.0)
_FOLLOWED = _PLACES > -5.0
_LEAST_GRAIN = 0.1
"""Share of the pattern that must be grain."""
_ROW_PX = 2.0
_SMOOTH_ROWS = 10.0
"""What changes more slowly along the joint is light, not grain."""
_FEWEST_ROWS = 24
_FEWEST_PIXELS, _DARKEST = 3, 1e-3
_BLOCK_ROWS = 4
"""Grain is alike over so many rows."""
_MODEL_SHARE = 0.08
_ALIKE_BINS = 3.0
"""Blur and processing make so many bins alike."""
_LEVEL_STANDARD, _FADING_STANDARD = 0.1, 0.02
"""How far the pattern's strength may lie off that of the usual edge, and fade with distance, a pixel."""
_FEWEST_SURE = 4
_STOPS, _GOES_ON = 9.2, 4.6
"""Most that a pattern which stops short of a line, or goes on beyond it, says against the line: stains and
chips stop it at 1 in 100 edges, and it goes on down the wall at 1 in 10 (quarter-sawn wood)."""


@dataclass(frozen=True, eq=False)
class GrainEnd:
    """What is left of the wood's pattern at each distance from an edge, and its variance.

    Attributes
    ----------
    share, variance : ndarray, shape (42,)
        Covariance with the pattern inside the wood, over its grain's own variance and the wood's light.
    """

    share: Array
    variance: Array


def follow_grain(
    strip: Strip,
    side: str,
    line: tuple[float, float],
    u_range: tuple[float, float],
    grain_deg: float,
) -> GrainEnd | None:
    """Follow the grain of one side's wood towards and over the line v = offset + slope * u.

    Parameters
    ----------
    grain_deg : float
        How far the grain lies off square to the joint; it runs round the ring, so half a pitch.
    """
    sign = 1.0 if side == "a" else -1.0
    distance = (strip.v - line[0] - line[1] * strip.u) * strip.scale * sign
    u = strip.u - np.tan(np.radians(grain_deg)) * distance / strip.px_per_mm
    rows = int((u_range[1] - u_range[0]) * strip.px_per_mm_along / _ROW_PX)
    row = np.floor((u - u_range[0]) / (u_range[1] - u_range[0]) * rows).astype(np.intp)
    column = np.floor((distance + _WOOD_PX) / _BIN_PX).astype(np.intp)
    keep = (row >= 0) & (row < rows) & (column >= 0) & (column < _PLACES.size)
    if rows < _FEWEST_ROWS or not np.any(keep):
        return None
    cell, shape = row[keep] * _PLACES.size + column[keep], (rows, _PLACES.size)
    count = np.bincount(cell, minlength=rows * _PLACES.size).reshape(shape).astype(float)
    light = np.bincount(cell, strip.luma[keep], minlength=rows * _PLACES.size).reshape(shape)
    even, number = (
        gaussian_filter1d(table, _SMOOTH_ROWS, axis=0, mode="nearest") for table in (light, count)
    )
    even = even / np.maximum(number, 1e-9)
    left = light - count * even
    wood = np.maximum(even[:, _PATTERN].mean(axis=1), _DARKEST)
    one, other = (_pattern(left, count, band) / wood for band in _BANDS)
    pattern = 0.5 * (one + other)
    grain = float(one @ other / max(pattern @ pattern, 1e-12))
    if grain < _LEAST_GRAIN:
        return None
    strength = np.maximum(np.sum(count * pattern[:, None] ** 2, axis=0), 1e-12)
    share = pattern @ left / strength
    off = pattern[:, None] * (left - count * share * pattern[:, None])
    blocks = np.add.reduceat(off, np.arange(0, rows, _BLOCK_ROWS), axis=0)
    level = float(np.median(wood))
    return GrainEnd(share / level / grain, np.sum(blocks**2, axis=0) / (strength * level * grain) ** 2)


def _pattern(left: Array, count: Array, band: tuple[float, float]) -> Array:
    """What is left of the light in a band, row by row; nothing where a row has hardly any pixels."""
    within = np.abs(_PLACES - np.mean(band)) < 0.5 * np.ptp(band)
    number = count[:, within].sum(axis=1)
    return np.where(number > _FEWEST_PIXELS, left[:, within].sum(axis=1) / np.maximum(number, 1.0), 0.0)


def grain_costs(
    ends: list[GrainEnd | None], sure: NDArray[np.bool_], blur_px: float, shifts_px: list[Array]
) -> list[Array]:
    """Tell what the grain has against each line that an edge could be.

    Parameters
    ----------
    ends : list of GrainEnd or None
        About each edge as fitted.
    sure : ndarray of bool
        Which edges have nothing lit below them: how grain ends at an edge in this photo is seen there.
    shifts_px : list of ndarray
        Where the lines of each edge lie from it, positive into the gap.

    Returns
    -------
    list of ndarray
        Minus twice the logarithm of each line's likelihood over the likeliest one's.
    """
    usual = [end.share for end, is_sure in zip(ends, sure, strict=True) if end is not None and is_sure]
    step, _ = blurred_step(_PLACES, blur_px)
    template = np.median(usual, axis=0) if len(usual) >= _FEWEST_SURE else 1.0 - step
    return [
        np.zeros(shifts.size) if end is None or shifts.size < 2 else _costs(end, template, shifts)
        for end, shifts in zip(ends, shifts_px, strict=True)
    ]


def _costs(end: GrainEnd, template: Array, shifts_px: Array) -> Array:
    """Fit the usual profile, moved to each line, in strength and fading; both have priors."""
    weight = _FOLLOWED / (end.variance + _MODEL_SHARE**2)
    model = np.interp(_PLACES - shifts_px[:, None], _PLACES, template)
    fading = np.minimum(_PLACES, 0.0) - float(np.mean(_PLACES[_PATTERN]))
    design = np.stack([model, model * fading], axis=-1)
    prior = np.array([_LEVEL_STANDARD, _FADING_STANDARD]) ** -2.0
    normal = np.einsum("p,spi,spj->sij", weight, design, design) + np.diag(prior)
    right = np.einsum("p,spi,p->si", weight, design, end.share) + prior * [1.0, 0.0]
    best = np.linalg.solve(normal, right[..., None])[..., 0]
    # What is left of a sum of squares at its least; the data's own share of it is alike for every line.
    costs = -np.sum(right * best, axis=1) / _ALIKE_BINS
    likeliest = int(np.argmin(costs))
    most = np.where(shifts_px > shifts_px[likeliest], _STOPS, _GOES_ON)
    return np.asarray(np.minimum(costs - costs[likeliest], most))
