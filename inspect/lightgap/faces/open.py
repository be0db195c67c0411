"""One face of an open or filled joint: the straight top edge between wood and whatever lies beyond.

Each edge is fitted alone, in a window that reaches a little into the wood and a little into the gap.
Beyond the edge of a face whose own wall the camera sees there may be a strip of lit wall before the
dark begins: its far side, the lamp's shadow line, runs parallel to the edge and is often the
stronger of the two. `lightgap.faces.lamp` tells from the profiles of all edges where that is so.

A wall of which only a pixel or a few are seen, with the bench beyond it, is a thin dark line between wood
and bench. Where the bench is as bright as the wood along some of the joint, one step through all of it
turns; then the wall is fitted as a level of its own, as wide as the view makes it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from lightgap.faces.grain_end import GrainEnd
from lightgap.faces.joint import Side
from lightgap.faces.lamp import BIN_PX, PLACES, WOOD_PX
from lightgap.faces.levels import LevelFit, blurred_step, fit_levels
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_WOOD_PX = 11.0
_GAP_PX = 10.0
_ROW_PX = 4.0
_MINIMUM_ROWS = 6
_BLOCK_PX = 12.0
_FINE_PX = 0.5
_MOST_MOVES, _SETTLED_PX = 3, 1.5
"""How often the window follows an edge that was found further from its middle."""
_MISFIT_PX, _MISFIT_BIN_PX = 4.0, 0.5
_MISFIT_SHARE = 0.75
"""Of what unexplained light could move an edge by at worst: so much it does, as a standard uncertainty,
where it counts most on drawn rings (seeds 501 to 503)."""
_SEARCH_MM, _SEARCH_EDGE_MM, _SEARCH_PRIOR_MM = 0.9, 0.25, 0.4
_NEARLY_AS_SURE, _APART_MM, _MOST_LINES = 4.0, 0.25, 3
_THIN_WALL_PX, _BEYOND_PX = (0.7, 6.0), 3.0
"""Widths of a wall that is fitted as a level of its own, and how much must be seen beyond it."""
_SWINGS_PX, _STEADIER, _SAME_PX = 0.08, 0.4, 1.5
"""It is tried where one step's ends are so unsure, and kept where its own are that much surer, near the line
that was sought."""


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """A face's top edge in the joint frame: v = offset + slope (u - middle).

    Attributes
    ----------
    offset_mm, slope : float
        At ``middle_mm`` (u of the middle of the fitted length).
    covariance : ndarray, shape (2, 2)
        Of offset and slope, from the fit.
    px_per_mm : float
        Scale across the edge.
    profile : ndarray, shape (len(PLACES),)
        Mean light along the edge at each of `lightgap.faces.lamp.PLACES`.
    by_sections : ndarray, shape (2,)
        As in `lightgap.faces.levels.LevelFit`.
    grain : GrainEnd or None
        How far the wood's grain goes.
    misfit_mm : float
        Standard uncertainty for light beside the edge that the fitted step does not explain.
    either_mm : float
        Standard uncertainty added because the edge could be either of two lines; 0 if it is clear.
    against : float
        What the search has against this line: minus twice the logarithm of its likelihood over the surest's.
    converged : bool
        Whether the fit came to rest. Where no line is it finds none.
    """

    offset_mm: float
    slope: float
    middle_mm: float
    covariance: Array
    px_per_mm: float
    profile: Array
    by_sections: Array = field(default_factory=lambda: np.ones(2))
    grain: GrainEnd | None = None
    misfit_mm: float = 0.0
    either_mm: float = 0.0
    against: float = 0.0
    converged: bool = True

    @property
    def at_middle_mm(self) -> float:
        """Its offset at u = 0, the joint's middle."""
        return self.offset_mm - self.slope * self.middle_mm

    def explained(self, unexplained: float) -> EdgeFit:
        """Return the edge with only this share of its misfit left."""
        return replace(self, misfit_mm=unexplained * self.misfit_mm)

    def moved(self, shift_mm: float, widening: float, either_mm: float) -> EdgeFit:
        """Return the edge on another line, whose distance grows by the share ``widening`` a mm outward."""
        return replace(
            self,
            offset_mm=self.offset_mm + shift_mm,
            slope=self.slope + shift_mm * widening,
            either_mm=either_mm,
        )


