"""Whether a line that was fitted can be a joint: a line of grain, or a mark, looks like a tight one.

What cannot be is left unmeasured, with the reason and what to do; it is never called tight.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lightgap.faces.joint import JointFaces
from lightgap.plan import Plan

Array = NDArray[np.float64]

_MOST_SKEW_DEG = 3.0
"""No joint runs further off the ring's radius: its segments would miss their mitre by so much."""
_ASIDE_MM, _ASIDE_SCATTERS, _USUAL_MM = 0.7, 6.0, 0.1
"""Cut against one stop, no joint stands so far from its place: the segments beside it would be as much longer
and shorter."""
_FEWEST_PLACES, _FEWEST_ALIKE = 6, 5


def believed(joints: list[JointFaces], plan: Plan) -> tuple[JointFaces, ...]:
    """Leave joints unmeasured whose lines can be none; what a person set by hand is believed."""
    straight = [joint if joint.by_hand else _straight(joint) for joint in joints]
    if plan.joint != "closed":
        return tuple(straight)
    aside_mm = _aside_mm(straight, plan)
    return tuple(
        joint if joint.by_hand else _in_its_place(joint, aside)
        for joint, aside in zip(straight, aside_mm, strict=True)
    )


def _straight(joint: JointFaces) -> JointFaces:
    """Runs as a saw cuts it."""
    if joint.face_a is None or joint.face_b is None:
        return joint
    turned = np.degrees(np.arctan(0.5 * (joint.face_a.slope + joint.face_b.slope)))
    radial = np.degrees(np.arctan2(joint.middle_mm[1], joint.middle_mm[0]))
    skew = (joint.direction_deg - turned - radial + 180.0) % 360.0 - 180.0
    if abs(skew) <= _MOST_SKEW_DEG:
        return joint
    return _disbelieved(
        joint,
        f"the line seen here runs {abs(skew):.0f} degrees askew, as no joint does: something else was taken "
        "for it; set its faces by hand",
    )


def _in_its_place(joint: JointFaces, aside_mm: float) -> JointFaces:
    """Stands where the other joints put it."""
    if aside_mm == 0.0:
        return joint
    return _disbelieved(
        joint,
        f"the line seen here lies {abs(aside_mm):.1f} mm beside where the other joints put it: "
        "grain or a mark may have been taken for it; set its faces by hand",
    )


def _disbelieved(joint: JointFaces, reason: str) -> JointFaces:
    return replace(joint, face_a=None, face_b=None, below_mm=None, reason=reason)


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
    # A line that lies aside must not pull the wave to itself: one of ten does so halfway.
    fit = least_squares(lambda p: off_mm - wave @ p, np.zeros(3), loss="cauchy", f_scale=_USUAL_MM)
    left = off_mm - wave @ fit.x
    usual = 1.4826 * float(np.median(np.abs(left)))
    agree = np.abs(left) < max(_ASIDE_MM, _ASIDE_SCATTERS * usual)
    if np.sum(agree) < _FEWEST_ALIKE:
        return aside
    aside[measured] = np.where(agree, 0.0, left)
    return aside
