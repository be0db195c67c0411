"""Why what was found is not the ring of the plan, said so that a person can put it right."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from lightgap.camera import Camera
from lightgap.errors import RingError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import circles_in_photo, circles_on_plane, resized
from lightgap.ring.evidence import grain_mm
from lightgap.ring.figure import glance_segments, search_figure
from lightgap.ring.lean import lean_over
from lightgap.ring.place import Outline
from lightgap.ring.plane import sampler
from lightgap.ring.pose import fit_pose

SURE_SCORE = 2.7
LEAST_SCORE = 2.4
HAND_SCORE = 1.8
"""Enough where a person says that here is a ring."""
_BETTER = 0.3
_SIZE_TOLERANCE = 0.03
_SEGMENTS = range(3, 61)
_KERNELS = (8, 20)
"""Numbers of segments whose circles together find a ring of any number."""
_TRIES = 3
_OTHER_SIZES = 1.04 ** np.arange(-18, 19)
_SHIFT = 3.0


def refuse(photo: Photo, camera: Camera, plan: Plan, outline: Outline, least_score: float) -> None:
    """Raise if the outline found with a known scale is not the plan's ring, whole and in the picture.

    Raises
    ------
    RingError
    """
    refuse_cut(photo, plan, outline)
    if outline.score < least_score:
        look = sampler(photo, camera, plan.thickness_mm, 0.2 * grain_mm(plan))
        count = _other_segments(photo, camera, plan, outline.score)
        if count is not None:
            raise wrong_segments(plan.segments, count)
        found = [(outline.score, plan.across_flats_mm)]
        for circle in circles_on_plane(photo, camera, plan, list(_OTHER_SIZES))[: 2 * _TRIES]:
            sized = resized(plan, circle.outer / plan.outer_mm)
            figure = search_figure(look, sized, (circle.x, circle.y), _SHIFT * grain_mm(plan), 0.025)
            found.append((figure.score, figure.scale * sized.across_flats_mm))
        score, size_mm = max(found)
        if score < SURE_SCORE:
            raise _no_ring(plan)
        raise _wrong_size(plan, size_mm)
    size_mm = 2.0 * outline.outer_mm
    if abs(size_mm / plan.across_flats_mm - 1.0) > _SIZE_TOLERANCE:
        raise _wrong_size(plan, size_mm)


def refuse_unscaled(photo: Photo, plan: Plan, outline: Outline, least_score: float) -> None:
    """Raise like `refuse` where the scale itself was taken from the ring.

    Raises
    ------
    RingError
    """
    refuse_cut(photo, plan, outline)
    if outline.score >= least_score:
        return
    scores: dict[int, float] = {}
    for kernel in _KERNELS:
        guess = replace(plan, segments=kernel)
        for circle in circles_in_photo(photo, guess)[:1]:
            for lean in lean_over(photo, guess, circle)[:_TRIES]:
                look = sampler(photo, lean.camera, plan.thickness_mm, 0.4 * grain_mm(plan))
                _keep_best(scores, glance_segments(look, plan, (0.0, 0.0), 2.0 * grain_mm(plan), _SEGMENTS))
    for count in _likeliest(scores, plan):
        other = replace(plan, segments=count)
        for circle in circles_in_photo(photo, other)[:1]:
            lean = lean_over(photo, other, circle)[0]
            _, figure = fit_pose(photo, lean.camera, other, lean.figure)
            if figure.score >= max(SURE_SCORE, outline.score + _BETTER):
                raise wrong_segments(plan.segments, count)
    raise _no_ring(plan)


def _other_segments(photo: Photo, camera: Camera, plan: Plan, score: float) -> int | None:
    """Return the number of segments of the ring that is there, if it is of the plan's size."""
    if plan.outline == "round":
        return None
    grain = grain_mm(plan)
    centres = [
        (circle.x, circle.y)
        for kernel in _KERNELS
        for circle in circles_on_plane(photo, camera, replace(plan, segments=kernel), (1.0,))[:_TRIES]
    ]
    look = sampler(photo, camera, plan.thickness_mm, 0.4 * grain)
    scores: dict[int, float] = {}
    for centre in centres:
        _keep_best(scores, glance_segments(look, plan, centre, _SHIFT * grain, _SEGMENTS))
    fine = sampler(photo, camera, plan.thickness_mm, 0.2 * grain)
    found = [
        (search_figure(fine, replace(plan, segments=count), centre, _SHIFT * grain, 0.025).score, count)
        for count in _likeliest(scores, plan)
        for centre in centres
    ]
    best, count = max(found)
    return count if best >= max(SURE_SCORE, score + _BETTER) else None


def _keep_best(scores: dict[int, float], new: dict[int, float]) -> None:
    for count, score in new.items():
        scores[count] = max(score, scores.get(count, 0.0))


def _likeliest(scores: dict[int, float], plan: Plan) -> Iterable[int]:
    others = (count for count in scores if count != plan.segments)
    return sorted(others, key=lambda count: -scores[count])[:_TRIES]


def refuse_cut(photo: Photo, plan: Plan, outline: Outline) -> None:
    """Raise if part of the outline found lies outside the photo.

    Raises
    ------
    RingError
    """
    angle = np.radians(np.arange(0.0, 360.0, 0.5))
    stretch = 1.0
    if plan.outline == "polygon":
        half = np.radians(plan.mitre_deg)
        stretch = 1.0 / np.cos((angle - np.radians(outline.phase_deg) + half) % (2 * half) - half)
    edge = (outline.outer_mm * stretch * np.stack([np.cos(angle), np.sin(angle)])).T
    x, y = outline.camera.project_plane(edge, plan.thickness_mm).T
    beyond = {
        "left": x < 0.0,
        "right": x > photo.width - 1.0,
        "top": y < 0.0,
        "bottom": y > photo.height - 1.0,
    }
    lost = float(np.mean(np.any(list(beyond.values()), axis=0)))
    # A cut ring's evidence is that of the sides in view.
    if lost == 0.0 or lost > 0.6 or outline.score / (1.0 - lost) < SURE_SCORE:
        return
    sides = " and ".join(side for side, out in beyond.items() if np.any(out))
    raise RingError(
        f"The ring is cut off at the {sides} of the photo: about {max(1, round(100 * lost))} % of its outer "
        "edge is not in the picture.",
        "Take the photo again with the whole ring in view and some bench all round it.",
    )


def wrong_segments(entered: int, seen: int) -> RingError:
    """Return the error of a wrong number of segments."""
    return RingError(
        f"The ring looks like {seen} segments, but {entered} were entered.",
        "Count the segments and correct the plan.",
    )


def _wrong_size(plan: Plan, size_mm: float) -> RingError:
    what = "across flats" if plan.outline == "polygon" else "in diameter"
    return RingError(
        f"The ring in the photo measures about {size_mm:.0f} mm {what}, but the plan says "
        f"{plan.across_flats_mm:g} mm.",
        "Measure the ring and correct the plan, or check that the reference is of the size that was given.",
    )


def _no_ring(plan: Plan) -> RingError:
    shape = f"{plan.segments} segments" if plan.outline == "polygon" else "a round outline"
    return RingError(
        f"No ring of this plan ({shape}, {plan.across_flats_mm:g} mm, {plan.width_mm:g} mm wide) was seen in "
        "the photo.",
        "Compare the plan with the ring; lay it on a bench of another colour, whole in view, in even light.",
    )
