"""The ring's figure, a regular polygon or a circle, fitted to the evidence of its edges on the plane."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.plan import Plan

Array = NDArray[np.float64]
Sampler = Callable[[NDArray[np.floating], NDArray[np.floating]], NDArray[np.uint8]]
"""Codes at places (x, y) in mm of the plane, shape (rows, columns) -> (rows, columns, 3)."""

INNER_WEIGHT = 0.6
_CAP = 2.5
_NOISE = 4.0
"""Codes; keeps a faint even step from counting as a strong one."""
_ROUND_SIDES = 60
_ROUND_HALF_ARC = 0.12
_SIDE_SHARE = 0.75
SIDE = _SIDE_SHARE * np.linspace(-1.0, 1.0, 24)
"""Places along a side at which it is looked at, in units of its half length."""
_DIRECTIONS = 240


@dataclass(frozen=True)
class Figure:
    """A place of the ring on the plane: centre, size relative to the plan, turn, and the evidence.

    ``phase_deg`` is the direction of the middle of one outer side; ``score`` lies in 0 to 4.
    """

    x_mm: float
    y_mm: float
    scale: float
    phase_deg: float
    score: float


@dataclass(frozen=True, eq=False)
class Evidence:
    """Edge evidence by direction and distance: ``table[i, j]`` at ``first_mm + j * step_mm``."""

    table: NDArray[np.float32]
    first_mm: float
    step_mm: float

    def at(self, distance_mm: Array) -> Array:
        """Interpolate row by row; ``distance_mm`` has shape (directions, tries)."""
        place = np.clip((distance_mm - self.first_mm) / self.step_mm, 0.0, self.table.shape[1] - 1.001)
        cell = place.astype(np.intp)
        part = place - cell
        low = np.take_along_axis(self.table, cell, axis=1)
        high = np.take_along_axis(self.table, cell + 1, axis=1)
        return np.asarray(low + part * (high - low))


def unit_mm(plan: Plan) -> float:
    """Return the search's grain: 2 mm for a ring of 240 mm, in proportion for others."""
    return plan.outer_mm / 60.0


def search_figure(
    look: Sampler,
    plan: Plan,
    centre_mm: tuple[float, float],
    shift_mm: float,
    scale_span: float,
    scale: float = 1.0,
) -> Figure:
    """Find the figure within ``shift_mm`` of a centre and ``scale_span`` (relative) of the plan's size.

    ``scale`` is the size to search about, relative to the plan.
    """
    grain = unit_mm(plan)
    steps = _phase_steps(plan)
    phases = np.arange(steps) * (plan.pitch_deg / steps)
    reach = shift_mm + scale_span * plan.outer_mm + grain
    start = Figure(*centre_mm, scale, 0.0, 0.0)
    coarse = _Search(look, plan, start, phases, reach, grain * 0.2, SIDE)
    best = coarse.best(start, (shift_mm, 0.75 * grain), (scale_span, 0.75 * grain / plan.outer_mm))
    spread = phases[1] * np.linspace(-1.0, 1.0, 9) if steps > 1 else np.zeros(1)
    fine = _Search(look, plan, best, best.phase_deg + spread, 2.0 * grain, grain * 0.1, SIDE)
    for step in (0.3 * grain, 0.1 * grain):
        reach = 3.0 * step
        best = fine.best(best, (reach, step), (reach / plan.outer_mm, step / plan.outer_mm), np.log1p)
    return replace(best, score=fine.score(best))


def glance_figure(
    look: Sampler, plan: Plan, centre_mm: tuple[float, float], shift_mm: float, scale_span: float
) -> Figure:
    """Search like `search_figure`, but roughly: to compare many guesses of the camera's pose."""
    grain = unit_mm(plan)
    steps = _phase_steps(plan)
    start = Figure(*centre_mm, 1.0, 0.0, 0.0)
    reach = shift_mm + scale_span * plan.outer_mm + grain
    phases = np.arange(steps) * (plan.pitch_deg / steps)
    rough = _Search(look, plan, start, phases, reach, grain * 0.5, SIDE[::2])
    return rough.best(start, (shift_mm, grain), (scale_span, grain / plan.outer_mm))


def _phase_steps(plan: Plan) -> int:
    return max(4, round(_DIRECTIONS / plan.segments)) if plan.outline == "polygon" else 1


