"""The two faces of a closed joint: a thin dark line, or only a change of wood.

Below some 5 px the two edges are not seen apart; one model holds both. The slot between them is
darker than the wood by a share that the view decides: a line of sight that enters a deep slot at
lateral slope c ends on one wall, and the light that this wall sends back is proportional to c. The
share rho = 0.25 c was measured on slots of known width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.levels import LevelFit, blurred_step, fit_levels
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

SLOT_SHARE = 0.25
"""Slot light over wood light, per unit of the view's lateral slope."""
SLOT_SHARE_STANDARD = 0.04
"""Standard uncertainty of that share itself (absolute)."""

_WINDOW_PX = 10.0
_ROW_PX = 4.0
_MINIMUM_ROWS = 6
_STARTS_MM = ((0.05, 0.0), (0.3, 0.0), (0.6, 0.0), (0.4, 0.2), (0.4, -0.2))
"""Gap and shift of the centre from which the fit starts."""


@dataclass(frozen=True, eq=False)
class ClosedFit:
    """Both faces of a closed joint in the joint frame, v = offset + slope (u - middle).

    ``centre_mm`` and ``centre_slope`` are the joint line's, ``gap_mm`` and ``gap_slope`` (mm per mm)
    the gap's; ``covariance`` is of these four. ``gap_per_slot`` is how far the gap moves per unit of
    slot share, ``gap_per_blur`` per px of blur, both in mm. ``step`` is the difference of the two
    woods over their mean; ``scatter`` the residual over the wood.
    """

    centre_mm: float
    centre_slope: float
    gap_mm: float
    gap_slope: float
    middle_mm: float
    half_mm: float
    covariance: Array
    gap_per_slot: float
    gap_per_blur: float
    step: float
    scatter: float


def fit_closed(
    strip: Strip,
    u_range: tuple[float, float],
    blur_px: float,
    slot_share: float,
    grain_slope: float,
) -> ClosedFit | None:
    """Fit a closed joint about v = 0.

    Parameters
    ----------
    slot_share : float
        Light of the slot as a share of the wood's.
    grain_slope : float
        Tangent of the angle between the grain and the square to the joint; rows follow the grain.
    """
    best: LevelFit | None = None
    chosen: _Window | None = None
    for gap, shift in _STARTS_MM:
        data = _window(strip, u_range, shift, gap, grain_slope)
        if data is None:
            return None
        start = np.array([shift * data.scale, 0.0, gap * data.scale, 0.0])
        fit = _fit(data, blur_px, slot_share, start)
        if not np.all(np.isfinite(fit.parameters)) or abs(fit.parameters[0]) > 0.8 * _WINDOW_PX:
            continue
        if best is None or fit.sigma < best.sigma:
            best, chosen = fit, data
    if best is None or chosen is None:
        return None
    wider = _fit(chosen, 1.03 * blur_px, slot_share, best.parameters)
    brighter = _fit(chosen, blur_px, slot_share + 0.03, best.parameters)
    scale, half = chosen.scale, chosen.half
    units = np.array([1.0, 1.0 / half, 1.0, 1.0 / half]) / scale
    centre, turn, gap, widening = best.parameters * units
    levels = np.median(best.levels, axis=0)
    mean = float(levels.mean())
    return ClosedFit(
        centre_mm=float(centre),
        centre_slope=float(turn),
        gap_mm=float(gap),
        gap_slope=float(widening),
        middle_mm=chosen.middle,
        half_mm=half,
        covariance=best.covariance * np.outer(units, units),
        gap_per_slot=float(brighter.parameters[2] - best.parameters[2]) / scale / 0.03,
        gap_per_blur=float(wider.parameters[2] - best.parameters[2]) / scale / (0.03 * blur_px),
        step=float(abs(levels[1] - levels[0])) / max(mean, 1e-6),
        scatter=best.sigma / max(mean, 1e-6),
    )


@dataclass(frozen=True, eq=False)
class _Window:
    light: Array
    distance: Array
    rows: NDArray[np.intp]
    along: Array
    middle: float
    half: float
    scale: float


def _window(
    strip: Strip, u_range: tuple[float, float], shift_mm: float, gap_mm: float, grain_slope: float
) -> _Window | None:
    distance = strip.v * strip.scale
    reach = _WINDOW_PX + 0.5 * gap_mm * strip.px_per_mm
    keep = np.abs(distance - shift_mm * strip.px_per_mm) < reach
    keep &= (strip.u > u_range[0]) & (strip.u < u_range[1])
    near = strip.part(keep)
    sheared = near.u + np.abs(near.v) * grain_slope
    rows = ((sheared - u_range[0]) * near.px_per_mm_along / _ROW_PX).astype(np.intp)
    if near.u.size < 100 or np.unique(rows).size < _MINIMUM_ROWS:
        return None
    middle, half = sum(u_range) / 2.0, (u_range[1] - u_range[0]) / 2.0
    return _Window(near.luma, distance[keep], rows, (near.u - middle) / half, middle, half, near.px_per_mm)


def _fit(data: _Window, blur_px: float, slot_share: float, start: Array) -> LevelFit:
    """Parameters: centre, turn, gap, widening; px, and px per half length."""

    def basis(parameters: Array) -> tuple[Array, Array]:
        centre, turn, gap, widening = parameters
        line = data.distance - centre - turn * data.along
        half_gap = 0.5 * (gap + widening * data.along)
        step_a, edge_a = blurred_step(line + half_gap, blur_px)
        step_b, edge_b = blurred_step(line - half_gap, blur_px)
        slot = 0.5 * slot_share
        between = step_a - step_b
        levels = np.stack([1.0 - step_a + slot * between, step_b + slot * between])
        by_centre = np.stack([edge_a - slot * (edge_a - edge_b), -edge_b - slot * (edge_a - edge_b)])
        by_gap = 0.5 * np.stack([-edge_a + slot * (edge_a + edge_b), -edge_b + slot * (edge_a + edge_b)])
        return levels, np.stack([by_centre, by_centre * data.along, by_gap, by_gap * data.along])

    slopes = np.stack([np.minimum(data.distance, 0.0), np.maximum(data.distance, 0.0)])
    return fit_levels(data.light, data.rows, basis, start, smooth=slopes)
