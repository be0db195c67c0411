"""The two faces of a closed joint: a thin dark line, or only a change of wood.

Below some 5 px the two edges are not seen apart; one model holds both. The slot between them is
darker than the wood by a share that the view decides: a line of sight that enters a deep slot at
lateral slope c ends on one wall, and the light that this wall sends back is proportional to c. The
share rho = 0.25 c was measured on slots of known width.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.levels import LevelFit, blurred_step, clipped_cost, fit_levels
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

SLOT_SHARE = 0.25
"""Slot light over wood light, per unit of the view's lateral slope."""
SLOT_SHARE_STANDARD = 0.04
"""Standard uncertainty of that share itself (absolute)."""
SLOT_SHARE_BY_LAMP = 0.25
"""What a lamp on the one side adds to that share, or on the other takes from it, per unit of slope."""

_WINDOW_PX = 10.0
_ROW_PX = 4.0
_MINIMUM_ROWS = 6
_SHARPEST = 0.3
_ROUNDS = 14
_ROUGH_ROUNDS = 6
"""Enough to see the joint's profile about its line, from which the fit itself starts."""
_REACH_PX, _BIN_PX = 9.0, 0.25
PLACES = np.arange(-_REACH_PX, _REACH_PX, _BIN_PX) + 0.5 * _BIN_PX
_GAPS_PX = np.array([0.0, 0.4, 0.8, 1.2, 1.8, 2.5, 3.2, 4.0, 5.0, 6.0, 8.0])
_SHIFTS_PX = np.arange(-4.0, 4.01, 0.25)
_FINE_GAPS_PX = np.concatenate([np.arange(0.0, 3.0, 0.1), _GAPS_PX[_GAPS_PX > 3.0]])
_FINE_SHIFTS_PX = np.arange(-1.5, 1.51, 0.25)
"""For the blur: a line whose gap lies between two of the grid would be taken for a blurrier one."""
_BLURS_PX = np.arange(0.4, 1.61, 0.1).round(2)
_TOLD = 0.03
_OTHER_GAP_PX, _NEAR = 1.0, 2.5


@dataclass(frozen=True, eq=False)
class ClosedFit:
    """Both faces of a closed joint in the joint frame, v = offset + slope (u - middle).

    ``centre_mm`` and ``centre_slope`` are the joint line's, ``gap_mm`` and ``gap_slope`` (mm per mm)
    the gap's; ``covariance`` is of these four, ``by_sections`` as in `lightgap.faces.levels.LevelFit`.
    ``gap_per_slot`` is how far the gap moves per unit of slot share, ``gap_per_blur`` per px of blur, both
    in mm. ``step`` is the difference of the two woods over their mean; ``scatter`` the residual over the
    wood; ``profile`` the mean light across.
    """

    centre_mm: float
    centre_slope: float
    gap_mm: float
    gap_slope: float
    middle_mm: float
    half_mm: float
    covariance: Array
    by_sections: Array
    gap_per_slot: float
    gap_per_blur: float
    step: float
    scatter: float
    profile: Array

    @property
    def line(self) -> tuple[float, float]:
        """The joint line, v = offset + slope * u."""
        return self.centre_mm - self.centre_slope * self.middle_mm, self.centre_slope


@dataclass(frozen=True, eq=False)
class RoughLine:
    """Where a closed joint's line runs, before its gap is fitted.

    ``shift`` and ``turn`` are px and px per half length; ``profile`` and ``step`` are those of `ClosedFit`.
    """

    shift: float
    turn: float
    scale: float
    profile: Array
    step: float


@dataclass(frozen=True, eq=False)
class ClosedView:
    """What is known of a closed joint's pixels.

    Attributes
    ----------
    strip : Strip
    u_range : (float, float)
        The part of its length that is fitted, mm.
    blur_px : float
        At u = 0.
    slot_share : float
        Light of the slot as a share of the wood's.
    grain_slope : float
        Tangent of the angle between the grain and the square to the joint; rows follow the grain.
    blur_growth : float
        Of the blur along the joint, over ``blur_px``, per mm: between two woods, and in wide fillings,
        a blur that grows looks like a joint that opens.
    """

    strip: Strip
    u_range: tuple[float, float]
    blur_px: float
    slot_share: float
    grain_slope: float
    blur_growth: float

    def window(self, shift_mm: float, gap_mm: float) -> JointWindow | None:
        """The pixels about a line."""
        return cut_window(self.strip, self.u_range, shift_mm, gap_mm, self.grain_slope, self.blur_growth)


def find_line(view: ClosedView) -> RoughLine | None:
    """Find a closed joint's line about v = 0; an error of the blur hardly moves it."""
    data = view.window(0.0, 0.2)
    if data is None:
        return None
    about = np.array([0.0, 0.0, 0.1 * data.scale, 0.0])
    fit = _fit(data, view.blur_px, view.slot_share, about, _ROUGH_ROUNDS)
    if not _is_inside(fit):
        fit = replace(fit, parameters=np.zeros(4))
    shift, turn = fit.parameters[:2]
    return RoughLine(float(shift), float(turn), data.scale, _profile(data, fit), _step(fit))


