"""Where the comb of joints stands, and whether it is a comb of the plan's N at all."""

from __future__ import annotations

import numpy as np

from lightgap.plan import Plan
from lightgap.ring.unroll import Array, Unrolled

_PEAK_MM = 1.2
_TOLERANCE_MM = 2.0


def find_phase(unrolled: Unrolled, plan: Plan) -> float:
    """Return the direction of one joint, radians clockwise from 12 o'clock."""
    heights = peaks(unrolled, plan)
    ceiling = np.sort(heights)[-plan.segments]
    reached = reach(np.minimum(heights, ceiling), unrolled.step_mm)
    columns = len(reached)
    starts = np.arange(int(np.ceil(columns / plan.segments)))
    teeth = np.rint(starts[:, None] + np.arange(plan.segments) * (columns / plan.segments)).astype(int)
    best = int(np.argmax(reached[teeth % columns].sum(axis=1)))
    return float(2 * np.pi * starts[best] / columns)


def peaks(unrolled: Unrolled, plan: Plan) -> Array:
    """Keep the evidence where it is a local maximum, 0 elsewhere; shape (columns,)."""
    half_mm = _PEAK_MM if plan.joint == "closed" else 0.6 * plan.gap_mm + 1.0
    half = max(1, round(half_mm / unrolled.step_mm))
    evidence = unrolled.evidence
    around = np.max([np.roll(evidence, shift) for shift in range(-half, half + 1)], axis=0)
    return np.where(evidence >= around, np.maximum(evidence, 0.0), 0.0)


def reach(heights: Array, step_mm: float) -> Array:
    """Return for every column the best peak near it, less the farther away it is."""
    half = int(_TOLERANCE_MM / step_mm)
    shifts = np.arange(-half, half + 1)
    weight = 1.0 - (shifts * step_mm / _TOLERANCE_MM) ** 2
    near = [w * np.roll(heights, -s) for s, w in zip(shifts, weight, strict=True)]
    return np.asarray(np.max(near, axis=0))
