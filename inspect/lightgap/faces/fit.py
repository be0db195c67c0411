"""Every joint of a ring, finely: which kind of joint it is, and where its two faces run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.faces.blur import Response
from lightgap.faces.closed_joints import ClosedSight, measure_closed
from lightgap.faces.joint import JointFaces
from lightgap.faces.open_joints import OpenFits, fit_open, measure_open
from lightgap.faces.site import Site, find_site, unmeasured
from lightgap.faces.strip import cut_strip
from lightgap.hand import HandFace
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.edges import SegmentEdges
from lightgap.ring.outline import Outline

Array = NDArray[np.float64]

_RESOLVED_CLOSED_MM = 1.2
"""A joint planned closed but wider than this is fitted edge by edge."""
_MOST_SKEW_DEG = 3.0
"""No joint runs further off the ring's radius: its segments would miss their mitre by so much."""
_ASIDE_MM, _ASIDE_SCATTERS, _FEWEST_PLACES = 0.7, 6.0, 6
"""Cut against one stop, no joint stands so far from its place: the segments beside it would be as much longer
and shorter."""
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
    joints = in_their_places(
        [joint if joint.number in by_hand else believed(joint) for joint in joints], plan
    )
    return tuple(replace(joint, by_hand=True) if joint.number in by_hand else joint for joint in joints)


def believed(joint: JointFaces) -> JointFaces:
    """Leave a joint unmeasured whose line runs as no saw cuts it: grain, or a mark, was taken for it."""
    if joint.face_a is None or joint.face_b is None:
        return joint
    turned = np.degrees(np.arctan(0.5 * (joint.face_a.slope + joint.face_b.slope)))
    radial = np.degrees(np.arctan2(joint.middle_mm[1], joint.middle_mm[0]))
    skew = (joint.direction_deg - turned - radial + 180.0) % 360.0 - 180.0
    if abs(skew) <= _MOST_SKEW_DEG:
        return joint
    reason = (
        f"the line seen here runs {abs(skew):.0f} degrees askew, as no joint does: something else was taken "
        "for it; set its faces by hand"
    )
    return replace(joint, face_a=None, face_b=None, below_mm=None, reason=reason)


def in_their_places(joints: list[JointFaces], plan: Plan) -> list[JointFaces]:
    """Leave closed joints unmeasured that stand where none is: a line of grain looks like a tight joint."""
    if plan.joint != "closed":
        return joints
    return [
        joint
        if aside_mm == 0.0
        else replace(
            joint,
            face_a=None,
            face_b=None,
            below_mm=None,
            reason=f"the line seen here lies {abs(aside_mm):.1f} mm beside where the other joints put it: "
            "grain or a mark may have been taken for it; set its faces by hand",
        )
        for joint, aside_mm in zip(joints, _aside_mm(joints, plan), strict=True)
    ]


def _aside_mm(joints: list[JointFaces], plan: Plan) -> Array:
    """How far each joint's line lies clockwise of where the others put it, mm; 0 where it is as usual.

    The places are even round the ring, but for the wave that a centre beside the ring's own makes of them.
    """
    aside = np.zeros(len(joints))
    seen = [(index, joint.line_middle_mm) for index, joint in enumerate(joints)]
    middles = np.array([middle for _, middle in seen if middle is not None])
    measured = [index for index, middle in seen if middle is not None]
    if len(measured) < _FEWEST_PLACES:
        return aside
    numbers = np.array([joints[index].number for index in measured])
    radius = float(np.median(np.hypot(*middles.T)))
    # Clockwise, less the plan's even places.
    turned = -np.arctan2(middles[:, 1], middles[:, 0]) - np.radians(plan.pitch_deg) * numbers
    start = np.angle(np.median(np.cos(turned)) + 1j * np.median(np.sin(turned)))
    off_mm = radius * (np.mod(turned - start + np.pi, 2.0 * np.pi) - np.pi)
    place = np.radians(plan.pitch_deg) * numbers
    wave = np.stack([np.ones_like(place), np.cos(place), np.sin(place)], axis=1)
    left = off_mm
    agree = np.abs(left) < 2.0 * _ASIDE_MM
    for _ in range(3):
        if np.sum(agree) < _FEWEST_PLACES:
            return aside
        left = off_mm - wave @ np.linalg.lstsq(wave[agree], off_mm[agree], rcond=None)[0]
        usual = 1.4826 * float(np.median(np.abs(left[agree])))
        agree = np.abs(left) < max(_ASIDE_MM, _ASIDE_SCATTERS * usual)
    aside[measured] = np.where(agree, 0.0, left)
    return aside


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
        return ClosedSight(site, strip)
    return fit_open(strip, site, plan)
