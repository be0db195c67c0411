"""Fitted faces and edges in, the values of the report out."""

from __future__ import annotations

from lightgap.faces.joint import JointFaces
from lightgap.measure import Measurement
from lightgap.measure.joints import measure_joint
from lightgap.measure.place import find_place
from lightgap.measure.ring import measure_ring
from lightgap.measure.segments import measure_segment
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.ring.comb import Comb
from lightgap.ring.edges import SegmentEdges
from lightgap.ring.outline import Outline


def measure(
    outline: Outline,
    comb: Comb,
    edges: tuple[SegmentEdges, ...],
    joints: tuple[JointFaces, ...],
    plan: Plan,
    reference: Reference,
) -> Measurement:
    """Turn fitted faces and edges into the values of the report, each with its budget.

    Parameters
    ----------
    joints : tuple of JointFaces
        Clockwise from joint 1.
    """
    place = find_place(edges, joints, plan)
    by_number = {item.number: item for item in edges}
    measured_joints = tuple(measure_joint(joint, outline.camera, place, plan, reference) for joint in joints)
    segments = tuple(
        measure_segment(
            number,
            number not in comb.missing_segments,
            by_number.get(number),
            joints[number - 1],
            joints[number % plan.segments],
            outline.camera,
            place,
            plan,
            reference,
        )
        for number in range(1, plan.segments + 1)
    )
    ring = measure_ring(edges, measured_joints, segments, outline.camera, place, plan, reference)
    mm_per_px = 1.0 / outline.camera.px_per_mm([0.0, 0.0], plan.thickness_mm)
    return Measurement(ring, measured_joints, segments, mm_per_px)
