"""The values of one joint."""

from __future__ import annotations

import numpy as np

from lightgap.camera import Camera
from lightgap.faces.joint import JointFaces
from lightgap.measure import JointMeasure, LinePx
from lightgap.measure.place import Place, clockwise_deg, frame_of, joint_line, wrapped_deg
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.values import Below, Contribution, Measured, Unknown, Value, measured


def measure_joint(
    joint: JointFaces, camera: Camera, place: Place, plan: Plan, reference: Reference
) -> JointMeasure:
    """Gap at three stations, taper, pitch error and skew of one joint, each with its budget."""
    inner, outer = joint.ends_mm
    frame, height = frame_of(joint), plan.thickness_mm

    def line_px(offset: float, slope: float) -> LinePx:
        points = frame.to_ring(np.array([inner, outer]), offset + slope * np.array([inner, outer]))
        ends = camera.project_plane(points, height)
        return (float(ends[0, 0]), float(ends[0, 1])), (float(ends[1, 0]), float(ends[1, 1]))

    if joint.face_a is None or joint.face_b is None:
        unknown = Unknown(joint.reason or "it could not be measured")
        angle = clockwise_deg(joint.middle_mm - place.centre_mm) % 360.0
        return JointMeasure(
            joint.number,
            angle,
            joint.kind,
            False,
            unknown,
            unknown,
            unknown,
            unknown,
            unknown,
            unknown,
            joint.blocked_mm,
            None,
            line_px(0.0, 0.0),
            joint.doubts,
            joint.reason,
            joint.by_hand,
        )
    line = joint_line(joint)
    out = line.point_mm - place.centre_mm
    angle = clockwise_deg(out)
    radius = float(np.hypot(*out))
    side = float(np.degrees(np.sqrt(_across_variance(joint)) / radius))
    off_centre = float(np.degrees(place.centre_standard_mm / radius))
    pitch = measured(
        wrapped_deg(angle - place.comb_deg - (joint.number - 1) * plan.pitch_deg),
        {"edge fit": side, **reference.parts("pitch_deg"), "the ring's own centre": off_centre},
    )
    skew = measured(
        wrapped_deg(-line.direction_deg - clockwise_deg(out) + 90.0),
        {
            "edge fit": line.direction_standard_deg,
            **reference.parts("skew_deg"),
            "the ring's own centre": off_centre,
            # What turns one of the faces turns the line between them by half as much.
            **{part.name: 0.5 * part.standard for part in joint.taper_budget},
        },
    )
    stations = (inner, 0.5 * (inner + outer), outer)
    gaps = [_gap(joint, station, reference) for station in stations]
    return JointMeasure(
        joint.number,
        angle % 360.0,
        joint.kind,
        True,
        gaps[0],
        gaps[1],
        gaps[2],
        _taper(joint, reference),
        pitch,
        skew,
        joint.blocked_mm,
        (
            line_px(joint.face_a.offset_mm, joint.face_a.slope),
            line_px(joint.face_b.offset_mm, joint.face_b.slope),
        ),
        line_px(
            0.5 * (joint.face_a.offset_mm + joint.face_b.offset_mm),
            0.5 * (joint.face_a.slope + joint.face_b.slope),
        ),
        joint.doubts,
        joint.reason,
        joint.by_hand,
    )


def _gap(joint: JointFaces, station_mm: float, reference: Reference) -> Measured:
    """Distance of the faces square to the joint line at u = station."""
    assert joint.face_a is not None and joint.face_b is not None
    a, b = joint.face_a, joint.face_b
    turn = 0.5 * (np.arctan(a.slope) + np.arctan(b.slope))
    gap = (b.offset_mm - a.offset_mm + (b.slope - a.slope) * station_mm) * float(np.cos(turn))
    lever = np.array([-1.0, -station_mm, 1.0, station_mm])
    noise = float(np.sqrt(max(lever @ joint.covariance @ lever, 0.0)))
    length = joint.ends_mm[1] - joint.ends_mm[0]
    away = abs(station_mm - sum(joint.ends_mm) / 2.0)
    taper = float(np.sqrt(sum(part.standard**2 for part in joint.taper_budget)))
    budget = (
        Contribution("edge fit", noise),
        *(Contribution(name, abs(gap) * part) for name, part in reference.parts("scale").items()),
        Contribution("along the joint", float(np.radians(taper)) * away if length > 0 else 0.0),
        *joint.gap_budget,
    )
    spread = 2.0 * float(np.sqrt(sum(part.standard**2 for part in budget)))
    if joint.below_mm is not None or (joint.kind == "closed" and gap < spread):
        return Below(max(gap, 0.0) + spread, budget)
    return Value(gap, budget)


def _taper(joint: JointFaces, reference: Reference) -> Value:
    """Signed angle between the faces, + when wider outside."""
    assert joint.face_a is not None and joint.face_b is not None
    taper = float(np.degrees(np.arctan(joint.face_b.slope) - np.arctan(joint.face_a.slope)))
    lever = np.array([0.0, -1.0, 0.0, 1.0])
    noise = float(np.degrees(np.sqrt(max(lever @ joint.covariance @ lever, 0.0))))
    return Value(
        taper,
        (
            Contribution("edge fit", noise),
            *(Contribution(name, part) for name, part in reference.parts("taper_deg").items()),
            *joint.taper_budget,
        ),
    )


def _across_variance(joint: JointFaces) -> float:
    """Variance of the joint line's place across itself, at its middle, mm^2."""
    middle = sum(joint.ends_mm) / 2.0
    lever = 0.5 * np.array([1.0, middle, 1.0, middle])
    one_edge = sum(part.standard**2 for part in joint.gap_budget) / 4.0
    return max(float(lever @ joint.covariance @ lever), 0.0) + one_edge