@dataclass(frozen=True)
class SoughtLine:
    """A line across which the light changes: v = offset + slope * u, and what speaks against it."""

    offset_mm: float
    slope: float
    against: float


def fit_edge(
    line: SoughtLine,
    strip: Strip,
    side: Side,
    u_range: tuple[float, float],
    blur_px: float,
    gap_px: float,
    is_slot: bool = True,
    wall_px: float = 0.0,
) -> EdgeFit | None:
    """Fit one face's top edge.

    Parameters
    ----------
    line : SoughtLine
        Where to look, within some 3 px.
    side : "a" or "b"
        Which face: the wood of face a lies at smaller v, that of face b at larger v.
    gap_px : float
        Rough gap: the window ends before the other face.
    is_slot : bool
        Whether the light may bend beyond the edge, as on the wall of an open slot.
    wall_px : float
        How much of the wall below the edge the camera sees, across.
    """
    start = line.offset_mm, line.slope
    data = _window(strip, side, start, u_range, min(_GAP_PX, 0.5 * gap_px))
    if data is None:
        return None
    fit = _fit_once(data, blur_px, is_slot, wall_px)
    for _ in range(_MOST_MOVES):
        shift, turn = fit.parameters
        is_near = abs(shift) < _SETTLED_PX and abs(turn) < _SETTLED_PX
        # Only the surest line is worth following while the fit finds no rest.
        if is_near or (line.against > 0.0 and not fit.converged):
            break
        moved = (
            data.line[0] + data.sign * (shift - turn * data.middle / data.half) / data.scale,
            data.line[1] + data.sign * turn / data.half / data.scale,
        )
        again = _window(strip, side, moved, u_range, min(_GAP_PX, 0.5 * gap_px))
        if again is None:
            return None
        data = again
        fit = _fit_once(data, blur_px, is_slot, wall_px)
    scale, half = data.scale, data.half
    offset = data.line[0] + data.line[1] * data.middle + data.sign * fit.parameters[0] / scale
    slope = data.line[1] + data.sign * fit.parameters[1] / scale / half
    # Deeper into the wood than the fit looks: a wide strip of lit wall may pass for wood.
    distance = data.sign * (strip.v - offset - slope * (strip.u - data.middle)) * strip.scale
    seen = (strip.u > u_range[0]) & (strip.u < u_range[1]) & (distance < np.max(data.distance))
    return EdgeFit(
        offset_mm=offset,
        slope=slope,
        middle_mm=data.middle,
        covariance=fit.covariance / scale**2 / np.array([[1.0, half], [half, half**2]]),
        px_per_mm=scale,
        profile=edge_profile(distance[seen], strip.luma[seen]),
        by_sections=fit.by_sections,
        misfit_mm=_misfit_px(data, fit, blur_px) / scale,
        against=line.against,
        converged=fit.converged,
    )


def _misfit_px(data: _Window, fit: LevelFit, blur_px: float) -> float:
    """How far what the step leaves of the mean profile has pushed the edge, px, a standard uncertainty.

    A step of contrast C blurred by s rises at its middle by C / (s sqrt(2 pi)) a pixel: light that is
    wrong by r there moves it by r s sqrt(2 pi) / C.
    """
    distance = data.distance - fit.parameters[0] - fit.parameters[1] * data.along
    near = np.abs(distance) < _MISFIT_PX
    bins = ((distance[near] + _MISFIT_PX) / _MISFIT_BIN_PX).astype(np.intp)
    count = np.bincount(bins)
    left = np.bincount(bins, fit.residuals[near])[count > 0] / count[count > 0]
    contrast = abs(float(np.median(fit.levels[:, 0] - fit.levels[:, 1])))
    wrong = float(np.sqrt(np.mean(left**2)))
    moved = wrong * blur_px * float(np.sqrt(2.0 * np.pi)) / max(contrast, 1e-4)
    return min(_MISFIT_SHARE * moved, _MISFIT_PX)


