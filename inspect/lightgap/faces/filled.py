"""The two faces of a closed joint that glue fills: a line of its own colour between two woods.

The line is told from a dark slot by its hue, by being brighter than both woods, or by a level between
theirs. Dark glue and a lit slot are not told apart, nor need they be where a line is wide enough to show
its level. The two edges are fitted together, with a level of its own in every row. Glue shrinks as
it dries: where it stands below the top, the camera sees a strip of dark wall beside it, on the side
that it looks at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.closed import JointWindow, cut_window
from lightgap.faces.colour import deepened, mixed_step
from lightgap.faces.levels import LevelFit, blurred_step, clipped_cost, fit_levels
from lightgap.faces.line import Line
from lightgap.faces.squeeze import Beside
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]
Filling = Literal["glue", "dark"]
"""Glue, or what could be dark glue as well as a slot that light falls into."""

_STEP_PX, _HUE_NOISE = 1.0, 0.03


@dataclass(frozen=True)
class _HueLimit:
    """How much hue, codes times px, is beyond what else gives a line hue.

    A slot is a little off the wood's hue too, and what a phone does to a step is not all blur.
    """

    floor: float
    per_slot: float
    per_step: float


_TOLD = _HueLimit(0.03, 0.05, 0.1)
_LIKELY = _HueLimit(0.015, 0.02, 0.1)
"""Where other joints of the ring are filled."""
_FAINT = _HueLimit(0.015, 0.02, 0.03)
"""99 of 100 joints that nothing fills stay below (drawn, seeds 303 and 601), on photographs all of 256."""
_FARTHEST_STEP_PX, _LIKELY_STEP_PX = 1.4, 0.8
"""A step farther off means that brightness and hue change at two places."""
_BOUNCED = 0.15
"""Most of the wood's own hue, codes, that light which goes to and fro in a slot was seen to give it."""
_WIDEST_SLOT_PX = 1.2
"""Through wider slots the bench is seen, which has a hue of its own."""
_LEAST_HUE = 0.01
"""Codes: of a filling that other signs did not tell, and that differs from the wood at all; of ten such on
drawn rings (seeds 305 and 306) eight were as wide as this makes them, or narrower."""
_LEAST_BRIGHTER = 0.1
"""Of one wood over the other, codes 0..1: woods nearer to each other draw no line aside."""
_LEAST_STEP_BETWEEN = 0.15
_TONE_CURVE_LEFT = 0.4
"""Phones' curves are stronger than the usual one by up to so much; local tone mapping acts like one."""
_HUE_SIGMAS, _LEAST_BINS = 4.0, 4
_HUE_OVER_SLOT = 1.2
_BRIGHTER, _BRIGHT_OVER_SLOT = 1.2, 4.0
_DARKEST, _DARK_LEVELS, _DARK_PX, _DARK_OVER_SLOT, _DARK_OVER_SOFT = 0.12, (0.16, 0.6), 3.5, 5.0, 1.2
_MAYBE_PX, _MAYBE_OVER_SLOT = 2.0, 2.0
_OTHER_PX, _OTHER_OVER_SLOT = 2.0, 1.8
"""A slot fit so much narrower than the line followed one of its edges."""
_BETWEEN_PX, _BETWEEN_OVER_SLOT, _BETWEEN_OVER_SOFT = 3.0, 2.5, 1.5
_WALL_SHARE = 0.4
"""Light of the wall above sunk glue, over that of the top."""
_DEPTHS_MM = (0.0, 0.25, 0.5, 0.75)
_DEPTH_STANDARD_MM = 0.12
_LIKELY_COST = 1.03
_STARTS_PX = (0.75, 1.0, 1.35)
_LARGEST_MM = 1.2
_ROUNDS = 14
_LEAST_CONTRAST = 0.1
_LEAST_ALIKE = 0.85
_LEAST_STEP = 0.05
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
    gap_per_rim, gap_per_groove : float
        How far the gap moves per mm of rim as dark as the filling is bright, and per mm of black groove
        along each wood's edge, mm: the less the filling differs from the wood, the farther.
    """

    centre_mm: float
    centre_slope: float
    gap_mm: float
    gap_slope: float
    middle_mm: float
    covariance: Array
    depth_standard_mm: float
    gap_per_blur: float
    gap_per_rim: float
    gap_per_groove: float

    @property
    def line(self) -> tuple[float, float]:
        """The joint line, v = offset + slope * u."""
        return self.centre_mm - self.centre_slope * self.middle_mm, self.centre_slope


def tell_filling(line: Line, beside: Beside, blur_px: float, slot_px: float) -> Filling | None:
    """Tell what a line of its own level is; None where a slot, or grain, explains it as well.

    Parameters
    ----------
    beside : Beside
        What is seen about this line.
    slot_px : float
        The joint's gap, fitted as a slot.
    """
    woods = np.maximum(line.woods, 1e-6)
    low, high = float(line.level / np.max(woods)), float(line.level / np.min(woods))
    if high < _DARKEST:
        return None
    if line.over_slot > _HUE_OVER_SLOT and has_own_hue(beside, blur_px):
        return "glue"
    if low > _BRIGHTER and line.over_slot > _BRIGHT_OVER_SLOT:
        return "glue"
    is_between = low < 1.0 < high and line.gap_px >= _BETWEEN_PX
    if is_between and line.over_slot > _BETWEEN_OVER_SLOT and line.over_soft > _BETWEEN_OVER_SOFT:
        return "glue"
    share = line.level / np.mean(woods)
    over_slot = _OTHER_OVER_SLOT if line.gap_px > slot_px + _OTHER_PX else _DARK_OVER_SLOT
    is_dark = _DARK_LEVELS[0] < share < _DARK_LEVELS[1] and high < 1.0 and line.gap_px >= _DARK_PX
    if is_dark and line.over_slot > over_slot and line.over_soft > _DARK_OVER_SOFT:
        return "dark"
    return None


def could_be_dark(line: Line) -> bool:
    """Whether a line that a slot explains could as well be dark glue."""
    share = line.level / max(float(np.mean(line.woods)), 1e-6)
    is_dark = _DARK_LEVELS[0] < share < _DARK_LEVELS[1] and line.gap_px >= _MAYBE_PX
    return is_dark and line.over_slot > _MAYBE_OVER_SLOT and line.over_soft > 1.0


def has_own_hue(beside: Beside, blur_px: float, is_likely: bool = False) -> bool:
    """Whether a line's hue is explained neither by a slot nor by the step between two woods.

    Over a sharp step at the line's place, a blurred step sums to what the mixing of light makes of
    it; a step a little off adds its own difference, a slot takes away the wood's own colour.

    Parameters
    ----------
    is_likely : bool
        Whether other joints of the ring are filled: then a fainter hue tells.
    """
    if len(beside.line) < _LEAST_BINS:
        return False
    step_px, slot_px, rest = _step_and_slot(beside, blur_px)
    limit, farthest_px = (_LIKELY, _LIKELY_STEP_PX) if is_likely else (_TOLD, _FARTHEST_STEP_PX)
    if _between(beside) > _LEAST_STEP_BETWEEN and abs(step_px) > farthest_px:
        return True
    return _hue(rest, step_px) > _least_hue(beside, slot_px, limit)


def faint_filling_px(beside: Beside, blur_px: float) -> float | None:
    """Width of a filling of nearly the wood's colour that a faint hue may be, px; None where none shows.

    Light that goes to and fro in a slot takes on more of the wood's hue: so much is no filling's.
    """
    if len(beside.line) < _LEAST_BINS:
        return None
    step_px, slot_px, rest = _step_and_slot(beside, blur_px)
    wood = np.mean(beside.woods, axis=0) * (0.0, 1.0, 1.0)
    wood /= np.linalg.norm(wood) + 1e-12
    bounced = np.clip(rest @ wood, 0.0, _BOUNCED * abs(slot_px))
    hue = _hue(rest - bounced * wood, step_px)
    is_seen = abs(slot_px) < _WIDEST_SLOT_PX and hue > _least_hue(beside, slot_px, _FAINT)
    return hue / _LEAST_HUE if is_seen else None


def _hue(rest: Array, step_px: float) -> float:
    return float(np.hypot(np.linalg.norm(rest), _HUE_NOISE * step_px))


def _least_hue(beside: Beside, slot_px: float, limit: _HueLimit) -> float:
    scatter = 1.4826 * np.median(np.abs(beside.line - np.median(beside.line, axis=0)), axis=0)
    noise = float(np.linalg.norm(scatter[1:]) / np.sqrt(len(beside.line)))
    explained = limit.floor + limit.per_slot * abs(slot_px) + limit.per_step * _between(beside)
    return max(explained, _HUE_SIGMAS * noise)


def _between(beside: Beside) -> float:
    """How much brighter one wood is than the other, codes."""
    a, b = beside.woods
    return abs(float(b[0] - a[0]))


def tint_lag_px(beside: Beside, blur_px: float) -> float:
    """How far from a joint's line, towards the darker wood, two woods' tint changes, px; 0 if not there.

    A slot between a dark wood and a bright one pulls the line that brightness shows into the bright wood, and
    the fit then makes the slot too narrow; tint changes where it did.
    """
    if len(beside.line) < _LEAST_BINS:
        return 0.0
    a, b = beside.woods
    step_px, _, _ = _step_and_slot(beside, blur_px)
    brighter = float(b[0] - a[0])
    return max(step_px * float(np.sign(brighter)), 0.0) if abs(brighter) > _LEAST_BRIGHTER else 0.0


def _step_and_slot(beside: Beside, blur_px: float) -> tuple[float, float, Array]:
    """What is seen over a sharp step at the line: a step so far off, a slot so wide, px, and the rest."""
    a, b = beside.woods
    known = np.stack([_STEP_PX * (b - a), 0.5 * (a + b)], axis=1)
    normal = known.T @ known + np.diag([_HUE_NOISE**2, 1e-9])
    excess = np.median(beside.line, axis=0) - mixed_step(beside.woods, blur_px)
    step_px, slot_px = (float(part) for part in np.linalg.solve(normal, known.T @ excess))
    rest = excess - known @ [step_px, slot_px]
    return step_px, slot_px, rest - _by_tone_curve(rest, slot_px, 0.5 * (a + b))


def _by_tone_curve(rest: Array, slot_px: float, wood: Array) -> Array:
    """What of a slot's hue comes of a tone curve that was not undone, or undone too far."""
    away = slot_px * deepened(wood)
    away -= wood * (wood @ away) / (wood @ wood)
    strength = float(rest @ away) / (float(away @ away) + 1e-12)
    return np.asarray(np.clip(strength, -_TONE_CURVE_LEFT, _TONE_CURVE_LEFT) * away)


