"""The ring's top face unrolled, and how much each place round it looks like a joint.

Directions round the ring are angles clockwise from 12 o'clock, as seen in the photo.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.plan import Plan
from lightgap.ring.features import (
    RunningMeans,
    closed_features,
    t_squared,
    usual_scatter,
)
from lightgap.ring.grain import grain_features, grain_tensor, grain_weight
from lightgap.ring.place import Outline
from lightgap.ring.plane import Array, Codes, Float32, Sampler

_STEP_MM = 0.25
_STEP_PX = 0.7
_DEPTH_MM = 0.5
_RIM_MM = 1.5
_BLOCK_MM = 3.0
_FEWEST_BLOCKS = 6
_GAP_SHARE = 0.84
_GAP_FLANK_MM = 1.5
_GRAIN_SCATTER = 0.02


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
    weight = grain_weight(plan) if plan.joint == "closed" else 0.0
    if weight:
        evidence += weight * _grain_evidence(grain_tensor(seen, apothem, stretch), step_mm, depth_mm)
    return Unrolled(blocks, step_mm, evidence - np.median(evidence))


def _grain_evidence(tensor: Float32, step_mm: float, depth_mm: float) -> Array:
    features = grain_features(block_means(tensor[None], depth_mm), step_mm)
    return np.asarray(np.log1p(t_squared(features, usual_scatter(features, _GRAIN_SCATTER))[0]))


def _evidence(blocks: Float32, plan: Plan, step_mm: float) -> Array:
    def log_t2(features: Float32) -> Array:
        return np.asarray(np.log1p(t_squared(features, usual_scatter(features))[0]))

    if plan.joint == "closed":
        return log_t2(closed_features(blocks, step_mm, wrap=True))
    half = 0.5 * plan.gap_mm
    beyond = half + _GAP_FLANK_MM
    means = RunningMeans(blocks, step_mm, beyond, wrap=True)
    middle = means.beside(-_GAP_SHARE * half, _GAP_SHARE * half)
    left, right = middle - means.beside(-beyond, -half), middle - means.beside(half, beyond)
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


def block_means(codes: Codes | Float32, depth_mm: float) -> Float32:
    """Average rows, shape (strips, rows, columns, 3), in blocks -> (strips, blocks, columns, 3)."""
    edges = block_edges(codes.shape[1], depth_mm)
    sums = np.add.reduceat(codes, edges[:-1], axis=1, dtype=np.float32)
    return np.asarray(sums / np.diff(edges).astype(np.float32)[:, None, None])