def fit_closed(view: ClosedView, rough: RoughLine | None = None) -> ClosedFit | None:
    """Fit both faces of a closed joint about its line, which is found first if it is not given."""
    rough = rough or find_line(view)
    if rough is None:
        return None
    blur_px, slot_share = view.blur_px, view.slot_share
    starts = closed_scan(blur_px, slot_share).best(rough.profile)
    widest = max(gap for _, gap in starts) / rough.scale
    chosen = view.window(rough.shift / rough.scale, widest)
    if chosen is None:
        return None
    fits = [
        _fit(chosen, blur_px, slot_share, np.array([rough.shift + shift, rough.turn, gap, 0.0]))
        for shift, gap in starts
    ]
    fits = [fit for fit in fits if _is_inside(fit)]
    if not fits:
        return None
    sigma = min(fit.sigma for fit in fits)
    best = min(fits, key=lambda fit: clipped_cost(fit.residuals, sigma))
    wider = _fit(chosen, 1.03 * blur_px, slot_share, best.parameters, 1, best)
    brighter = _fit(chosen, blur_px, slot_share + 0.03, best.parameters, 1, best)
    scale, half = chosen.scale, chosen.half
    units = np.array([1.0, 1.0 / half, 1.0, 1.0 / half]) / scale
    centre, turn, gap, widening = best.parameters * units
    mean = float(np.median(best.levels, axis=0).mean())
    return ClosedFit(
        centre_mm=float(centre),
        centre_slope=float(turn),
        gap_mm=float(gap),
        gap_slope=float(widening),
        middle_mm=chosen.middle,
        half_mm=half,
        covariance=best.covariance * np.outer(units, units),
        by_sections=best.by_sections,
        gap_per_slot=float(brighter.parameters[2] - best.parameters[2]) / scale / 0.03,
        gap_per_blur=float(wider.parameters[2] - best.parameters[2]) / scale / (0.03 * blur_px),
        step=_step(best),
        scatter=best.sigma / max(mean, 1e-6),
        profile=_profile(chosen, best),
    )


def line_blur(profiles: Array, slot_share: float) -> float | None:
    """Blur that explains the profiles of closed joints best, px; None if they do not tell.

    A joint much narrower than a pixel is a line whose profile is the blur itself.

    Parameters
    ----------
    profiles : ndarray, shape (joints, len(PLACES))
    """
    scans = (_scan_of(blur, slot_share, _FINE_GAPS_PX, _FINE_SHIFTS_PX) for blur in _BLURS_PX)
    cost = np.array([np.mean(np.log(scan.costs(profiles).min(axis=0))) for scan in scans])
    best = int(np.argmin(cost))
    if not 0 < best < len(_BLURS_PX) - 1 or np.ptp(cost) < _TOLD:
        return None
    left, middle, right = cost[best - 1 : best + 2]
    step = _BLURS_PX[1] - _BLURS_PX[0]
    return float(_BLURS_PX[best] + 0.5 * step * (left - right) / (left - 2.0 * middle + right))


@dataclass(frozen=True, eq=False)
class Scan:
    """Every gap and shift of a grid, made ready for profiles of one blur: transposed orthonormal bases."""

    shifts: Array
    gaps: Array
    bases: Array

    def costs(self, profiles: Array) -> Array:
        """Residual sum of squares over contrast, shape (grid, joints)."""
        known = self.bases @ profiles.T
        rest = np.sum(profiles**2, axis=1)[None, :] - np.sum(known**2, axis=1)
        spread = np.maximum(np.var(profiles, axis=1), 1e-12)
        return np.asarray(np.maximum(rest, 1e-12) / spread[None, :])

    def best(self, profile: Array) -> list[tuple[float, float]]:
        """Shift and gap, px, of the best place, and of the best clearly other gap if it is near."""
        cost = self.costs(profile[None, :])[:, 0]
        first = int(np.argmin(cost))
        other = np.where(np.abs(self.gaps - self.gaps[first]) > _OTHER_GAP_PX, cost, np.inf)
        second = int(np.argmin(other))
        chosen = [first] if other[second] > _NEAR * cost[first] else [first, second]
        return [(float(self.shifts[index]), float(self.gaps[index])) for index in chosen]


def closed_scan(blur_px: float, slot_share: float) -> Scan:
    """Models of joints of every gap and place."""
    return _scan(round(blur_px, 2), round(slot_share, 2))


@lru_cache(maxsize=64)
def _scan(blur_px: float, slot_share: float) -> Scan:
    return _scan_of(blur_px, slot_share, _GAPS_PX, _SHIFTS_PX)


