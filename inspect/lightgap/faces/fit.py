"""Every joint of a ring, finely: which kind of joint it is, and where its two faces run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.camera import Camera
from lightgap.faces.believed import believed
from lightgap.faces.blur import Response
from lightgap.faces.closed_joints import measure_closed
from lightgap.faces.closed_look import ClosedSight
from lightgap.faces.joint import JointFaces
from lightgap.faces.open_joints import OpenFits, fit_open, measure_open
from lightgap.faces.site import Site, find_site, unmeasured
from lightgap.faces.strip import cut_strip
from lightgap.faces.wide_slot import see_wide_slot
from lightgap.hand import HandFace
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.edges import SegmentEdges
from lightgap.ring.outline import Outline

_RESOLVED_CLOSED_MM = 1.2
"""A joint planned closed but wider than this is fitted edge by edge."""
_BLOWN_OUT_LIGHT, _BLOWN_OUT_SHARE = 0.93, 0.25
"""Where so much of a joint's surroundings is white, what is left of a line is narrower than it was."""


def fit_joints(
    photo: Photo,
    response: Response,
    outline: Outline,
    comb: Comb,
    edges: tuple[SegmentEdges, ...],
    plan: Plan,
    by_hand: dict[int, tuple[HandFace, HandFace]],
) -> tuple[JointFaces, ...]:
    """Fit both faces of every joint, clockwise from joint 1.

    Parameters
    ----------
    by_hand : dict
        Joint number -> faces A and B as dragged; the fit starts from them.
    """
    by_number = {item.number: item for item in edges}
    sights: list[JointFaces | OpenFits | ClosedSight] = []
    for tooth in comb.teeth:
        before = by_number.get((tooth.number - 2) % plan.segments + 1)
        after = by_number.get(tooth.number)
        hand = by_hand.get(tooth.number)
        if hand is not None:
            tooth = _hand_tooth(tooth, hand, outline.camera, plan)
        site = find_site(outline, tooth, before, after, plan, response)
        missing = {(tooth.number - 2) % plan.segments + 1, tooth.number} & set(comb.missing_segments)
        if missing:
            reason = f"segment {min(missing)} beside it is missing"
            sights.append(unmeasured(site, plan, reason))
        elif not tooth.found:
            sights.append(unmeasured(site, plan, "nothing like a joint can be seen at this place"))
        else:
            sights.append(_look(photo, response, outline, site, plan))
    joints = [sight for sight in sights if isinstance(sight, JointFaces)]
    joints += measure_open([sight for sight in sights if isinstance(sight, OpenFits)], plan, response)
    joints += measure_closed([sight for sight in sights if isinstance(sight, ClosedSight)], plan, response)
    joints.sort(key=lambda joint: joint.number)
    return believed([replace(joint, by_hand=joint.number in by_hand) for joint in joints], plan)


def _hand_tooth(tooth: Tooth, faces: tuple[HandFace, HandFace], camera: Camera, plan: Plan) -> Tooth:
    points = np.array([[face.inner_px, face.outer_px] for face in faces])
    ends = camera.to_plane(points.mean(axis=0), plan.thickness_mm)
    a, b = (camera.to_plane(face.mean(axis=0), plan.thickness_mm) for face in points)
    along = ends[1] - ends[0]
    direction = float(np.degrees(np.arctan2(along[1], along[0])))
    return Tooth(tooth.number, ends.mean(axis=0), direction, float(np.hypot(*(b - a))), True, tooth.strength)


def _look(
    photo: Photo, response: Response, outline: Outline, site: Site, plan: Plan
) -> JointFaces | OpenFits | ClosedSight:
    inner, outer = site.ends_mm
    gap = max(site.tooth.gap_mm, plan.gap_mm)
    reach = 0.5 * gap + max(2.2, 14.0 / site.px_per_mm)
    strip = cut_strip(
        photo, response, outline.camera, site.frame, (inner - 0.5, outer + 0.5), (-reach, reach)
    )
    if strip.u.size < 500:
        return unmeasured(site, plan, "too few pixels of it are in the photo")
    if np.mean(strip.luma > _BLOWN_OUT_LIGHT) > _BLOWN_OUT_SHARE:
        return unmeasured(site, plan, "the wood beside it is blown out by glare")
    if plan.joint == "closed" and site.tooth.gap_mm < _RESOLVED_CLOSED_MM:
        slot = see_wide_slot(strip, site.u_range)
        if slot is None:
            return ClosedSight(site, strip)
        across = slot.middle_mm
        strip = replace(strip, v=strip.v - across)
        return fit_open(strip, site.moved(across, slot.gap_mm), plan, slot.moved(across).edges)
    return fit_open(strip, site, plan)
