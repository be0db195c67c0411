"""Where the ring lies: its outer and inner edge as one regular figure on the top face's plane."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lightgap.camera import Camera
from lightgap.errors import RingError
from lightgap.hand import PointPx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.bend import Bend, find_bend
from lightgap.ring.circles import By, Circle, circles_in_photo, circles_on_plane, different, resized
from lightgap.ring.count import count_joints, unrolled_ring
from lightgap.ring.evidence import grain_mm
from lightgap.ring.figure import Figure, search_figure
from lightgap.ring.handset import circle_through
from lightgap.ring.lean import Lean, grown, grown_circles, lean_over, leaning_circles
from lightgap.ring.other import other_ring, other_ring_unscaled
from lightgap.ring.place import Outline, outline_of
from lightgap.ring.plane import sampler
from lightgap.ring.pose import fit_pose, spokes_of
from lightgap.ring.refusal import cut_off, is_plan_size, no_ring, wrong_segments, wrong_size

__all__ = ["Outline", "find_outline", "find_outline_unscaled", "ring_score"]

_LOOKS: tuple[tuple[tuple[float, ...], By], ...] = (
    ((1.0,), "edges"),
    ((1.0,), "joints"),
    ((1.0,), "sides"),
    ((0.965, 1.035, 0.93, 1.07), "edges"),
)
"""Outer sizes to look for, relative to the plan's, and by what: each when nothing sure was found."""
_MOST_SIDES = 12
"""A polygon of more is so near to a circle that its sides are not looked for."""
_CIRCLES = 4
_LEANING_CIRCLES = 5
_SHIFT = 3.0
"""Grains from a circle's centre within which the figure's centre is looked for."""
_SCALE_SPAN = 0.025
_SURE_SCORE = 3.3
"""Above this nothing better is looked for."""
_SURE_POSE_SCORE = 3.5
_LEAST_GLANCE, _WORSE = 1.5, 0.6
"""A pose is fitted from a guess whose score reaches the one and is not worse than the best by the other."""
_ONE_EDGE = 2.2
"""One edge alone, well seen all round, reaches this: it may be the other edge than was thought."""
_RING_SCORE = 2.5
_LEAST_SCORE = 2.4
"""Rings have 2.6 and more, other pictures at most 2.2 where the scale is known."""
_HAND_SCORE = 1.8
"""Enough where a person, or its joints, say that here is a ring."""
_FAINT_SCORE = 1.2
"""Enough where its joints leave no doubt: edges that a shadow or a bench of the wood's tone hides."""
_BETTER = 0.3
_LEANS = 3
_BENT_FIT, _BENT_SHIFT = 0.75, 0.3
"""How well joints must stand on a bent comb to be followed: right ones do by 0.79 and more (closed ones by
0.55), chance by up to 0.67. And how far, in grains, the centre may then lie from where they put it."""

ThreePoints = tuple[PointPx, PointPx, PointPx]


def find_outline(photo: Photo, camera: Camera, plan: Plan, points_px: ThreePoints | None = None) -> Outline:
    """Find the ring with a camera whose scale is known, starting from three hand-set points if given.

    Raises
    ------
    RingError
        If there is no ring here, it is cut off by the frame, or it is not of the plan's size or number
        of segments.
    """
    outline = best_outline(photo, camera, plan, points_px)
    _refuse(cut_off(photo, plan, outline))
    settled = _settled(photo, plan, outline)
    if not settled or not is_plan_size(plan, outline):
        _refuse(other_ring(photo, camera, plan, max(_RING_SCORE, outline.score + _BETTER)))
    if not settled and outline.score < (_HAND_SCORE if points_px else _LEAST_SCORE):
        raise no_ring(plan)
    if not is_plan_size(plan, outline):
        raise wrong_size(plan, 2.0 * outline.outer_mm)
    return outline