def sides_of(plan: Plan) -> int:
    """Return how many sides the evidence is averaged over."""
    return plan.segments if plan.outline == "polygon" else _ROUND_SIDES


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
        self._directions = np.radians(
            (phases_deg[None, :] + np.arange(sides)[:, None] * (360.0 / sides)).ravel()
        )
        self._outer, self._inner = (
            edge_evidence(look, plan, start, self._directions, middle * start.scale, reach_mm, step_mm, along)
            for middle in (plan.outer_mm, plan.inner_mm)
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
        moves = _steps(*shift)
        tries = np.stack(np.meshgrid(_steps(*scale), moves, moves, indexing="ij"), axis=-1).reshape(-1, 3)
        tries += [near.scale, near.x_mm, near.y_mm]
        mean = self._mean(tries, grade)
        phase, index = np.unravel_index(int(np.argmax(mean)), mean.shape)
        size, x, y = tries[index]
        return Figure(float(x), float(y), float(size), float(self._phases[phase]), float(mean[phase, index]))

    def score(self, figure: Figure) -> float:
        """Return the capped evidence for one figure, 0 to 4."""
        mean = self._mean(np.array([[figure.scale, figure.x_mm, figure.y_mm]]), _capped)
        return float(mean[int(np.argmin(np.abs(self._phases - figure.phase_deg))), 0])

    def _mean(self, tries: Array, grade: Callable[[Array], Array]) -> Array:
        """Mean evidence over the sides, shape (phases, tries); a try is (scale, x, y)."""
        cos, sin = np.cos(self._directions)[:, None], np.sin(self._directions)[:, None]
        away = (tries[:, 1] - self._start.x_mm) * cos + (tries[:, 2] - self._start.y_mm) * sin
        score = grade(self._outer.at(tries[:, 0] * self._plan.outer_mm + away))
        score += INNER_WEIGHT * grade(self._inner.at(tries[:, 0] * self._plan.inner_mm + away))
        return np.asarray(score.reshape(-1, len(self._phases), len(tries)).mean(axis=0))


def _steps(span: float, step: float) -> Array:
    count = int(np.ceil(span / step - 1e-6))
    return np.arange(-count, count + 1) * (span / max(count, 1))


def edge_evidence(
    look: Sampler,
    plan: Plan,
    start: Figure,
    directions: Array,
    middle_mm: float,
    reach_mm: float,
    step_mm: float,
    along: Array,
) -> Evidence:
    """Weigh a straight edge (or an arc) at every distance about ``middle_mm``, in every direction.

    ``directions`` are radians anticlockwise from +x about the start's centre; ``along`` are places on the
    side in units of its half length. Evidence is the mean step across the line over the scatter of that
    step along it: a line of print or of grain does not run straight for a whole side.
    """
    window = max(2, round(0.75 * unit_mm(plan) / step_mm))
    count = 2 * int(np.ceil(reach_mm / step_mm)) + 1
    first = middle_mm - (count - 1) / 2 * step_mm
    distance = first + (np.arange(count + 2 * window - 1) - window + 0.5) * step_mm
    x, y = _lines(plan, directions, distance, middle_mm, along)
    places = len(along)
    seen = look((start.x_mm + x).reshape(-1, places), (start.y_mm + y).reshape(-1, places))
    profile = seen.reshape(len(directions), len(distance), places * 3)
    summed = np.zeros((len(directions), len(distance) + 1, places * 3), dtype=np.float32)
    np.cumsum(profile, axis=1, out=summed[:, 1:], dtype=np.float32)
    middle = summed[:, window : window + count]
    step = (summed[:, 2 * window :] + summed[:, :count] - 2.0 * middle) / window
    step = step.reshape(len(directions), count, places, 3)
    mean = step.mean(axis=2)
    mean2 = np.sum(mean * mean, axis=2)
    spread = np.maximum(np.einsum("ijkl,ijkl->ij", step, step) / places - mean2, 0.0)
    table = np.sqrt(mean2 / (spread + _NOISE**2))
    return Evidence(table.astype(np.float32), first, step_mm)


def _lines(
    plan: Plan, directions: Array, distance: Array, middle_mm: float, along: Array
) -> tuple[Array, Array]:
    """Places along each side at each distance, shape (directions, distances, along)."""
    if plan.outline == "round":
        angle = directions[:, None, None] + _ROUND_HALF_ARC / _SIDE_SHARE * along
        return distance[:, None] * np.cos(angle), distance[:, None] * np.sin(angle)
    half_side = middle_mm * np.tan(np.radians(plan.mitre_deg))
    cos, sin = np.cos(directions)[:, None, None], np.sin(directions)[:, None, None]
    return (
        distance[:, None] * cos - half_side * along * sin,
        distance[:, None] * sin + half_side * along * cos,
    )