def edge_profile(distance: Array, light: Array) -> Array:
    """Mean light at each of `PLACES`, of pixels so far from an edge, px, positive into the gap."""
    bins = np.floor((distance + WOOD_PX) / BIN_PX).astype(np.intp)
    keep = (bins >= 0) & (bins < PLACES.size)
    count = np.bincount(bins[keep], minlength=PLACES.size)
    total = np.bincount(bins[keep], light[keep], minlength=PLACES.size)
    known = count > 0
    return np.interp(PLACES, PLACES[known], total[known] / count[known])


def seek_lines(strip: Strip, start: tuple[float, float], u_range: tuple[float, float]) -> list[SoughtLine]:
    """Search about a start for the lines across which the light changes, the surest first.

    The strip is averaged to blocks along u and half pixels along v; for every shift and turn the
    step's mean over its scatter from block to block is the evidence (Hotelling's T squared in one
    dimension), with a loose prior about the start. A slot's floor, or what lies in it, may show another
    line than the edge's: what is nearly as sure as the surest is told too.
    """
    scale = strip.px_per_mm
    length = (u_range[1] - u_range[0]) * strip.px_per_mm_along
    blocks = max(int(length / _BLOCK_PX), 6)
    reach = int((_SEARCH_MM + _SEARCH_EDGE_MM) * scale / _FINE_PX)
    block = ((strip.u - u_range[0]) / (u_range[1] - u_range[0]) * blocks).astype(np.intp)
    column = np.round((strip.v - start[0] - start[1] * strip.u) * scale / _FINE_PX).astype(np.intp) + reach
    width = 2 * reach + 1
    keep = (strip.u > u_range[0]) & (strip.u < u_range[1]) & (column >= 0) & (column < width)
    cell = block[keep] * width + column[keep]
    count = np.bincount(cell, minlength=blocks * width)
    light = np.bincount(cell, strip.luma[keep], minlength=blocks * width) / np.maximum(count, 1)
    light = np.where(count > 0, light, np.nan).reshape(blocks, width)
    light = np.where(np.isnan(light), np.nanmedian(light), light)
    sums = np.cumsum(np.pad(light, ((0, 0), (1, 0))), axis=1)
    window = max(int(_SEARCH_EDGE_MM * scale / _FINE_PX), 2)
    centre = np.arange(window, width - window)
    step = (
        sums[:, centre + 1 + window] - sums[:, centre + 1] - sums[:, centre] + sums[:, centre - window]
    ) / window
    shift_mm = (centre - reach) * _FINE_PX / scale
    middle = 0.5 * (u_range[0] + u_range[1])
    block_u = u_range[0] + (np.arange(blocks) + 0.5) / blocks * (u_range[1] - u_range[0]) - middle
    trimmed = blocks // 4
    floor = 0.02 * float(np.nanmedian(light))
    turns = np.tan(np.radians(np.linspace(-1.2, 1.2, 9)))
    turn = turns[:, None]
    place = np.arange(centre.size) + (turn * block_u * scale / _FINE_PX)[..., None]
    place = np.clip(place, 0.0, centre.size - 1.0)
    cell = np.minimum(place.astype(np.intp), centre.size - 2)
    row = np.arange(blocks)[:, None]
    moved = step[row, cell] + (place - cell) * (step[row, cell + 1] - step[row, cell])
    # Where the bench shows through a slot's end the step is another: the outermost are left out.
    kept = np.sort(moved, axis=1)[:, trimmed : blocks - trimmed]
    scatter = kept.std(axis=1) / np.sqrt(kept.shape[1]) + floor
    evidence = np.log1p((kept.mean(axis=1) / scatter) ** 2)
    scores = evidence - 0.5 * (shift_mm / _SEARCH_PRIOR_MM) ** 2 - 0.5 * (np.degrees(turn) / 0.6) ** 2
    score, turned = scores.max(axis=0), turns[scores.argmax(axis=0)]
    apart = int(_APART_MM * scale / _FINE_PX)
    peaks = np.flatnonzero(score == maximum_filter1d(score, 2 * apart + 1))
    surest = sorted(peaks[score[peaks] > score.max() - _NEARLY_AS_SURE], key=lambda peak: -score[peak])
    return [
        SoughtLine(
            offset_mm=float(start[0] + shift_mm[peak] - turned[peak] * middle),
            slope=float(start[1] + turned[peak]),
            against=float(2.0 * (score[surest[0]] - score[peak])),
        )
        for peak in surest[:_MOST_LINES]
    ]


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
    rows = ((strip.u - u_range[0]) * strip.px_per_mm_along / _ROW_PX).astype(np.intp)
    order = np.flatnonzero(keep)
    order = order[np.argsort(rows[order], kind="stable")]
    near, rows = strip.part(order), rows[order]
    if order.size < 100 or np.unique(rows).size < _MINIMUM_ROWS:
        return None
    middle, half = sum(u_range) / 2.0, (u_range[1] - u_range[0]) / 2.0
    return _Window(
        near.luma, distance[order], rows, (near.u - middle) / half, line, sign, middle, half, near.px_per_mm
    )


