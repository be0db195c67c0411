"""What ring is there instead, when the plan's own is not seen or hardly."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.camera import Camera
from lightgap.errors import RingError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import Circle, circles_in_photo, circles_on_plane, resized
from lightgap.ring.count import count_joints
from lightgap.ring.evidence import grain_mm
from lightgap.ring.figure import glance_figure, glance_segments, search_figure
from lightgap.ring.lean import cameras_round, lean_over
from lightgap.ring.place import Outline, outline_of
from lightgap.ring.plane import sampler
from lightgap.ring.pose import fit_pose
from lightgap.ring.refusal import is_plan_size, wrong_segments, wrong_size

_SEGMENTS = range(5, 61)
_KERNELS = (8, 20)
"""Numbers of segments whose circles together find a ring of any number."""
_CIRCLES = 3
_RINGS_OF_LEANS = 2
_COUNTS = 4
_GLANCE_LOSS = 0.5
"""By how much a rough look may fall short of what the fitted pose shows."""
_CHANCE = 2.0
_SIZES = tuple(1.04 ** float(power) for power in range(-18, 19))
_SHIFT = 3.0
_SCALE_SPAN = 0.025


@dataclass(frozen=True)
class _Ring:
    """A ring that was found, and the plan that it follows."""

    outline: Outline
    plan: Plan


def other_ring(photo: Photo, camera: Camera, plan: Plan, least_score: float) -> RingError | None:
    """Look for a ring of another number of segments or another size, with a known scale.

    Return the error that names it if its evidence reaches ``least_score``.
    """
    rings = [_other_size(photo, camera, plan)]
    if plan.outline == "polygon":
        rings.append(_other_segments(photo, camera, plan))
    rings = [ring for ring in rings if ring.outline.score >= least_score]
    for ring in sorted(rings, key=lambda ring: -_graded(ring.outline.score, ring.plan.segments)):
        count = count_joints(photo, ring.plan, ring.outline)
        if count.is_clear and count.segments != plan.segments:
            return wrong_segments(plan.segments, count.segments)
        if not is_plan_size(plan, ring.outline):
            return wrong_size(plan, 2.0 * ring.outline.outer_mm)
    return None


def other_ring_unscaled(photo: Photo, plan: Plan, least_score: float) -> RingError | None:
    """Look for a ring of another number of segments when the scale is not known."""
    if plan.outline == "round":
        return None
    glances = []
    for kernel in _KERNELS:
        circle = circles_in_photo(photo, replace(plan, segments=kernel))[0]
        for camera in cameras_round(photo, plan, circle, _RINGS_OF_LEANS):
            look = sampler(photo, camera, plan.thickness_mm, 0.4 * grain_mm(plan))
            glances += [
                (_graded(score, count), count, circle)
                for count, score in glance_segments(
                    look, plan, (0.0, 0.0), 2.0 * grain_mm(plan), _SCALE_SPAN, _SEGMENTS
                ).items()
            ]
    likeliest: dict[int, Circle] = {}
    for _, count, circle in sorted(glances, key=lambda glance: -glance[0]):
        likeliest.setdefault(count, circle)
    for count, circle in list(likeliest.items())[:_COUNTS]:
        other = replace(plan, segments=count)
        lean = lean_over(photo, other, circle)[0]
        if lean.figure.score < least_score - _GLANCE_LOSS:
            continue
        pose, figure = fit_pose(photo, lean.camera, other, lean.figure)
        if figure.score >= least_score:
            seen = count_joints(photo, other, outline_of(pose, other, figure))
            if seen.is_clear and seen.segments != plan.segments:
                return wrong_segments(plan.segments, seen.segments)
            return None
    return None


def _other_segments(photo: Photo, camera: Camera, plan: Plan) -> _Ring:
    shift_mm, step_mm = _SHIFT * grain_mm(plan), 0.5 * grain_mm(plan)
    rough, fine = (sampler(photo, camera, plan.thickness_mm, share * grain_mm(plan)) for share in (0.4, 0.2))
    glances = []
    for kernel in _KERNELS:
        for circle in circles_on_plane(photo, camera, [replace(plan, segments=kernel)], step_mm)[:_CIRCLES]:
            centre = (circle.x, circle.y)
            scores = glance_segments(rough, plan, centre, shift_mm, 0.0, _SEGMENTS)
            glances += [(_graded(score, count), count, centre) for count, score in scores.items()]
    _, count, centre = max(glances)
    other = replace(plan, segments=count)
    return _Ring(outline_of(camera, other, search_figure(fine, other, centre, shift_mm, _SCALE_SPAN)), other)


def _other_size(photo: Photo, camera: Camera, plan: Plan) -> _Ring:
    shift_mm = _SHIFT * grain_mm(plan)
    look = sampler(photo, camera, plan.thickness_mm, 0.2 * grain_mm(plan))
    plans = [resized(plan, size) for size in _SIZES]
    glances = []
    for circle in circles_on_plane(photo, camera, plans, 0.5 * grain_mm(plan))[: 2 * _CIRCLES]:
        sized = resized(plan, circle.outer / plan.outer_mm)
        glances.append((glance_figure(look, sized, (circle.x, circle.y), shift_mm, _SCALE_SPAN), sized))
    glance, sized = max(glances, key=lambda pair: pair[0].score)
    figure = search_figure(look, sized, glance.centre_mm, shift_mm, _SCALE_SPAN)
    return _Ring(outline_of(camera, sized, figure), sized)


def _graded(score: float, count: int) -> float:
    """Return a score fit to compare numbers of segments.

    A few sides find edges by chance more easily than many, and the sides of a ring also fit every
    polygon that has some of them.
    """
    return score - _CHANCE / float(np.sqrt(count))
