"""Open (and resin-filled) joints in their strips: two edges, face A and face B."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.plan import Plan
from lightgap.ring.features import RunningMeans, t_squared, usual_scatter
from lightgap.ring.plane import Array, Float32
from lightgap.ring.strips import SKEWS_DEG, Lines, Strips, sheared_blocks

_EDGE_WINDOW_MM = 0.3
_BEYOND_MM = (0.2, 1.5)
_WOOD_MM = 1.5
_EDGES_KEPT = 28
_LEAST_GAP_MM = 0.2
_GAP_SCALE_MM = 0.4
_FAN_DEG = 1.0
_OPPOSED_WEIGHT = 1.5
_WOOD_WEIGHT = 3.0


@dataclass(frozen=True, eq=False)
class _Edges:
    """The strongest single edges of one strip, each an array of shape (edges,) or (edges, 3)."""

    v_mm: Array
    skew_deg: Array
    evidence: Array
    step: Float32
    before: Float32
    after: Float32
    wood_a: Float32
    wood_b: Float32


class OpenTeeth:
    """Single edges in every strip, and the pairs that they make."""

    def __init__(self, strips: Strips, plan: Plan) -> None:
        self._plan = plan
        sheared = sheared_blocks(strips)
        skews, count = sheared.shape[:2]
        flat = sheared.reshape(skews * count, *sheared.shape[2:])
        step_mm = strips.step_mm
        window = max(_EDGE_WINDOW_MM, step_mm)
        steps = RunningMeans(flat, step_mm, window).step_across(window)
        evidence = np.log1p(t_squared(steps, usual_scatter(steps))).reshape(skews, count, -1)
        step = steps.mean(axis=1).reshape(skews, count, -1, 3)
        near, far = _BEYOND_MM
        whole = RunningMeans(flat.mean(axis=1, keepdims=True), step_mm, far)
        after = whole.beside(near, far).reshape(skews, count, -1, 3)
        before = whole.beside(-far, -near).reshape(skews, count, -1, 3)
        ends = max(1, round(_WOOD_MM / step_mm))
        wood = np.median(strips.codes.astype(np.float32), axis=1)
        wood_a, wood_b = np.median(wood[:, :ends], axis=1), np.median(wood[:, -ends:], axis=1)
        self._edges = []
        for k in range(count):
            rows, columns = _peaks(evidence[:, k])
            self._edges.append(
                _Edges(
                    strips.v_mm[columns],
                    SKEWS_DEG[rows],
                    evidence[rows, k, columns],
                    step[rows, k, columns],
                    before[rows, k, columns],
                    after[rows, k, columns],
                    wood_a[k],
                    wood_b[k],
                )
            )

    def lines(self, expected_mm: Array, prior_mm: float) -> Lines:
        """Return each strip's best pair, given where it is expected and how closely (standard deviation)."""
        pairs = [
            _best_pair(edges, self._plan, float(place), prior_mm)
            for edges, place in zip(self._edges, expected_mm, strict=True)
        ]
        return Lines(*np.array(pairs).T)


def _peaks(evidence: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of the highest local maxima of (skews, columns)."""
    inner = evidence[1:-1, 1:-1]
    peak = np.ones(inner.shape, dtype=bool)
    for row in (0, 1, 2):
        for column in (0, 1, 2):
            peak &= inner >= evidence[row : row + inner.shape[0], column : column + inner.shape[1]]
    rows, columns = np.nonzero(peak)
    order = np.argsort(-inner[rows, columns])[:_EDGES_KEPT]
    return rows[order] + 1, columns[order] + 1


def _best_pair(edges: _Edges, plan: Plan, expected_mm: float, prior_mm: float) -> tuple[float, ...]:
    """Return middle, skew, gap and strength of the best pair; face A is the row, face B the column."""
    v, skew, evidence = edges.v_mm, edges.skew_deg, edges.evidence
    gap = v[None, :] - v[:, None]
    middle = 0.5 * (v[None, :] + v[:, None])
    length = np.linalg.norm(edges.step, axis=1) + 1e-6
    opposed = (edges.step @ edges.step.T) / np.outer(length, length)
    fan = skew[None, :] - skew[:, None] - plan.gap_deg
    # Beyond each face lies wood like the strip's end, not more of the slot.
    not_wood = _unlike(edges.before, edges.wood_a, length)[:, None] + _unlike(
        edges.after, edges.wood_b, length
    )
    total = (
        evidence[:, None]
        + evidence[None, :]
        # The nominal gap is a wish: a segment moved by 2 mm must be able to outvote it.
        - np.log1p(((gap - plan.gap_mm) / _GAP_SCALE_MM) ** 2)
        - 0.5 * ((middle - expected_mm) / prior_mm) ** 2
        - _OPPOSED_WEIGHT * (1.0 + opposed)
        - 0.5 * (fan / _FAN_DEG) ** 2
        - _WOOD_WEIGHT * not_wood
    )
    total[gap < _LEAST_GAP_MM] = -np.inf
    a, b = np.unravel_index(int(np.argmax(total)), total.shape)
    return (
        float(middle[a, b]),
        float(0.5 * (skew[a] + skew[b])),
        float(gap[a, b]),
        float(0.5 * (evidence[a] + evidence[b])),
    )


def _unlike(seen: Float32, wood: Float32, length: Float32) -> Array:
    """How far a colour is from the wood's, in units of the edge's own step, squared, at most 1."""
    away = np.linalg.norm(seen - wood, axis=1) / (length + 8.0)
    return np.asarray(np.minimum(away, 1.0) ** 2)
