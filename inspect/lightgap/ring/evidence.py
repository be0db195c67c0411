"""How much a straight line on the plane looks like an edge of the ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.plan import Plan
from lightgap.ring.plane import Array, Float32, Sampler

_NOISE_CODES = 4.0
"""Keeps a faint but even step from counting as a strong one."""
_WINDOW = 0.75
"""Width in grains of the two windows whose difference is a step."""
_ROUND_HALF_ARC = 0.16
"""Half length of the arc that stands for a side when the outline is round, radians."""
SIDE = 0.75 * np.linspace(-1.0, 1.0, 24)
"""Places along a side at which it is looked at, in units of its half length: corners are left out."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """Edge evidence by direction and distance: ``table[i, j]`` at ``first_mm + j * step_mm``."""

    table: Float32
    first_mm: float
    step_mm: float

    @property
    def distance_mm(self) -> Array:
        """The distances of the table's columns."""
        return self.first_mm + self.step_mm * np.arange(self.table.shape[1])

    def at(self, distance_mm: Array) -> Array:
        """Interpolate row by row; ``distance_mm`` has shape (directions, tries)."""
        place = np.clip((distance_mm - self.first_mm) / self.step_mm, 0.0, self.table.shape[1] - 1.001)
        cell = place.astype(np.intp)
        part = place - cell
        low = np.take_along_axis(self.table, cell, axis=1)
        high = np.take_along_axis(self.table, cell + 1, axis=1)
        return np.asarray(low + part * (high - low))


def grain_mm(plan: Plan) -> float:
    """Return the search's grain: 2 mm for a ring of 240 mm, in proportion for others."""
    return plan.outer_mm / 60.0


def edge_evidence(
    look: Sampler,
    plan: Plan,
    centre_mm: tuple[float, float],
    directions: Array,
    middle_mm: float,
    reach_mm: float,
    step_mm: float,
    along: Array = SIDE,
) -> Evidence:
    """Weigh a side (straight, or an arc) at every distance within ``reach_mm`` of ``middle_mm``.

    ``directions`` are radians anticlockwise from +x about the centre; ``along`` are places on the side in
    units of its half length. Evidence is the mean step of colour across the line over the scatter of that
    step along it: a line of print or of grain does not run straight and even for a whole side.
    """
    window = max(2, round(_WINDOW * grain_mm(plan) / step_mm))
    count = 2 * int(np.ceil(reach_mm / step_mm)) + 1
    first = middle_mm - (count - 1) / 2 * step_mm
    distance = first + (np.arange(count + 2 * window - 1) - window + 0.5) * step_mm
    x, y = _places(plan, directions, distance, middle_mm, along)
    places = len(along)
    seen = look(centre_mm[0] + x.reshape(-1, places), centre_mm[1] + y.reshape(-1, places))
    codes = seen.reshape(len(directions), len(distance), 3 * places).astype(np.int16)
    half = np.zeros((len(directions), count + window, 3 * places), dtype=np.int16)
    for shift in range(window):
        half += codes[:, shift : shift + count + window]
    step = (half[:, window:] - half[:, :count]).astype(np.float32).reshape(-1, 3 * places)
    step /= window
    channel = np.tile(np.eye(3, dtype=np.float32), (places, 1)) / places
    mean2 = np.sum((step @ channel) ** 2, axis=1)
    spread = np.maximum(np.einsum("ij,ij->i", step, step) / places - mean2, 0.0)
    table = np.sqrt(mean2 / (spread + _NOISE_CODES**2)).reshape(len(directions), count)
    return Evidence(table.astype(np.float32), first, step_mm)


def side_points(
    plan: Plan, directions: Array, distance_mm: Array, middle_mm: float, along: float
) -> tuple[Array, Array]:
    """Return one point on each side and the outward normal there, both of shape (directions, 2)."""
    if plan.outline == "round":
        directions, offset = directions + _ROUND_HALF_ARC * along, 0.0
    else:
        offset = middle_mm * np.tan(np.radians(plan.mitre_deg)) * along
    normal = np.stack([np.cos(directions), np.sin(directions)], axis=1)
    tangent = np.stack([-np.sin(directions), np.cos(directions)], axis=1)
    return distance_mm[:, None] * normal + offset * tangent, normal


def _places(
    plan: Plan, directions: Array, distance_mm: Array, middle_mm: float, along: Array
) -> tuple[Float32, Float32]:
    """Places along each side at each distance, shape (directions, distances, along)."""
    distance = distance_mm.astype(np.float32)[:, None]
    if plan.outline == "round":
        angle = (directions[:, None, None] + _ROUND_HALF_ARC * along).astype(np.float32)
        return distance * np.cos(angle), distance * np.sin(angle)
    offset = (middle_mm * np.tan(np.radians(plan.mitre_deg)) * along).astype(np.float32)
    cos, sin = (part.astype(np.float32)[:, None, None] for part in (np.cos(directions), np.sin(directions)))
    return distance * cos - offset * sin, distance * sin + offset * cos
