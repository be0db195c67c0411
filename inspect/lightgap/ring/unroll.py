"""The ring's top face unrolled, and how much each place round it looks like a joint.

Directions round the ring are angles clockwise from 12 o'clock, as seen in the photo.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.photo import LUMA
from lightgap.plan import Plan
from lightgap.ring.place import Outline
from lightgap.ring.plane import Array, Codes, Float32, Sampler

_STEP_MM = 0.25
_STEP_PX = 0.7
_DEPTH_MM = 0.5
_RIM_MM = 1.5
_BLOCK_MM = 3.0
_FEWEST_BLOCKS = 6
_PRIOR_BLOCKS = 6.0
"""How many blocks' worth of the ring's usual scatter is added to a place's own."""
_CLOSED_WINDOW_MM = 1.0
_LINE_MM = 0.2
_FLANKS_MM = (0.4, 1.2)
_GAP_SHARE = 0.84
_GAP_FLANK_MM = 1.5


@dataclass(frozen=True, eq=False)
class Unrolled:
    """The top face between its two edges, cut open at 12 o'clock.

    Attributes
    ----------
    blocks : ndarray of float32, shape (depths, columns, 3)
        Mean sRGB codes in blocks of depth, inner edge first; columns go clockwise.
    step_mm : float
        Width of a column at the middle of the ring's width.
    evidence : ndarray, shape (columns,)
        log(1 + T^2) of a joint there, less its median round the ring.
    """

    blocks: Float32
    step_mm: float
    evidence: Array


def column_mm(px_per_mm: float) -> float:
    """Return the width of a column: 0.25 mm, or not much below a pixel."""
    return max(_STEP_MM, _STEP_PX / px_per_mm)


def unroll(look: Sampler, outline: Outline, plan: Plan, width_mm: float) -> Unrolled:
    """Unroll the ring in columns of at most ``width_mm``, and weigh every one."""
    middle = plan.middle_radius_mm * outline.outer_mm / plan.outer_mm
    columns = int(np.ceil(2 * np.pi * middle / width_mm))
    angle = np.arange(columns) * (2 * np.pi / columns)
    stretch = edge_stretch(outline, plan, angle)
    depth_mm = outline.outer_mm - outline.inner_mm - 2 * _RIM_MM
    rows = max(12, round(depth_mm / _DEPTH_MM))
    apothem = outline.inner_mm + _RIM_MM + (np.arange(rows) + 0.5) * (depth_mm / rows)
    radius = apothem[:, None] * stretch
    seen = look(radius * np.sin(angle), radius * np.cos(angle))
    blocks = block_means(seen[None], depth_mm)[0]
    step_mm = 2 * np.pi * middle / columns
    evidence = _evidence(blocks[None], plan, step_mm)
    return Unrolled(blocks, step_mm, evidence - np.median(evidence))


def _evidence(blocks: Float32, plan: Plan, step_mm: float) -> Array:
    def log_t2(features: Float32) -> Array:
        return np.asarray(np.log1p(t_squared(features, usual_scatter(features))[0]))

    if plan.joint == "closed":
        return log_t2(closed_features(blocks, step_mm, wrap=True))
    half = 0.5 * plan.gap_mm
    middle = window_means(blocks, -_GAP_SHARE * half, _GAP_SHARE * half, step_mm, wrap=True)
    left, right = (
        middle - window_means(blocks, low, low + _GAP_FLANK_MM, step_mm, wrap=True)
        for low in (-half - _GAP_FLANK_MM, half)
    )
    # A gap differs from the wood on both its sides, the wood beside a gap from one of its sides only; but
    # between woods of two tones the gap may hardly differ from the darker.
    both = np.minimum(log_t2(left), log_t2(right))
    return 0.5 * (log_t2(np.float32(0.5) * (left + right)) + both)


def edge_stretch(outline: Outline, plan: Plan, angle: Array) -> Array:
    """Return by how much an edge lies further out than its apothem in each direction (radians)."""
    if plan.outline == "round":
        return np.ones_like(angle)
    pitch = np.radians(plan.pitch_deg)
    side = np.radians(90.0 - outline.phase_deg)
    return np.asarray(1.0 / np.cos((angle - side + pitch / 2) % pitch - pitch / 2))