def ring_score(photo: Photo, camera: Camera, plan: Plan) -> float:
    """Return how well the plan's ring is seen with a camera, 0 where it is not: to choose among cameras.

    What else may be there is not asked: that is for the camera that is chosen.
    """
    outline = best_outline(photo, camera, plan)
    is_seen = outline.score >= _LEAST_SCORE or _settled(photo, plan, outline)
    return outline.score if is_seen and is_plan_size(plan, outline) else 0.0


def best_outline(photo: Photo, camera: Camera, plan: Plan, points_px: ThreePoints | None = None) -> Outline:
    """Return what looks most like the ring, whatever its score; a ring has 2.4 and more."""
    if points_px is not None:
        circle = circle_through(camera.to_plane(points_px, plan.thickness_mm), plan)
        corner = 1.0 / np.cos(np.radians(plan.mitre_deg)) if plan.outline == "polygon" else 1.0
        return _search(photo, camera, plan, circle, _SHIFT * grain_mm(plan) + (corner - 1.0) * plan.outer_mm)
    best: Outline | None = None
    for sizes, by in _LOOKS:
        if not _shows(plan, by):
            continue
        plans = [resized(plan, size) for size in sizes]
        for circle in circles_on_plane(photo, camera, plans, 0.5 * grain_mm(plan), by)[:_CIRCLES]:
            found = _search(photo, camera, plan, circle, _SHIFT * grain_mm(plan))
            if best is None or found.score > best.score:
                best = found
            if _settled(photo, plan, best):
                return best
            by_joints = _centred(photo, camera, plan, found)
            if by_joints is not None and _settled(photo, plan, by_joints, joints=True):
                return by_joints
    assert best is not None
    return best


def find_outline_unscaled(photo: Photo, plan: Plan, points_px: ThreePoints | None = None) -> Outline:
    """Find the ring with nothing known but its size: the pose comes from the figure's own regularity.

    The camera of the result has the photo's default focal length and a scale that makes the ring as large
    as the plan says.

    Raises
    ------
    RingError
        If there is no ring here, it is cut off by the frame, or it has not the plan's number of segments.
    """
    tried: list[Outline] = []
    faint: list[Outline] = []
    for found in _found(photo, plan, points_px):
        # Cups and lids are round too: a round ring must show its joints.
        settled = _settled(photo, plan, found, joints=plan.outline == "round")
        by_joints = None if settled else _evened(photo, plan, found)
        if by_joints is not None and _settled(photo, plan, by_joints, joints=True):
            found, settled = by_joints, True
        if settled and found.score >= _RING_SCORE:
            faint = [found]
            break
        (faint if settled else tried).append(found)
    if faint:
        # Joints show in a pose that is a little wrong too: of faint outlines the clearest counts.
        best = max(faint, key=lambda found: found.score)
        _refuse(cut_off(photo, plan, best))
        return best
    tried.sort(key=lambda found: -found.score)
    for found in tried:
        _refuse(cut_off(photo, plan, found))
    best = tried[0]
    count = count_joints(photo, plan, best)
    if best.score >= _LEAST_SCORE and count.is_clear and count.segments != plan.segments:
        raise wrong_segments(plan.segments, count.segments)
    _refuse(other_ring_unscaled(photo, plan, max(_RING_SCORE, best.score + _BETTER)))
    # With no scale to hold it, a figure may be fitted to many things: its joints must agree with it.
    if points_px is None or best.score < _HAND_SCORE:
        raise no_ring(plan)
    return best


def _found(photo: Photo, plan: Plan, points_px: ThreePoints | None) -> Iterator[Outline]:
    """Return what looks like the ring, likeliest first, each with the pose fitted to it."""
    circles: list[Circle] = []
    for leans in _guesses(photo, plan, points_px):
        found = _posed(photo, plan, leans[:_LEANS])
        yield found
        if found.score >= _ONE_EDGE:
            yield _posed(photo, plan, grown(photo, plan, found))
            circles += grown_circles(plan, found)
    for circle in different(circles):
        yield _posed(photo, plan, lean_over(photo, plan, circle)[:_LEANS])


