"""Each joint in a narrow strip of its own: where its line runs, with its neighbours' help.

A strip's frame: u outward from the ring's centre along the tooth's direction, v clockwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lightgap.plan import Plan
from lightgap.ring.outline import Outline
from lightgap.ring.plane import Reduced, sample
from lightgap.ring.unroll import (
    Array,
    Float32,
    block_means,
    joint_features,
    t_squared,
    usual_scatter,
    window_means,
)

STEP_MM = 0.1
_ROW_MM = 0.5
_HALF_MM = 5.4
_CLEAR_MM = 2.0
SKEWS_DEG = np.arange(-6, 7) * 0.4
_SKEW_PRIOR_DEG = 1.2
_PLACE_PRIOR_MM = 1.2
_LEAST_PLACE_PRIOR_MM = 0.6
_EDGE_WINDOW_MM = 0.3
_EDGES_KEPT = 14
_GAP_SCALE_MM = 0.4
_OPPOSED_WEIGHT = 1.5
_CHANGE_REACH_MM = 0.8
_CHANGE_SKEWS_DEG = np.arange(-6, 7) * 0.2
_CHANGE_HALF_MM = 2.5
_LINE_HALF_MM = 0.15
_CODE_VARIANCE = 4.0


@dataclass(frozen=True, eq=False)
class Strips:
    """Strips about N directions.

    Attributes
    ----------
    codes : ndarray of uint8, shape (N, rows, columns, 3)
    u_mm, v_mm : ndarrays, shape (rows,), (columns,)
    angle : ndarray, shape (N,)
        Clockwise from 12 o'clock, radians.
    """

    codes: NDArray[np.uint8]
    u_mm: Array
    v_mm: Array
    angle: Array

    @property
    def middle_mm(self) -> float:
        return float(self.u_mm.mean())


@dataclass(frozen=True, eq=False)
class Lines:
    """Joint lines in their strips, each an array of shape (N,): place at mid-length, skew, gap, strength."""

    place_mm: Array
    skew_deg: Array
    gap_mm: Array
    strength: Array


def cut_strips(reduced: Reduced, outline: Outline, plan: Plan, angle: Array) -> Strips:
    """Sample a strip about every direction."""
    size = outline.outer_mm / plan.outer_mm
    inner, outer = (radius * size for radius in plan.joint_radii_mm)
    rows = max(12, round((outer - inner - 2 * _CLEAR_MM) / _ROW_MM))
    u = inner + _CLEAR_MM + (np.arange(rows) + 0.5) * ((outer - inner - 2 * _CLEAR_MM) / rows)
    half = round((_HALF_MM + 0.5 * plan.gap_mm) / STEP_MM)
    v = np.arange(-half, half + 1) * STEP_MM
    sin, cos = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    x = u[:, None] * sin + v * cos
    y = u[:, None] * cos - v * sin
    flat = (len(angle) * rows, len(v))
    seen = sample(reduced, outline.camera, x.reshape(flat), y.reshape(flat), plan.thickness_mm)
    return Strips(seen.reshape(len(angle), rows, len(v), 3), u, v, angle)


def fit_lines(strips: Strips, plan: Plan) -> Lines:
    """Find the line of each joint: first each alone, then about the place that all together tell."""
    blocks = block_means(strips.codes, float(np.ptp(strips.u_mm)))
    search = (
        _closed_search(strips, blocks, plan) if plan.joint == "closed" else _open_search(strips, blocks, plan)
    )
    lines = search(np.zeros(len(strips.angle)), _PLACE_PRIOR_MM)
    expected, scatter = _common_place(strips.angle, lines.place_mm)
    lines = search(expected, max(_LEAST_PLACE_PRIOR_MM, 1.5 * scatter))
    return _change_points(strips, lines) if plan.joint == "closed" else lines


def _common_place(angle: Array, place_mm: Array) -> tuple[Array, float]:
    """Fit a turn and a shift of the centre to all places, robustly; return the fit and the scatter."""
    design = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    fit = least_squares(lambda p: design @ p - place_mm, np.zeros(3), loss="cauchy", f_scale=0.3)
    expected = design @ fit.x
    return expected, float(1.48 * np.median(np.abs(place_mm - expected)))


def _sheared(blocks: Float32, strips: Strips) -> Float32:
    """Shift every block along v so that a line of each skew stands upright.

    Shape (N, blocks, columns, 3) -> (skews, N, blocks, columns, 3).
    """
    count = blocks.shape[1]
    edges = np.linspace(0, len(strips.u_mm), count + 1).astype(int)
    arm = np.array([strips.u_mm[a:b].mean() for a, b in zip(edges[:-1], edges[1:], strict=True)])
    arm -= strips.middle_mm
    shift = np.tan(np.radians(SKEWS_DEG))[:, None] * arm / STEP_MM
    place = np.arange(blocks.shape[2]) + shift[:, :, None]
    place = np.clip(place, 0.0, blocks.shape[2] - 1.001)
    cell = place.astype(np.intp)
    part = (place - cell).astype(np.float32)[:, None, :, :, None]
    row = np.arange(count)[None, :, None]
    low = np.moveaxis(blocks[:, row, cell], 0, 1)
    high = np.moveaxis(blocks[:, row, cell + 1], 0, 1)
    return np.asarray(low + part * (high - low))


def _closed_search(strips, blocks, plan):  # type: ignore
    sheared = _sheared(blocks, strips)
    skews, count = sheared.shape[:2]
    flat = sheared.reshape(skews * count, *sheared.shape[2:])
    features = joint_features(flat, plan, STEP_MM)
    evidence = np.log1p(t_squared(features, usual_scatter(features))).reshape(skews, count, -1)
    evidence -= 0.5 * (SKEWS_DEG[:, None, None] / _SKEW_PRIOR_DEG) ** 2

    def search(expected: Array, prior_mm: float) -> Lines:
        total = evidence - 0.5 * ((strips.v_mm - expected[:, None]) / prior_mm) ** 2
        best = np.moveaxis(total, 1, 0).reshape(count, -1).argmax(axis=1)
        skew, column = np.divmod(best, total.shape[2])
        strength = evidence[skew, np.arange(count), column]
        return Lines(strips.v_mm[column], SKEWS_DEG[skew], np.zeros(count), strength)

    return search


def _open_search(strips, blocks, plan):  # type: ignore
    sheared = _sheared(blocks, strips)
    skews, count = sheared.shape[:2]
    flat = sheared.reshape(skews * count, *sheared.shape[2:])
    right = window_means(flat, STEP_MM, _EDGE_WINDOW_MM, STEP_MM, wrap=False)
    steps = right - window_means(flat, -_EDGE_WINDOW_MM, -STEP_MM, STEP_MM, wrap=False)
    evidence = np.log1p(t_squared(steps, usual_scatter(steps))).reshape(skews, count, -1)
    colour = steps.mean(axis=1).reshape(skews, count, -1, 3)
    candidates = [_edges(evidence[:, k], colour[:, k], strips.v_mm) for k in range(count)]

    def search(expected: Array, prior_mm: float) -> Lines:
        rows = [
            _best_pair(*edges, plan, place, prior_mm)
            for edges, place in zip(candidates, expected, strict=True)
        ]
        return Lines(*np.array(rows).T)

    return search


def _edges(evidence: Array, colour: Float32, v_mm: Array) -> tuple[Array, Array, Array, Array]:
    """Return the strongest single edges of one strip: places, skews, evidence, colour steps."""
    inner = evidence[1:-1, 1:-1]
    peak = np.ones(inner.shape, dtype=bool)
    for row in (0, 1, 2):
        for column in (0, 1, 2):
            peak &= inner >= evidence[row : row + inner.shape[0], column : column + inner.shape[1]]
    rows, columns = np.nonzero(peak)
    order = np.argsort(-inner[rows, columns])[: 2 * _EDGES_KEPT]
    rows, columns = rows[order] + 1, columns[order] + 1
    return v_mm[columns], SKEWS_DEG[rows], evidence[rows, columns], colour[rows, columns]


def _best_pair(
    v: Array, skew: Array, evidence: Array, colour: Array, plan: Plan, place: float, prior_mm: float
) -> tuple[float, float, float, float]:
    gap = v[None, :] - v[:, None]
    middle = 0.5 * (v[None, :] + v[:, None]) - place
    length = np.linalg.norm(colour, axis=1) + 1e-6
    opposed = (colour @ colour.T) / np.outer(length, length)
    fan = skew[None, :] - skew[:, None] - plan.gap_deg
    total = (
        evidence[:, None]
        + evidence[None, :]
        - np.log1p(((gap - plan.gap_mm) / _GAP_SCALE_MM) ** 2)
        - 0.5 * (middle / prior_mm) ** 2
        - _OPPOSED_WEIGHT * (1.0 + opposed)
        - 0.5 * fan**2
    )
    total[gap <= 0.2] = -np.inf
    a, b = np.unravel_index(int(np.argmax(total)), total.shape)
    return (
        float(middle[a, b] + place),
        float(0.5 * (skew[a] + skew[b])),
        float(gap[a, b]),
        float(0.5 * (evidence[a] + evidence[b])),
    )


def _change_points(strips: Strips, lines: Lines) -> Lines:
    """Refine closed joints: in each row the wood has one level left of the line and another right of it."""
    arm = strips.u_mm - strips.middle_mm
    half = round(_CHANGE_HALF_MM / STEP_MM)
    near = np.arange(-half, half + 1)
    line = lines.place_mm[:, None] + np.tan(np.radians(lines.skew_deg))[:, None] * arm
    place = (line - strips.v_mm[0])[:, :, None] / STEP_MM + near
    place = np.clip(place, 0.0, len(strips.v_mm) - 1.001)
    cell = place.astype(np.intp)
    part = (place - cell)[..., None]
    low = np.take_along_axis(strips.codes, cell[..., None], axis=2).astype(np.float32)
    high = np.take_along_axis(strips.codes, cell[..., None] + 1, axis=2).astype(np.float32)
    cost = np.log(_split_variance(low + part * (high - low)) + _CODE_VARIANCE)
    reach = round(_CHANGE_REACH_MM / STEP_MM)
    move = np.arange(-reach, reach + 1) * STEP_MM
    turn = np.tan(np.radians(_CHANGE_SKEWS_DEG))
    split = np.rint((move[:, None, None] + turn[:, None] * arm) / STEP_MM).astype(np.intp) + half
    evidence = -3.0 * cost[:, np.arange(len(arm)), split].sum(axis=-1)
    evidence -= 0.5 * (move[:, None] / _CHANGE_REACH_MM) ** 2
    evidence -= 0.5 * (_CHANGE_SKEWS_DEG / _SKEW_PRIOR_DEG) ** 2
    shift, skew = np.divmod(evidence.reshape(len(evidence), -1).argmax(axis=1), len(turn))
    return replace(
        lines,
        place_mm=lines.place_mm + move[shift],
        skew_deg=lines.skew_deg + _CHANGE_SKEWS_DEG[skew],
    )


def _split_variance(rows: Array) -> Array:
    """Variance about two levels, split at every column: (N, rows, columns, 3) -> (N, rows, columns)."""
    columns = rows.shape[2]
    skip = int(_LINE_HALF_MM / STEP_MM + 0.5)
    start = np.zeros((*rows.shape[:2], 1, 3))
    first = np.concatenate([start, np.cumsum(rows, axis=2)], axis=2)
    second = np.concatenate([start, np.cumsum(rows * rows, axis=2)], axis=2)
    middle = np.arange(columns)
    left, right = np.maximum(middle - skip, 1), np.minimum(middle + skip + 1, columns - 1)
    from_left, from_right = left[:, None], columns - right[:, None]
    squares = second[:, :, left] + second[:, :, -1:] - second[:, :, right]
    squares -= first[:, :, left] ** 2 / from_left
    squares -= (first[:, :, -1:] - first[:, :, right]) ** 2 / from_right
    return np.asarray(squares.mean(axis=-1) / (from_left + from_right)[:, 0])