def block_edges(rows: int, depth_mm: float) -> NDArray[np.intp]:
    """Return where rows are cut into blocks of about 3 mm of depth, shape (blocks + 1,)."""
    count = int(np.clip(round(depth_mm / _BLOCK_MM), _FEWEST_BLOCKS, rows // 2))
    return np.linspace(0, rows, count + 1).astype(np.intp)


def block_means(codes: Codes, depth_mm: float) -> Float32:
    """Average rows, shape (strips, rows, columns, 3), in blocks -> (strips, blocks, columns, 3)."""
    edges = block_edges(codes.shape[1], depth_mm)
    sums = np.add.reduceat(codes, edges[:-1], axis=1, dtype=np.float32)
    return np.asarray(sums / np.diff(edges).astype(np.float32)[:, None, None])


def closed_features(blocks: Float32, step_mm: float, wrap: bool = False) -> Float32:
    """Return what tells a closed joint from plain wood, shape (strips, blocks, columns, 4).

    The step between the wood on the two sides (3 channels), and how the luma of a thin line differs from
    its flanks.
    """

    def mean(values: Float32, low_mm: float, high_mm: float) -> Float32:
        return window_means(values, low_mm, high_mm, step_mm, wrap)

    step = mean(blocks, step_mm, _CLOSED_WINDOW_MM) - mean(blocks, -_CLOSED_WINDOW_MM, -step_mm)
    luma = (blocks @ LUMA)[..., None]
    near, far = _FLANKS_MM
    line = mean(luma, -_LINE_MM, _LINE_MM) - 0.5 * (mean(luma, near, far) + mean(luma, -far, -near))
    return np.concatenate([step, line], axis=-1)


def window_means(values: Float32, low_mm: float, high_mm: float, step_mm: float, wrap: bool) -> Float32:
    """Mean of the columns that lie from ``low_mm`` to ``high_mm`` beside each column.

    ``values`` has shape (strips, blocks, columns, channels); without ``wrap`` the outermost columns
    repeat beyond the ends.
    """
    first, last = int(np.ceil(low_mm / step_mm - 1e-6)), int(np.floor(high_mm / step_mm + 1e-6))
    pad = max(abs(first), abs(last)) + 1
    padded = np.pad(values, ((0, 0), (0, 0), (pad, pad), (0, 0)), mode="wrap" if wrap else "edge")
    summed = np.cumsum(padded, axis=2, dtype=np.float64)
    columns = values.shape[2]
    low, high = pad + first - 1, pad + last
    mean = (summed[:, :, high : high + columns] - summed[:, :, low : low + columns]) / (last - first + 1)
    return np.asarray(mean, dtype=np.float32)


def usual_scatter(features: Float32) -> Float32:
    """Median variance over the blocks of every feature, shape (features,)."""
    spread = features.var(axis=-3)
    return np.asarray(np.median(spread.reshape(-1, features.shape[-1]), axis=0) + 1.0, dtype=np.float32)


def t_squared(features: Float32, usual: Float32) -> Array:
    """Hotelling's T^2 of the mean over the blocks, shape (..., blocks, columns, features) -> (..., columns).

    The covariance is the blocks' own, plus `_PRIOR_BLOCKS` parts of the ring's usual (diagonal): a
    place counts when all its depth says the same.
    """
    count = features.shape[-3]
    mean = features.mean(axis=-3)
    about = features - mean[..., None, :, :]
    size = features.shape[-1]
    whitened: list[Float32] = []
    factor: list[list[Float32]] = [[] for _ in range(size)]
    # Cholesky and forward substitution, one matrix entry at a time over all places at once.
    for row in range(size):
        for column in range(row + 1):
            entry = np.sum(about[..., row] * about[..., column], axis=-2)
            if row == column:
                entry += _PRIOR_BLOCKS * usual[row]
            entry /= count + _PRIOR_BLOCKS
            for k in range(column):
                entry -= factor[row][k] * factor[column][k]
            factor[row].append(np.sqrt(entry) if row == column else entry / factor[column][column])
        rest = mean[..., row].copy()
        for k in range(row):
            rest -= factor[row][k] * whitened[k]
        whitened.append(rest / factor[row][row])
    return np.asarray(count * sum(part * part for part in whitened), dtype=float)
