"""One face of an open or filled joint: the straight top edge between wood and whatever lies beyond.

Each edge is fitted alone, in a window that reaches a little into the wood and a little into the gap.
Beyond the edge of a face whose own wall the camera sees there may be a strip of lit wall before the
dark begins: its far side, the lamp's shadow line, runs parallel to the edge and is often the
stronger of the two. So for such a face two models are compared on the same pixels: wood | gap, and
wood | lit strip | gap. Where the pixels cannot tell them apart, the uncertainty covers both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.levels import LevelFit, blurred_step, clipped_cost, fit_levels
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_WOOD_PX = 11.0
_GAP_PX = 10.0
_ROW_PX = 4.0
_MINIMUM_ROWS = 6
_STRIP_STARTS = ((0.0, 3.0, 2.0, 0.4), (-2.0, 2.0, 0.3, 0.8), (-4.0, 4.0, 0.3, 0.8))
"""Starts of the strip model: shift of the edge, width, penumbra (px), level against the wood's."""
_STRIP_PRIOR = np.array([0.0, 0.0, 1 / 8.0**2, 1 / 1.5**2, 1 / 2.5**2, 1 / 0.5**2])
_STRIP_RATIO = 0.93
"""Take the strip when its cost falls below this share of the plain edge's."""


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """A face's top edge in the joint frame: v = offset + slope (u - middle).

    Attributes
    ----------
    offset_mm, slope : float
        At ``middle_mm`` (u of the middle of the fitted length).
    covariance : ndarray, shape (2, 2)
        Of offset and slope, from the fit.
    either_mm : float
        Standard uncertainty added because the edge could be either of two lines; 0 if it is clear.
    strip : bool
        A lit strip below the edge was taken into account.
    scatter : float
        Residual scatter as a share of the wood's level.
    """

    offset_mm: float
    slope: float
    middle_mm: float
    covariance: Array
    either_mm: float
    strip: bool
    scatter: float


def fit_edge(
    strip: Strip,
    side: Literal["a", "b"],
    start: tuple[float, float],
    u_range: tuple[float, float],
    blur_px: float,
    wall_px: float,
    gap_px: float,
) -> EdgeFit | None:
    """Fit one face's top edge.

    Parameters
    ----------
    side : "a" or "b"
        Which face: the wood of face a lies at smaller v, that of face b at larger v.
    start : (offset, slope)
        Where to look, v = offset + slope * u, within some 3 px.
    wall_px : float
        Width in the photo of this face's own visible wall, px (0 when it is hidden).
    gap_px : float
        Rough gap: the window ends before the other face.
    """
    data = _window(strip, side, start, u_range, min(_GAP_PX, 0.5 * gap_px))
    if data is None:
        return None
    for _ in range(3):
        plain = _fit_plain(data, blur_px)
        shift, turn = plain.parameters
        if abs(shift) < 1.5 and abs(turn) < 1.5:
            break
        moved = (
            data.line[0] + data.sign * (shift - turn * data.middle / data.half) / data.scale,
            data.line[1] + data.sign * turn / data.half / data.scale,
        )
        again = _window(strip, side, moved, u_range, min(_GAP_PX, 0.5 * gap_px))
        if again is None:
            return None
        data = again
    fit, either, is_strip = plain, 0.0, False
    if wall_px > 0.5:
        other = _fit_strip(data, blur_px, plain, wall_px)
        if other is not None:
            ratio = clipped_cost(other.residuals, plain.sigma) / clipped_cost(plain.residuals, plain.sigma)
            apart = abs(other.parameters[0] - plain.parameters[0])
            if ratio < _STRIP_RATIO:
                fit, is_strip = other, True
                either = 0.15 * apart
            elif ratio < 0.985 and other.parameters[5] > 0.3:
                either = 0.4 * min(apart, 3.0)
    wood = float(np.median(plain.levels[:, 0]))
    scale = data.scale
    return EdgeFit(
        offset_mm=data.line[0] + data.line[1] * data.middle + data.sign * fit.parameters[0] / scale,
        slope=data.line[1] + data.sign * fit.parameters[1] / scale / data.half,
        middle_mm=data.middle,
        covariance=fit.covariance[:2, :2]
        / scale**2
        / np.array([[1.0, data.half], [data.half, data.half**2]]),
        either_mm=either / scale,
        strip=is_strip,
        scatter=plain.sigma / max(wood, 1e-6),
    )