def _guesses(photo: Photo, plan: Plan, points_px: ThreePoints | None) -> Iterator[list[Lean]]:
    """Guess where the ring is and how the camera leans, likeliest first; well aside only at last."""
    if points_px is not None:
        yield lean_over(photo, plan, circle_through(np.asarray(points_px, dtype=float), plan))
        return
    looks: tuple[By, ...] = ("joints", "edges", "sides")
    for by in looks:
        if _shows(plan, by):
            for circle in circles_in_photo(photo, plan, by)[:_CIRCLES]:
                yield lean_over(photo, plan, circle)
    for circle, spot in leaning_circles(photo, plan)[:_LEANING_CIRCLES]:
        yield lean_over(photo, plan, circle, spot)


def _shows(plan: Plan, by: By) -> bool:
    """Whether a ring of the plan can be looked for so."""
    if by == "joints":
        return plan.joint != "closed"
    return by == "edges" or (plan.outline == "polygon" and plan.segments <= _MOST_SIDES)


def _settled(photo: Photo, plan: Plan, outline: Outline, joints: bool = False) -> bool:
    """Whether the evidence of the edges, or (always with ``joints``) of edges and joints, leaves no doubt."""
    if outline.score >= _SURE_SCORE and not joints:
        return True
    if outline.score < _FAINT_SCORE:
        return False
    faint = outline.score < _HAND_SCORE
    return count_joints(photo, plan, outline).vouches_for(plan, surely=faint)


def _refuse(error: RingError | None) -> None:
    if error is not None:
        raise error


def _search(photo: Photo, camera: Camera, plan: Plan, circle: Circle, shift_mm: float) -> Outline:
    sized = resized(plan, circle.outer / plan.outer_mm)
    look = sampler(photo, camera, plan.thickness_mm, 0.2 * grain_mm(plan))
    return outline_of(camera, sized, search_figure(look, sized, (circle.x, circle.y), shift_mm, _SCALE_SPAN))


def _bend(photo: Photo, plan: Plan, outline: Outline) -> Bend | None:
    """The comb that the outline bends, if there is one to be followed."""
    if outline.score < _HAND_SCORE:
        return None
    bend = find_bend(unrolled_ring(photo, plan, outline), plan)
    return bend if bend.fit >= _BENT_FIT else None


def _centred(photo: Photo, camera: Camera, plan: Plan, outline: Outline) -> Outline | None:
    """Look for the figure about the centre that the joints tell, if they tell one."""
    bend = _bend(photo, plan, outline)
    if bend is None:
        return None
    centre_px = outline.camera.project_plane((bend.right_mm, bend.up_mm), plan.thickness_mm)
    x, y = camera.to_plane(centre_px, plan.thickness_mm)
    circle = Circle(float(x), float(y), outline.outer_mm, outline.score)
    return _search(photo, camera, plan, circle, _BENT_SHIFT * grain_mm(plan))


def _evened(photo: Photo, plan: Plan, outline: Outline) -> Outline | None:
    """Fit the pose to the joints too, if they make a comb that the pose bends."""
    bend = _bend(photo, plan, outline)
    if bend is None:
        return None
    figure = Figure(0.0, 0.0, outline.outer_mm / plan.outer_mm, outline.phase_deg, outline.score)
    pose, figure = fit_pose(photo, outline.camera, plan, figure, spokes_of(bend, outline, plan))
    return outline_of(pose, plan, figure)


def _posed(photo: Photo, plan: Plan, leans: list[Lean]) -> Outline:
    """Fit the pose from the likeliest lean; from the next ones too while none is sure."""
    best = outline_of(leans[0].camera, plan, leans[0].figure)
    for lean in leans:
        if lean.figure.score < max(_LEAST_GLANCE, leans[0].figure.score - _WORSE):
            break
        pose, figure = fit_pose(photo, lean.camera, plan, lean.figure)
        if figure.score > best.score or lean is leans[0]:
            best = outline_of(pose, plan, figure)
        if best.score >= _SURE_POSE_SCORE:
            break
    return best