def fit_fill(
    strip: Strip,
    about: tuple[float, float],
    line: Line,
    u_range: tuple[float, float],
    blur_px: float,
    lean: float,
    grain_slope: float,
    blur_growth: float,
) -> FillFit | None:
    """Fit both edges of a line that was sought about v = offset + slope * u; None if they cannot be told.

    Parameters
    ----------
    about : (offset, slope)
    lean : float
        The view's lateral slope, + where the camera sees face A's wall.
    grain_slope, blur_growth : float
        As for `lightgap.faces.closed.fit_closed`.
    """
    at_middle = about[0] + about[1] * sum(u_range) / 2.0 + line.shift_px / strip.px_per_mm
    data = cut_window(strip, u_range, at_middle, line.gap_px / strip.px_per_mm, grain_slope, blur_growth)
    if data is None:
        return None
    centre, turn = at_middle * data.scale, about[1] * data.half * data.scale
    starts = [
        fit_band(data, blur_px, 0.0, np.array([centre, turn, times * line.gap_px, 0.0]))
        for times in _STARTS_PX
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
        fits.append(fit_band(data, blur_px, wall, begin))
    fits = [item for item in fits if _is_line(item, data)]
    sigma = min(item.sigma for item in fits)
    cost = np.array([clipped_cost(item.residuals, sigma) for item in fits])
    best = fits[int(np.argmin(cost))]
    # Depths that explain the line about as well cannot be told apart: their mean, and half their range.
    likely = [fit.parameters for fit, at in zip(fits, cost, strict=True) if at < _LIKELY_COST * np.min(cost)]
    wider = fit_band(data, 1.03 * blur_px, 0.0, flush.parameters, rounds=3)
    scale, half = data.scale, data.half
    units = np.array([1.0, 1.0 / half, 1.0, 1.0 / half]) / scale
    covariance = best.covariance * np.outer(units, units)
    if np.sqrt(covariance[2, 2]) > _WIDEST_STANDARD_MM:
        return None
    centre, turn, gap, widening = np.mean(likely, axis=0) * units
    wood_a, level, wood_b = np.median(best.levels, axis=0)
    steps = [_no_less(wood - level, _LEAST_STEP * wood) for wood in (wood_a, wood_b)]
    return FillFit(
        centre_mm=float(centre),
        centre_slope=float(turn),
        gap_mm=float(gap),
        gap_slope=float(widening),
        middle_mm=data.middle,
        covariance=covariance,
        depth_standard_mm=max(0.5 * float(np.ptp(likely, axis=0)[2]) / scale, abs(lean) * _DEPTH_STANDARD_MM),
        gap_per_blur=float(wider.parameters[2] - flush.parameters[2]) / scale / (0.03 * blur_px),
        gap_per_rim=float(level / steps[0] + level / steps[1]),
        gap_per_groove=float(wood_a / steps[0] + wood_b / steps[1]),
    )


def _no_less(value: float, least: float) -> float:
    return float(np.copysign(max(abs(value), least, 1e-6), value))


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
        and level > _DARKEST * float(np.min(wood))
    )


def fit_band(
    data: JointWindow, blur_px: float, wall_px: float, start: Array, rounds: int = _ROUNDS
) -> LevelFit:
    """Fit both edges of a level of its own. Parameters: centre, turn, gap, widening; px, px per half length.

    ``wall_px`` is the width of dark wall beside face A (+) or face B (-), within the gap.
    """
    blur = blur_px * data.softness

    def basis(parameters: Array) -> tuple[Array, Array]:
        centre, turn, gap, widening = parameters
        line = data.distance - centre - turn * data.along
        half_gap = 0.5 * (gap + widening * data.along)
        face_a, face_b = blurred_step(line + half_gap, blur), blurred_step(line - half_gap, blur)
        fill_a = blurred_step(line + half_gap - max(wall_px, 0.0), blur)
        fill_b = blurred_step(line - half_gap + max(-wall_px, 0.0), blur)

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