@dataclass(frozen=True, eq=False)
class _Window:
    light: Array
    distance: Array
    rows: NDArray[np.intp]
    along: Array
    line: tuple[float, float]
    sign: float
    middle: float
    half: float
    scale: float


def _window(
    strip: Strip, side: str, line: tuple[float, float], u_range: tuple[float, float], gap_px: float
) -> _Window | None:
    """Pixels near the line; distance in px, positive into the gap; ``along`` -1..1 over the length."""
    sign = 1.0 if side == "a" else -1.0
    distance = (strip.v - line[0] - line[1] * strip.u) * strip.scale * sign
    keep = (distance > -_WOOD_PX) & (distance < gap_px) & (strip.u > u_range[0]) & (strip.u < u_range[1])
    near = strip.part(keep)
    rows = ((near.u - u_range[0]) * near.px_per_mm_along / _ROW_PX).astype(np.intp)
    if near.u.size < 100 or np.unique(rows).size < _MINIMUM_ROWS:
        return None
    middle, half = sum(u_range) / 2.0, (u_range[1] - u_range[0]) / 2.0
    return _Window(
        near.luma, distance[keep], rows, (near.u - middle) / half, line, sign, middle, half, near.px_per_mm
    )


def _slopes(distance: Array) -> Array:
    wood, gap = np.minimum(distance, 0.0), np.maximum(distance, 0.0)
    return np.stack([wood, gap, gap**2])


def _fit_plain(data: _Window, blur_px: float) -> LevelFit:
    """Wood | gap; parameters: shift and turn of the line (px, px per half length)."""

    def basis(parameters: Array) -> tuple[Array, Array]:
        step, edge = blurred_step(data.distance - parameters[0] - parameters[1] * data.along, blur_px)
        by_shift = np.stack([edge, -edge])
        return np.stack([1.0 - step, step]), np.stack([by_shift, by_shift * data.along])

    return fit_levels(data.light, data.rows, basis, np.zeros(2), smooth=_slopes(data.distance))


def _fit_strip(data: _Window, blur_px: float, plain: LevelFit, wall_px: float) -> LevelFit | None:
    """Wood | lit strip | gap: the best of a few starts, or None if none is a strip.

    Parameters: shift and turn of the edge; width and widening of the strip; penumbra of its far side
    (px, beside the blur); its level as a share of the wood's.
    """

    def basis(parameters: Array) -> tuple[Array, Array]:
        shift, turn, width, widening, penumbra, level = parameters
        spread = float(np.hypot(blur_px, penumbra))
        near = data.distance - shift - turn * data.along
        far = near - width - widening * data.along
        step, edge = blurred_step(near, blur_px)
        end, fall = blurred_step(far, spread)
        by_spread = -far / spread * fall * (penumbra / spread)
        by_shift = np.stack([edge - level * (edge - fall), -fall])
        by_width = np.stack([level * fall, -fall])
        derivatives = [
            by_shift,
            by_shift * data.along,
            by_width,
            by_width * data.along,
            np.stack([-level * by_spread, by_spread]),
            np.stack([step - end, np.zeros_like(step)]),
        ]
        return np.stack([1.0 - step + level * (step - end), end]), np.stack(derivatives)

    best: LevelFit | None = None
    for shift, width, penumbra, level in _STRIP_STARTS:
        start = np.array([plain.parameters[0] + shift, plain.parameters[1], width, 0.0, penumbra, level])
        fit = fit_levels(
            data.light, data.rows, basis, start, prior_weight=_STRIP_PRIOR, smooth=_slopes(data.distance)
        )
        found = fit.parameters
        if not 0.3 < found[2] < wall_px + 1.0 or not 0.02 < found[5] < 1.6:
            continue
        if best is None or clipped_cost(fit.residuals, plain.sigma) < clipped_cost(
            best.residuals, plain.sigma
        ):
            best = fit
    return best
