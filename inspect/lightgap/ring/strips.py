"""The neighbourhood of each joint as a narrow strip of its own.

A strip's frame: u outward from the ring's centre along the direction where the comb puts the joint,
v clockwise; the origin of v is the comb's own place.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lightgap.plan import Plan
from lightgap.ring.place import Outline
from lightgap.ring.plane import Array, Codes, Float32, Sampler
from lightgap.ring.unroll import block_edges, block_means

LEAST_STEP_MM = 0.1
_STEP_PX = 0.7
_ROW_MM = 0.5
_HALF_MM = 5.4
_CLEAR_MM = 2.0
_NEIGHBOUR_SHARE = 0.42
"""A strip stays this share of the pitch, at the ring's inner edge, clear of the next joint."""
SKEWS_DEG = np.arange(-6, 7) * 0.4


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

    codes: Codes
    u_mm: Array
    v_mm: Array
    angle: Array

    @property
    def middle_mm(self) -> float:
        """Distance of the strips' middle from the ring's centre."""
        return float(self.u_mm.mean())

    @property
    def step_mm(self) -> float:
        """Width of a column."""
        return float(self.v_mm[1] - self.v_mm[0])


@dataclass(frozen=True, eq=False)
class Lines:
    """Joint lines in their strips, each an array of shape (N,).

    Attributes
    ----------
    place_mm : ndarray
        v at the strips' middle.
    skew_deg : ndarray
        Direction less the strip's own, positive when v grows outward.
    gap_mm : ndarray
        Distance between the faces at mid-length; 0 where the plan is closed.
    strength : ndarray
        log(1 + T^2).
    """

    place_mm: Array
    skew_deg: Array
    gap_mm: Array
    strength: Array


def strip_step_mm(px_per_mm: float) -> float:
    """Return the width of a strip's columns: 0.1 mm, or not much below a pixel."""
    return max(LEAST_STEP_MM, _STEP_PX / px_per_mm)


def cut_strips(look: Sampler, outline: Outline, plan: Plan, angle: Array, step_mm: float) -> Strips:
    """Sample a strip about every direction (radians clockwise from 12 o'clock)."""
    size = outline.outer_mm / plan.outer_mm
    inner, outer = (radius * size for radius in plan.joint_radii_mm)
    clear = min(_CLEAR_MM, 0.1 * (outer - inner))
    rows = max(12, round((outer - inner - 2 * clear) / _ROW_MM))
    u = inner + clear + (np.arange(rows) + 0.5) * ((outer - inner - 2 * clear) / rows)
    pitch_mm = inner * np.radians(plan.pitch_deg)
    half = round(min(_HALF_MM + 0.5 * plan.gap_mm, max(_NEIGHBOUR_SHARE * pitch_mm, plan.gap_mm)) / step_mm)
    v = np.arange(-half, half + 1) * step_mm
    sin, cos = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    x = u[:, None] * sin + v * cos
    y = u[:, None] * cos - v * sin
    flat = (len(angle) * rows, len(v))
    seen = look(x.reshape(flat), y.reshape(flat))
    return Strips(seen.reshape(len(angle), rows, len(v), 3), u, v, angle)


def sheared_blocks(strips: Strips) -> Float32:
    """Average rows in blocks, then shift every block along v so that a line of each skew stands upright.

    Shape (skews, N, blocks, columns, 3).
    """
    depth_mm = float(np.ptp(strips.u_mm))
    blocks = block_means(strips.codes, depth_mm)
    edges = block_edges(len(strips.u_mm), depth_mm)
    arm = np.array([strips.u_mm[a:b].mean() for a, b in pairwise(edges)])
    arm -= strips.middle_mm
    shift = np.tan(np.radians(SKEWS_DEG))[:, None] * arm / strips.step_mm
    place = np.arange(blocks.shape[2]) + shift[:, :, None]
    place = np.clip(place, 0.0, blocks.shape[2] - 1.001)
    cell = place.astype(np.intp)
    part = (place - cell).astype(np.float32)[:, None, :, :, None]
    row = np.arange(blocks.shape[1])[None, :, None]
    low = np.moveaxis(blocks[:, row, cell], 0, 1)
    high = np.moveaxis(blocks[:, row, cell + 1], 0, 1)
    return np.asarray(low + part * (high - low))