def _scan_of(blur_px: float, slot_share: float, gaps_px: Array, shifts_px: Array) -> Scan:
    gaps, shifts = (axis.ravel() for axis in np.meshgrid(gaps_px, shifts_px, indexing="ij"))
    line = PLACES[None, :] - shifts[:, None]
    step_a, _ = blurred_step(line + 0.5 * gaps[:, None], blur_px)
    step_b, _ = blurred_step(line - 0.5 * gaps[:, None], blur_px)
    slot = 0.5 * slot_share * (step_a - step_b)
    design = np.stack(
        [1.0 - step_a + slot, step_b + slot, np.minimum(line, 0.0), np.maximum(line, 0.0)], axis=-1
    )
    return Scan(shifts, gaps, np.ascontiguousarray(np.swapaxes(np.linalg.qr(design)[0], 1, 2)))


def _profile(data: JointWindow, fit: LevelFit) -> Array:
    """Mean light along the joint at each of PLACES."""
    distance = data.distance - fit.parameters[0] - fit.parameters[1] * data.along
    bins = np.floor((distance + _REACH_PX) / _BIN_PX).astype(np.intp)
    keep = (bins >= 0) & (bins < PLACES.size)
    count = np.bincount(bins[keep], minlength=PLACES.size)
    total = np.bincount(bins[keep], data.light[keep], minlength=PLACES.size)
    known = count > 0
    return np.interp(PLACES, PLACES[known], total[known] / count[known])


def _step(fit: LevelFit) -> float:
    """Difference of the two woods over their mean."""
    levels = np.median(fit.levels, axis=0)
    return float(abs(levels[1] - levels[0])) / max(float(levels.mean()), 1e-6)


def _is_inside(fit: LevelFit) -> bool:
    return bool(np.all(np.isfinite(fit.parameters))) and abs(fit.parameters[0]) < 0.8 * _WINDOW_PX


@dataclass(frozen=True, eq=False)
class JointWindow:
    light: Array
    distance: Array
    rows: NDArray[np.intp]
    along: Array
    middle: float
    half: float
    scale: float
    softness: Array
    """Blur at each pixel over that at u = 0."""


def cut_window(
    strip: Strip,
    u_range: tuple[float, float],
    shift_mm: float,
    gap_mm: float,
    grain_slope: float,
    blur_growth: float,
) -> JointWindow | None:
    distance = strip.v * strip.scale
    reach = _WINDOW_PX + 0.5 * gap_mm * strip.px_per_mm
    keep = np.abs(distance - shift_mm * strip.px_per_mm) < reach
    keep &= (strip.u > u_range[0]) & (strip.u < u_range[1])
    sheared = strip.u + np.abs(strip.v) * grain_slope
    rows = ((sheared - u_range[0]) * strip.px_per_mm_along / _ROW_PX).astype(np.intp)
    order = np.flatnonzero(keep)
    order = order[np.argsort(rows[order], kind="stable")]
    near, rows = strip.part(order), rows[order]
    if order.size < 100 or np.unique(rows).size < _MINIMUM_ROWS:
        return None
    middle, half = sum(u_range) / 2.0, (u_range[1] - u_range[0]) / 2.0
    softness = np.maximum(1.0 + blur_growth * near.u, _SHARPEST)
    return JointWindow(
        near.luma, distance[order], rows, (near.u - middle) / half, middle, half, near.px_per_mm, softness
    )


def _fit(
    data: JointWindow,
    blur_px: float,
    slot_share: float,
    start: Array,
    rounds: int = _ROUNDS,
    like: LevelFit | None = None,
) -> LevelFit:
    """Parameters: centre, turn, gap, widening; px, and px per half length."""
    blur = blur_px * data.softness

    def basis(parameters: Array) -> tuple[Array, Array]:
        centre, turn, gap, widening = parameters
        line = data.distance - centre - turn * data.along
        half_gap = 0.5 * (gap + widening * data.along)
        step_a, edge_a = blurred_step(line + half_gap, blur)
        step_b, edge_b = blurred_step(line - half_gap, blur)
        slot = 0.5 * slot_share
        # The slot's light, shared out to both levels.
        between, moved, widened = slot * (step_a - step_b), slot * (edge_a - edge_b), slot * (edge_a + edge_b)
        levels = np.stack([1.0 - step_a + between, step_b + between])
        derivatives = np.empty((4, *levels.shape))
        derivatives[0] = edge_a - moved, -edge_b - moved
        derivatives[2] = 0.5 * (widened - edge_a), 0.5 * (widened - edge_b)
        np.multiply(derivatives[::2], data.along, out=derivatives[1::2])
        return levels, derivatives

    slopes = np.stack([np.minimum(data.distance, 0.0), np.maximum(data.distance, 0.0)])
    return fit_levels(data.light, data.rows, basis, start, slopes, rounds, like)
