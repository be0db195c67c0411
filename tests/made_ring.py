"""Make measurements of rings whose errors are known, without a photo.

Everything that is not asked for is exactly nominal, with the uncertainty of a good photo.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from lightgap.camera import Camera
from lightgap.judge import outer_length_mm
from lightgap.measure import JointMeasure, LinePx, Measurement, RingMeasure, SegmentMeasure
from lightgap.plan import Plan, Tolerance
from lightgap.reference.found import CardFound, PoseUncertainty, Reference
from lightgap.report import Report, make_report
from lightgap.values import Measured, Value, measured

U_GAP_MM = 0.03
U_ANGLE_DEG = 0.06
PX_PER_MM = 4.0
PHOTO_SIZE = (1400, 1200)

CLOSED = Tolerance(gap_mm=0.15, taper_deg=0.3, mitre_deg=0.2, included_angle_deg=0.3, radial_offset_mm=0.4)
SPACED = Tolerance(gap_mm=0.2, taper_deg=0.3, pitch_error_deg=0.2, mitre_deg=0.2, radial_offset_mm=0.4)


def make_plan(**changes: Any) -> Plan:
    """A closed ring of 12 segments, 220 mm across flats, unless asked otherwise."""
    style = changes.get("joint", "closed")
    defaults: dict[str, Any] = {
        "segments": 12,
        "joint": "closed",
        "across_flats_mm": 220.0,
        "width_mm": 38.0,
        "thickness_mm": 20.0,
        "gap_mm": 0.0 if style == "closed" else 3.0,
        "tolerance": CLOSED if style == "closed" else SPACED,
    }
    return Plan(**{**defaults, **changes})


def mm(value: float, u95: float = U_GAP_MM) -> Value:
    """A length with its U, half of the variance from each of two contributions."""
    return _split(value, u95)


def deg(value: float, u95: float = U_ANGLE_DEG) -> Value:
    """An angle with its U."""
    return _split(value, u95)


def _split(value: float, u95: float) -> Value:
    part = u95 / 2.0 / math.sqrt(2.0)
    return measured(value, {"edge fit": part, "tone curve": part})


def make_joint(plan: Plan, number: int, **changes: Any) -> JointMeasure:
    """One joint as planned. ``gap`` = (inside, middle, outside) sets the gaps and the taper with them."""
    inner, outer = plan.joint_radii_mm
    spread = math.tan(math.radians(plan.gap_deg) / 2.0) * (outer - inner)
    gaps = changes.pop("gap", (plan.gap_mm - spread, plan.gap_mm, plan.gap_mm + spread))
    taper = 2.0 * math.degrees(math.atan((gaps[2] - gaps[0]) / 2.0 / (outer - inner)))
    angle = (number - 1) * plan.pitch_deg + 3.0
    joint = JointMeasure(
        number=number,
        angle_deg=angle,
        kind="closed" if plan.joint == "closed" else "open",
        found=True,
        gap_inside_mm=mm(gaps[0]),
        gap_middle_mm=mm(gaps[1]),
        gap_outside_mm=mm(gaps[2]),
        taper_deg=deg(taper),
        pitch_error_deg=deg(0.0),
        skew_deg=deg(0.0),
        blocked_mm=None,
        faces_px=(_line(plan, angle, -gaps[0], -gaps[2]), _line(plan, angle, gaps[0], gaps[2])),
        place_px=_line(plan, angle, 0.0, 0.0),
    )
    return replace(joint, **changes)


def _line(plan: Plan, angle_deg: float, inside_mm: float, outside_mm: float) -> LinePx:
    """A face at half of ``inside_mm`` and ``outside_mm`` clockwise from the joint line, in pixels."""
    outward = np.array([math.sin(math.radians(angle_deg)), -math.cos(math.radians(angle_deg))])
    clockwise = np.array([-outward[1], outward[0]])
    centre = np.array(PHOTO_SIZE) / 2.0
    inner, outer = (
        centre + PX_PER_MM * (radius * outward + offset / 2.0 * clockwise)
        for radius, offset in zip(plan.joint_radii_mm, (inside_mm, outside_mm), strict=True)
    )
    return (float(inner[0]), float(inner[1])), (float(outer[0]), float(outer[1]))


def make_segment(plan: Plan, number: int, **changes: Any) -> SegmentMeasure:
    """One segment as planned. ``start`` and ``end`` are errors of its two mitres."""
    start, end = changes.pop("start", 0.0), changes.pop("end", 0.0)
    nominal = (plan.pitch_deg - plan.gap_deg) / 2.0
    first = _line(plan, (number - 1) * plan.pitch_deg + 3.0, 0.0, 0.0)[1]
    last = _line(plan, number * plan.pitch_deg + 3.0, 0.0, 0.0)[1]
    segment = SegmentMeasure(
        number=number,
        present=True,
        included_angle_deg=deg(2.0 * nominal + start + end),
        mitre_start_deg=deg(nominal + start),
        mitre_end_deg=deg(nominal + end),
        outer_length_mm=mm(outer_length_mm(plan), 0.1),
        radial_offset_mm=mm(0.0, 0.1),
        twist_deg=deg(0.0),
        outer_edge_px=(first, last) if changes.get("present", True) else None,
    )
    return replace(segment, **changes)


def make_measurement(
    plan: Plan,
    joints: dict[int, dict[str, Any]] | None = None,
    segments: dict[int, dict[str, Any]] | None = None,
    ring: dict[str, Measured] | None = None,
    notes: tuple[str, ...] = (),
) -> Measurement:
    """A whole ring as planned but for the changes given by joint, by segment and for the ring."""
    numbers = range(1, plan.segments + 1)
    whole = RingMeasure(
        size_mm=mm(plan.across_flats_mm, 0.3),
        out_of_round_mm=mm(0.1, 0.06),
        out_of_round_minimum_zone_mm=mm(0.09, 0.06),
        inner_offset_mm=mm(0.05, 0.1),
        closure_deg=deg(0.0, 0.2),
        mean_gap_mm=mm(plan.gap_mm, 0.02),
        centre_px=(PHOTO_SIZE[0] / 2.0, PHOTO_SIZE[1] / 2.0),
    )
    return Measurement(
        ring=replace(whole, **(ring or {})),
        joints=tuple(make_joint(plan, number, **(joints or {}).get(number, {})) for number in numbers),
        segments=tuple(make_segment(plan, number, **(segments or {}).get(number, {})) for number in numbers),
        mm_per_px=1.0 / PX_PER_MM,
        notes=notes,
    )


def make_reference(**changes: Any) -> Reference:
    """Four cards seen from straight above."""
    upright = np.diag([1.0, -1.0, -1.0])
    camera = Camera(3000.0, np.array(PHOTO_SIZE) / 2.0, upright, np.array([0.0, 0.0, 750.0]))
    values = [field for field in PoseUncertainty.__dataclass_fields__ if field != "scale"]
    uncertainty = PoseUncertainty(scale=0.001, **dict.fromkeys(values, 0.01))
    cards = tuple(CardFound(number, True, None, ((0.0, 0.0),) * 4) for number in range(4))
    return replace(Reference("cards", camera, uncertainty, 0.05, "4 cards", cards), **changes)


def make_report_of(plan: Plan, measurement: Measurement, **reference: Any) -> Report:
    """Judge it and put it into a report."""
    return make_report("ring.jpg", PHOTO_SIZE, plan, make_reference(**reference), measurement, 1.234)


def faulty_report(**changes: Any) -> Report:
    """Segment 7's end face is 0.45 degrees off, so that joint 8 stands open at the outside."""
    plan = make_plan(**changes)
    return make_report_of(
        plan,
        make_measurement(
            plan,
            joints={8: {"gap": (0.02, 0.19, 0.36)}},
            segments={7: {"end": -0.52}},
        ),
    )
