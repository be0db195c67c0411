"""The ring's figure, a regular polygon or a circle, fitted to the evidence of its edges on the plane."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from lightgap.plan import Plan
from lightgap.ring.evidence import SIDE, edge_evidence, grain_mm
from lightgap.ring.plane import Array, Sampler

INNER_WEIGHT = 0.6
_CAP = 2.5
_ROUND_SIDES = 60
_DIRECTIONS = 240
_GLANCE_SEGMENTS = 20
"""The side length at which polygons of every N are compared."""


@dataclass(frozen=True)
class Figure:
    """A place of the ring on the plane: centre, size relative to the plan, turn, and the evidence.

    ``phase_deg`` is the direction, anticlockwise from +x, of the middle of one outer side; ``score``
    lies in 0 to 4.
    """

    x_mm: float
    y_mm: float
    scale: float
    phase_deg: float
    score: float

    @property
    def centre_mm(self) -> tuple[float, float]:
        return self.x_mm, self.y_mm


def search_figure(
    look: Sampler, plan: Plan, centre_mm: tuple[float, float], shift_mm: float, scale_span: float
) -> Figure:
    """Find the figure within ``shift_mm`` of a centre and ``scale_span`` (relative) of the plan's size."""
    grain = grain_mm(plan)
    best = glance_figure(look, plan, centre_mm, shift_mm, scale_span)
    phases = _phases(plan)
    spread = phases[1] * np.linspace(-1.0, 1.0, 9) if len(phases) > 1 else np.zeros(1)
    fine = _Search(look, plan, best, best.phase_deg + spread, 2.0 * grain, 0.1 * grain, SIDE)
    for step in (0.3 * grain, 0.1 * grain):
        span = 3.0 * step
        best = fine.best(best, (span, step), (span / plan.outer_mm, step / plan.outer_mm), np.log1p)
    return replace(best, score=fine.score(best))


def glance_figure(
    look: Sampler, plan: Plan, centre_mm: tuple[float, float], shift_mm: float, scale_span: float
) -> Figure:
    """Search like `search_figure`, but roughly: to compare many guesses."""
    grain = grain_mm(plan)
    start = Figure(*centre_mm, 1.0, 0.0, 0.0)
    reach = shift_mm + scale_span * plan.outer_mm + grain
    rough = _Search(look, plan, start, _phases(plan), reach, 0.5 * grain, SIDE[::2])
    return rough.best(start, (shift_mm, grain), (scale_span, grain / plan.outer_mm))


def glance_segments(
    look: Sampler,
    plan: Plan,
    centre_mm: tuple[float, float],
    shift_mm: float,
    scale_span: float,
    counts: Iterable[int],
) -> dict[int, float]:
    """Return the evidence, 0 to 4, for a ring of about the plan's size with each number of segments."""
    grain = grain_mm(plan)
    alike = replace(plan, segments=_GLANCE_SEGMENTS, outline="polygon")
    start = Figure(*centre_mm, 1.0, 0.0, 0.0)
    reach = shift_mm + scale_span * plan.outer_mm + 2.0 * grain
    rough = _Search(look, alike, start, _phases(alike), reach, 0.5 * grain, SIDE[::2])
    values = rough.values(_tries(start, (shift_mm, grain), (scale_span, grain / plan.outer_mm)), _capped)
    scores = {}
    for count in counts:
        phases = np.arange(int(np.ceil(_DIRECTIONS / count)))
        rows = np.rint(phases[:, None] + np.arange(count) * (_DIRECTIONS / count)).astype(int) % _DIRECTIONS
        scores[count] = float(values[rows].mean(axis=1).max())
    return scores


def sides_of(plan: Plan) -> int:
    """Return how many sides the evidence is averaged over."""
    return plan.segments if plan.outline == "polygon" else _ROUND_SIDES


def _phases(plan: Plan) -> Array:
    """Return the turns to try, degrees: one pitch, in about `_DIRECTIONS` steps a full turn."""
    steps = max(4, round(_DIRECTIONS / plan.segments)) if plan.outline == "polygon" else 1
    return np.arange(steps) * (plan.pitch_deg / steps)


def _capped(evidence: Array) -> Array:
    return np.minimum(evidence, _CAP)


class _Search:
    """Edge evidence of the outer and the inner edge about one start, and the search in it."""

    def __init__(
        self,
        look: Sampler,
        plan: Plan,
        start: Figure,
        phases_deg: Array,
        reach_mm: float,
        step_mm: float,
        along: Array,
    ) -> None:
        self._plan, self._start, self._phases = plan, start, phases_deg
        sides = sides_of(plan)
        turns = np.arange(sides)[:, None] * (360.0 / sides)
        self._directions = np.radians((phases_deg + turns).ravel())
        self._outer, self._inner = (
            edge_evidence(
                look, plan, start.centre_mm, self._directions, edge_mm * start.scale, reach_mm, step_mm, along
            )
            for edge_mm in (plan.outer_mm, plan.inner_mm)
        )

    def best(
        self,
        near: Figure,
        shift: tuple[float, float],
        scale: tuple[float, float],
        grade: Callable[[Array], Array] = _capped,
    ) -> Figure:
        """Try shifts and sizes about ``near``, each given as (span, step), with every phase.

        ``grade`` says what an edge's evidence counts for.
        """
        tries = _tries(near, shift, scale)
        mean = self._means(tries, grade)
        phase, index = np.unravel_index(int(np.argmax(mean)), mean.shape)
        size, x, y = tries[index]
        return Figure(float(x), float(y), float(size), float(self._phases[phase]), float(mean[phase, index]))

    def score(self, figure: Figure) -> float:
        """Return the capped evidence for one figure, 0 to 4."""
        mean = self._means(np.array([[figure.scale, figure.x_mm, figure.y_mm]]), _capped)
        return float(mean[int(np.argmin(np.abs(self._phases - figure.phase_deg))), 0])

    def values(self, tries: Array, grade: Callable[[Array], Array]) -> Array:
        """Evidence of each side, shape (directions, tries); a try is (scale, x, y)."""
        cos, sin = np.cos(self._directions)[:, None], np.sin(self._directions)[:, None]
        away = (tries[:, 1] - self._start.x_mm) * cos + (tries[:, 2] - self._start.y_mm) * sin
        outer = grade(self._outer.at(tries[:, 0] * self._plan.outer_mm + away))
        return outer + INNER_WEIGHT * grade(self._inner.at(tries[:, 0] * self._plan.inner_mm + away))

    def _means(self, tries: Array, grade: Callable[[Array], Array]) -> Array:
        """Mean evidence over the sides, shape (phases, tries)."""
        values = self.values(tries, grade)
        return np.asarray(values.reshape(-1, len(self._phases), len(tries)).mean(axis=0))


def _tries(near: Figure, shift: tuple[float, float], scale: tuple[float, float]) -> Array:
    """Sizes and shifts about a figure, shape (tries, 3): scale, x, y."""
    moves = _steps(*shift)
    grid = np.stack(np.meshgrid(_steps(*scale), moves, moves, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.asarray(grid + np.array([near.scale, near.x_mm, near.y_mm]))


def _steps(span: float, step: float) -> Array:
    count = int(np.ceil(span / step - 1e-6))
    return np.arange(-count, count + 1) * (span / max(count, 1))
