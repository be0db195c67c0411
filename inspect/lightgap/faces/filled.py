"""The two faces of a closed joint that glue fills: a line of its own colour between two woods.

The line is told from a dark slot by its hue, or by being brighter than both woods. Its two edges
are fitted together, with a level of its own in every row. Glue shrinks as it dries: where it stands
below the top, the camera sees a strip of dark wall beside it, on the side that it looks at.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.closed import PLACES, ClosedFit, JointWindow, cut_window
from lightgap.faces.colour import mixed_step
from lightgap.faces.levels import LevelFit, blurred_step, clipped_cost, fit_levels
from lightgap.faces.squeeze import Beside
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_STEP_PX, _HUE_NOISE = 1.0, 0.03
_HUE_FLOOR, _HUE_PER_SLOT, _HUE_PER_STEP = 0.03, 0.05, 0.1
_HUE_SIGMAS, _LEAST_BINS = 4.0, 4
_BLACK_SHARE = 0.15
_BRIGHTER, _LINE_PX, _FLANK_PX, _NO_DARKER = 1.15, 2.5, 5.0, 0.75
_WIDE_GAPS_PX, _WIDE_SHIFTS_PX = np.array([4.0, 5.0, 6.0, 7.0, 8.0, 10.0]), np.arange(-5.0, 5.01, 0.5)
_SLOT_GAPS_PX, _SLOT_LEVEL = np.concatenate([np.arange(0.0, 4.0, 0.5), _WIDE_GAPS_PX]), 0.03
_SOFT_PX = np.array([1.0, 1.5, 2.0, 3.0, 4.0])
_WIDE_CONTRAST, _WIDE_LEVEL, _WIDE_TIMES = 0.15, 0.35, 2.0
_WALL_SHARE = 0.4
"""Light of the wall above sunk glue, over that of the top."""
_DEPTHS_MM = (0.0, 0.25, 0.5, 0.75)
_DEPTH_STANDARD_MM = 0.12
_LIKELY_COST = 1.03
_STARTS_PX = (1.5, 3.5, 7.0)
_LARGEST_MM = 0.9
_ROUNDS = 14
_LEAST_CONTRAST = 0.2
_LEAST_ALIKE = 0.85
_WIDEST_STANDARD_MM = 0.06


@dataclass(frozen=True, eq=False)
class FillFit:
    """Both edges of a glue line in the joint frame, v = offset + slope (u - middle).

    Attributes
    ----------
    centre_mm, centre_slope, gap_mm, gap_slope, middle_mm, covariance :
        As in `lightgap.faces.closed.ClosedFit`.
    depth_standard_mm : float
        Standard uncertainty of the gap from not knowing how deep the glue stands.
    gap_per_blur : float
        How far the gap moves per px of blur, mm.
    """

    centre_mm: float
    centre_slope: float
    gap_mm: float
    gap_slope: float
    middle_mm: float
    covariance: Array
    depth_standard_mm: float
    gap_per_blur: float

    @property
    def line(self) -> tuple[float, float]:
        """The joint line, v = offset + slope * u."""
        return self.centre_mm - self.centre_slope * self.middle_mm, self.centre_slope


def shows_fill(beside: Beside, fit: ClosedFit, blur_px: float) -> bool:
    """Whether the joint line has a hue or, brighter than both woods or wide, a level of its own."""
    middle = fit.profile[np.abs(PLACES) < _LINE_PX]
    flanks = [float(np.mean(fit.profile[side * PLACES > _FLANK_PX])) for side in (-1.0, 1.0)]
    if np.min(middle) < _BLACK_SHARE * min(flanks):
        return False
    if np.max(middle) > _BRIGHTER * max(flanks) and np.min(fit.profile) > _NO_DARKER * min(flanks):
        return True
    if _has_own_hue(beside, blur_px):
        return True
    return _is_wide(fit.profile, blur_px)


def _has_own_hue(beside: Beside, blur_px: float) -> bool:
    """Whether the line's hue is explained neither by a slot nor by the step between two woods.

    Over a sharp step at the line's place, a blurred step sums to what the mixing of light makes of
    it; a step a little off adds its own difference, a slot takes away the wood's own colour.
    """
    if len(beside.line) < _LEAST_BINS:
        return False
    a, b = beside.woods
    known = np.stack([_STEP_PX * (b - a), 0.5 * (a + b)], axis=1)
    normal = known.T @ known + np.diag([_HUE_NOISE**2, 1e-9])
    excess = np.median(beside.line, axis=0) - mixed_step(beside.woods, blur_px)
    step_px, slot_px = np.linalg.solve(normal, known.T @ excess)
    rest = excess - known @ [step_px, slot_px]
    scatter = 1.4826 * np.median(np.abs(beside.line - np.median(beside.line, axis=0)), axis=0)
    noise = float(np.linalg.norm(scatter[1:])) / np.sqrt(len(beside.line))
    # A slot is a little off the wood's hue too, and what a phone does to a step is not all blur.
    limit = _HUE_FLOOR + _HUE_PER_SLOT * abs(slot_px) + _HUE_PER_STEP * abs(float(b[0] - a[0]))
    return bool(np.hypot(np.linalg.norm(rest), _HUE_NOISE * step_px) > max(limit, _HUE_SIGMAS * noise))


def _is_wide(profile: Array, blur_px: float) -> bool:
    """Whether a line of one level, neither a slot's nor the wood's, is told by its width.

    It must explain the profile clearly better than a slot does, and than a soft line of any width:
    grain that runs along the joint makes such lines.
    """
    wide, others = _wide_lines(round(blur_px, 2))
    known = wide.bases @ profile
    levels = np.einsum("gij,gj->gi", wide.inverses, known)[:, :3]
    wood = np.maximum(levels[:, [0, 2]], 1e-6)
    is_own = np.min(np.abs(levels[:, 1, None] / wood - 1.0), axis=1) > _WIDE_CONTRAST
    is_own &= levels[:, 1] > _WIDE_LEVEL * np.min(wood, axis=1)
    explained = np.sum(known**2, axis=-1)
    total = float(np.sum(profile**2))
    rest = total - float(np.max(np.where(is_own, explained, 0.0)))
    return all(
        _WIDE_TIMES * rest < total - np.max(np.sum((other.bases @ profile) ** 2, axis=-1)) for other in others
    )


@dataclass(frozen=True, eq=False)
class _Lines:
    """Models of a line, of many widths and places: transposed orthonormal bases, inverse triangles."""

    bases: Array
    inverses: Array


@lru_cache(maxsize=64)
def _wide_lines(blur_px: float) -> tuple[_Lines, tuple[_Lines, _Lines]]:
    """Wide lines of one level; slots, and soft lines, of any width."""

    def lines(widths_px: Array, kind: Literal["wide", "slot", "soft"]) -> _Lines:
        widths, shifts = (axis.ravel()[:, None] for axis in np.meshgrid(widths_px, _WIDE_SHIFTS_PX))
        line = PLACES[None, :] - shifts
        slopes = [np.minimum(line, 0.0), np.maximum(line, 0.0)]
        if kind == "soft":
            step, bell = blurred_step(line, widths)
            columns = [1.0 - step, bell, step, *slopes]
        else:
            face_a, face_b = (blurred_step(line + side * widths, blur_px)[0] for side in (0.5, -0.5))
            between = face_a - face_b
            columns = [1.0 - face_a, between, face_b, *slopes]
            if kind == "slot":
                columns = [1.0 - face_a + _SLOT_LEVEL * between, face_b + _SLOT_LEVEL * between, *slopes]
        bases, triangles = np.linalg.qr(np.stack(columns, axis=-1))
        return _Lines(np.swapaxes(bases, 1, 2), np.linalg.inv(triangles))

    return lines(_WIDE_GAPS_PX, "wide"), (lines(_SLOT_GAPS_PX, "slot"), lines(_SOFT_PX, "soft"))


def fit_fill(
    strip: Strip,
    fit: ClosedFit,
    u_range: tuple[float, float],
    blur_px: float,
    lean: float,
    grain_slope: float,
) -> FillFit | None:
    """Fit a glue line about where a dark line was sought; None if its edges cannot be told.

    Parameters
    ----------
    lean : float
        The view's lateral slope, + where the camera sees face A's wall.
    """
    data = cut_window(strip, u_range, fit.centre_mm, 0.6, grain_slope)
    if data is None:
        return None
    centre, turn = fit.centre_mm * data.scale, fit.centre_slope * data.half * data.scale
    starts = [
        _fit(data, blur_px, 0.0, np.array([centre + shift, turn, gap, 0.0]))
        for gap in _STARTS_PX
        for shift in ((0.0,) if gap < 2.0 else (-0.5 * gap, 0.0, 0.5 * gap))
    ]
    starts = [start for start in starts if _is_line(start, data)]
    if not starts:
        return None
    sigma = min(start.sigma for start in starts)
    flush = min(starts, key=lambda start: clipped_cost(start.residuals, sigma))
    fits = [flush]
    for depth in _DEPTHS_MM[1:]:
        wall = lean * depth * data.scale
        begin = flush.parameters + np.array([-0.5 * wall, 0.0, abs(wall), 0.0])
        fits.append(_fit(data, blur_px, wall, begin))
    fits = [item for item in fits if _is_line(item, data)]
    sigma = min(item.sigma for item in fits)
    cost = np.array([clipped_cost(item.residuals, sigma) for item in fits])
    best = fits[int(np.argmin(cost))]
    # Depths that explain the line about as well cannot be told apart: their mean, and half their range.
    likely = [fit.parameters for fit, at in zip(fits, cost, strict=True) if at < _LIKELY_COST * np.min(cost)]
    wider = _fit(data, 1.03 * blur_px, 0.0, flush.parameters, rounds=3)
    scale, half = data.scale, data.half
    units = np.array([1.0, 1.0 / half, 1.0, 1.0 / half]) / scale
    covariance = best.covariance * np.outer(units, units)
    if np.sqrt(covariance[2, 2]) > _WIDEST_STANDARD_MM:
        return None
    centre, turn, gap, widening = np.mean(likely, axis=0) * units
    return FillFit(
        centre_mm=float(centre),
        centre_slope=float(turn),
        gap_mm=float(gap),
        gap_slope=float(widening),
        middle_mm=data.middle,
        covariance=covariance,
        depth_standard_mm=max(0.5 * float(np.ptp(likely, axis=0)[2]) / scale, abs(lean) * _DEPTH_STANDARD_MM),
        gap_per_blur=float(wider.parameters[2] - flush.parameters[2]) / scale / (0.03 * blur_px),
    )


def _is_line(fit: LevelFit, data: JointWindow) -> bool:
    """Whether a fit is a line of one level that differs clearly from the wood on both sides."""
    centre, _, gap, widening = fit.parameters
    if not (np.all(np.isfinite(fit.parameters)) and gap - abs(widening) > 0.0):
        return False
    if gap > _LARGEST_MM * data.scale or abs(centre - np.median(data.distance)) > 8.0:
        return False
    wood = np.median(fit.levels[:, [0, 2]], axis=0)
    contrast = fit.levels[:, 1, None] / np.maximum(fit.levels[:, [0, 2]], 1e-3) - 1.0
    typical = np.median(contrast, axis=0)
    alike = np.mean(np.sign(contrast) == np.sign(typical), axis=0)
    level = float(np.median(fit.levels[:, 1]))
    return bool(
        np.min(np.abs(typical)) > _LEAST_CONTRAST
        and np.min(alike) > _LEAST_ALIKE
        and level > _WALL_SHARE * float(np.min(wood))
    )


def _fit(data: JointWindow, blur_px: float, wall_px: float, start: Array, rounds: int = _ROUNDS) -> LevelFit:
    """Parameters: centre, turn, gap, widening; px, and px per half length.

    ``wall_px`` is the width of dark wall beside face A (+) or face B (-), within the gap.
    """

    def basis(parameters: Array) -> tuple[Array, Array]:
        centre, turn, gap, widening = parameters
        line = data.distance - centre - turn * data.along
        half_gap = 0.5 * (gap + widening * data.along)
        face_a, face_b = blurred_step(line + half_gap, blur_px), blurred_step(line - half_gap, blur_px)
        fill_a = blurred_step(line + half_gap - max(wall_px, 0.0), blur_px)
        fill_b = blurred_step(line - half_gap + max(-wall_px, 0.0), blur_px)

        def levels(a: Array, fill_from: Array, fill_to: Array, b: Array) -> Array:
            return np.stack(
                [-a + _WALL_SHARE * (a - fill_from), fill_from - fill_to, b + _WALL_SHARE * (fill_to - b)]
            )

        columns = levels(face_a[0], fill_a[0], fill_b[0], face_b[0])
        columns[0] += 1.0
        by_centre = levels(-face_a[1], -fill_a[1], -fill_b[1], -face_b[1])
        by_gap = 0.5 * levels(face_a[1], fill_a[1], -fill_b[1], -face_b[1])
        return columns, np.stack([by_centre, by_centre * data.along, by_gap, by_gap * data.along])

    slopes = np.stack([np.minimum(data.distance, 0.0), np.maximum(data.distance, 0.0)])
    return fit_levels(data.light, data.rows, basis, start, slopes, rounds)
