"""How a comb of joints is bent by an outline that lies beside the ring or leans wrongly.

A centre that is off by a vector moves every joint round the ring by the cosine of its direction from it; so
does, in the first order, a wrong lean under which the outer edge still looks right. Edges tell either badly
where a shadow or a wall's foot looks like one of them; the joints tell it well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.plan import Plan
from lightgap.ring.phase import comb_fit, peaks, reach, tolerance_mm
from lightgap.ring.plane import Array
from lightgap.ring.unroll import Unrolled

_MOST_MM = 12.0
_STEP = 0.5
"""Of the tolerance within which a joint counts as standing on its tooth."""
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Bend:
    """Where a bent comb stands.

    Attributes
    ----------
    angle : ndarray, shape (N,)
        Each joint's direction, radians clockwise from 12 o'clock, as the outline shows it.
    even : ndarray, shape (N,)
        Where it would be in the right outline: 360/N apart.
    right_mm, up_mm : float
        Where the ring's centre lies from the outline's, if its lean is right.
    fit : float
        How well the joints stand on the bent comb, 0 to 1; see `phase.comb_fit`.
    """

    angle: Array
    even: Array
    right_mm: float
    up_mm: float
    fit: float


def find_bend(unrolled: Unrolled, plan: Plan) -> Bend:
    """Find the comb of the plan's N, bent by up to 12 mm, on which the joints stand best."""
    heights = peaks(unrolled, plan)
    columns, tolerance = len(heights), tolerance_mm(plan)
    graded = np.minimum(heights, float(np.median(np.sort(heights)[-plan.segments :])))
    reached = reach(graded, unrolled.step_mm, tolerance)
    pitch = 2 * np.pi / plan.segments
    even = np.arange(int(np.ceil(columns / plan.segments)))[:, None] * (2 * np.pi / columns)
    even = even + np.arange(plan.segments) * pitch
    radius = columns * unrolled.step_mm / (2 * np.pi)
    best, most = (0.0, 0.0, 0), -np.inf
    for right, up in _moves(_STEP * tolerance, _MOST_MM):
        angle = _bent(even, right / radius, up / radius)
        total = reached[_columns(angle, columns)].sum(axis=1)
        start = int(np.argmax(total))
        if total[start] > most:
            best, most = (right, up, start), float(total[start])
    first, right, up = _refined(heights, unrolled.step_mm, tolerance, even[best[2]], best[0], best[1])
    teeth = first + np.arange(plan.segments) * pitch
    angle = _bent(teeth, right / radius, up / radius)
    straight = _straightened(unrolled, right / radius, up / radius)
    return Bend(angle, teeth, right, up, comb_fit(straight, plan, first))


def _moves(step: float, most: float) -> Array:
    """Shifts on a square grid within a circle, the least first, shape (moves, 2)."""
    along = step * np.arange(-int(most / step), int(most / step) + 1)
    grid = np.stack(np.meshgrid(along, along), axis=-1).reshape(-1, 2)
    size = np.hypot(*grid.T)
    return np.asarray(grid[np.argsort(size)][: int(np.sum(size <= most))])


def _bent(even: Array, right: float, up: float) -> Array:
    """Directions seen from a centre that lies off the ring's own by a share of the radius."""
    return np.asarray(even + right * np.cos(even) - up * np.sin(even))


def _columns(angle: Array, columns: int) -> NDArray[np.intp]:
    return np.asarray(np.rint(angle * (columns / (2 * np.pi))).astype(np.intp) % columns)


def _refined(
    heights: Array, step_mm: float, tolerance: float, even: Array, right: float, up: float
) -> tuple[float, float, float]:
    """Fit the first tooth's direction and the shift to the peaks nearest to the teeth; return both."""
    columns = len(heights)
    radius = columns * step_mm / (2 * np.pi)
    place = np.flatnonzero(heights)
    first = float(even[0])
    for _ in range(_ROUNDS):
        teeth = first + even - even[0]
        angle = _bent(teeth, right / radius, up / radius)
        off = (place[None, :] * (2 * np.pi / columns) - angle[:, None] + np.pi) % (2 * np.pi) - np.pi
        off *= radius
        worth = heights[place] * np.maximum(1.0 - (off / tolerance) ** 2, 0.0)
        chosen = np.argmax(worth, axis=1)
        rows = np.arange(len(teeth))
        weight, off = worth[rows, chosen], off[rows, chosen]
        if np.count_nonzero(weight) < 3:
            break
        design = np.stack([np.full(len(teeth), radius), np.cos(teeth), -np.sin(teeth)], axis=1)
        root = np.sqrt(np.minimum(weight, np.median(weight[weight > 0])))
        change, *_ = np.linalg.lstsq(design * root[:, None], off * root)
        first, right, up = first + float(change[0]), right + float(change[1]), up + float(change[2])
    return first, right, up


def _straightened(unrolled: Unrolled, right: float, up: float) -> Unrolled:
    columns = len(unrolled.evidence)
    even = np.arange(columns) * (2 * np.pi / columns)
    return replace(unrolled, evidence=unrolled.evidence[_columns(_bent(even, right, up), columns)])
