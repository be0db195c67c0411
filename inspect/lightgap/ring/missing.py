"""Segments that are not there: no edge where theirs should be, and a colour unlike every other segment's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.evidence import edge_evidence, grain_mm
from lightgap.ring.place import Outline
from lightgap.ring.plane import Array, sampler

_NO_EDGE = 0.9
_FAINT_EDGE = 0.8
_ODD_CODES = 12.0
_ODD_TIMES = 3.0
_REACH = 1.5
"""Grains; a segment popped out by 3 mm (of a ring of 240 mm) is still there."""


def find_missing(photo: Photo, outline: Outline, plan: Plan, joint_angle: Array) -> NDArray[np.bool_]:
    """Return for each segment whether it is missing, shape (N,).

    ``joint_angle`` are the joints' directions, radians clockwise from 12 o'clock, in clockwise order;
    segment k lies clockwise after joint k.
    """
    grain = grain_mm(plan)
    middle = joint_angle + 0.5 * ((np.roll(joint_angle, -1) - joint_angle) % (2 * np.pi))
    directions = 0.5 * np.pi - middle
    look = sampler(photo, outline.camera, plan.thickness_mm, 0.2 * grain)
    edges = [
        edge_evidence(look, plan, (0.0, 0.0), directions, edge_mm, _REACH * grain, 0.1 * grain).table.max(
            axis=1
        )
        for edge_mm in (outline.outer_mm, outline.inner_mm)
    ]
    width = outline.outer_mm - outline.inner_mm
    radius = np.linspace(outline.inner_mm + 0.25 * width, outline.outer_mm - 0.25 * width, 12)
    angle = directions[:, None, None] + np.linspace(-0.6, 0.6, 24) * np.radians(plan.mitre_deg)
    x, y = radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)
    colours = np.median(look(x.reshape(-1, 24), y.reshape(-1, 24)).reshape(len(middle), -1, 3), axis=1)
    apart = np.linalg.norm(colours[:, None] - colours, axis=2) + np.diag(np.full(len(middle), np.inf))
    nearest = apart.min(axis=1)
    odd = nearest > max(_ODD_CODES, _ODD_TIMES * float(np.median(nearest)))
    return np.asarray((np.maximum(*edges) < _NO_EDGE) | ((np.minimum(*edges) < _FAINT_EDGE) & odd))