def _slopes(distance: Array, is_slot: bool) -> Array:
    wood, gap = np.minimum(distance, 0.0), np.maximum(distance, 0.0)
    return np.stack([wood, gap, gap**2] if is_slot else [wood, gap])


def _fit_plain(data: _Window, blur_px: float, is_slot: bool) -> LevelFit:
    """Wood | gap; parameters: shift and turn of the line (px, px per half length)."""

    def basis(parameters: Array) -> tuple[Array, Array]:
        step, edge = blurred_step(data.distance - parameters[0] - parameters[1] * data.along, blur_px)
        by_shift = np.stack([edge, -edge])
        return np.stack([1.0 - step, step]), np.stack([by_shift, by_shift * data.along])

    return fit_levels(data.light, data.rows, basis, np.zeros(2), smooth=_slopes(data.distance, is_slot))


def _fit_once(data: _Window, blur_px: float, is_slot: bool, wall_px: float) -> LevelFit:
    """One step, or three levels where a thin wall stands before a bench."""
    plain = _fit_plain(data, blur_px, is_slot)
    return _thin_wall(data, blur_px, wall_px, plain) or plain


def _thin_wall(data: _Window, blur_px: float, wall_px: float, plain: LevelFit) -> LevelFit | None:
    """Wood | wall | bench, where that tells the edge's direction much better than wood | gap does."""
    swings = np.sqrt(plain.covariance[1, 1])
    room = float(np.max(data.distance)) - wall_px
    is_unsure = swings > _SWINGS_PX or not plain.converged
    if not _THIN_WALL_PX[0] < wall_px < _THIN_WALL_PX[1] or room < _BEYOND_PX or not is_unsure:
        return None

    def basis(parameters: Array) -> tuple[Array, Array]:
        distance = data.distance - parameters[0] - parameters[1] * data.along
        (step, edge), (foot, foot_edge) = (blurred_step(distance - away, blur_px) for away in (0.0, wall_px))
        by_shift = np.stack([edge, foot_edge - edge, -foot_edge])
        return np.stack([1.0 - step, step - foot, foot]), np.stack([by_shift, by_shift * data.along])

    slopes = np.stack([np.minimum(data.distance, 0.0), np.maximum(data.distance - wall_px, 0.0)])
    fit = fit_levels(data.light, data.rows, basis, np.zeros(2), smooth=slopes)
    steadier = np.sqrt(fit.covariance[1, 1]) < _STEADIER * swings
    near = fit.converged and abs(fit.parameters[0]) < _SAME_PX
    return fit if steadier and near else None
