"""A ring whose faces and edges are known exactly, as the fits would hand them to the measuring.

All in the program's own frame and order: clockwise from joint 1, whose joint line stands ``first_deg``
clockwise from 12 o'clock; segment k lies between joint k and joint k + 1. Nothing here is drawn, and no
formula of the measuring is used: faces and edges are lines through points, turned by angles.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flat_scene import look_down
from lightgap.faces.joint import FaceLine, JointFaces
from lightgap.faces.strip import JointFrame
from lightgap.measure import Measurement
from lightgap.measure.measuring import measure
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.edges import EdgeLine, SegmentEdges
from lightgap.ring.place import Outline
from lightgap.values import Contribution
from made_ring import make_reference

Array = NDArray[np.float64]

EDGE_STANDARD_MM, EDGE_STANDARD_DEG = 0.02, 0.03
FACE_STANDARD_MM, FACE_STANDARD = 0.01, 0.001


@dataclass(frozen=True)
class ExactRing:
    """What differs from the plan, by number from 1; everything else is exactly nominal.

    ``gap_mm`` and ``taper_deg`` are whole values; ``pitch_deg`` moves a joint clockwise, ``skew_deg``
    turns its line clockwise about its middle; ``radial_mm`` moves a segment's outer and inner edge
    outward, ``twist_deg`` turns them clockwise about their middle. ``centre_mm`` is where the whole ring
    lies in the frame, ``inner_shift_mm`` moves the inner edges alone.
    """

    plan: Plan
    first_deg: float = 7.0
    gap_mm: dict[int, float] = field(default_factory=dict)
    taper_deg: dict[int, float] = field(default_factory=dict)
    pitch_deg: dict[int, float] = field(default_factory=dict)
    skew_deg: dict[int, float] = field(default_factory=dict)
    radial_mm: dict[int, float] = field(default_factory=dict)
    twist_deg: dict[int, float] = field(default_factory=dict)
    centre_mm: tuple[float, float] = (0.0, 0.0)
    inner_shift_mm: tuple[float, float] = (0.0, 0.0)
    missing: tuple[int, ...] = ()
    below_mm: dict[int, float] = field(default_factory=dict)
    gap_budget: tuple[Contribution, ...] = (Contribution("tone curve", 0.015),)
    taper_budget: tuple[Contribution, ...] = (Contribution("tone curve", 0.02),)
    noise: float = 1.0

    @property
    def numbers(self) -> range:
        return range(1, self.plan.segments + 1)

    def joint(self, number: int) -> JointFaces:
        """Joint k's faces, in a frame that lies a little beside and aslant of its line."""
        plan = self.plan
        stand = self.first_deg + (number - 1) * plan.pitch_deg + self.pitch_deg.get(number, 0.0)
        middle = plan.middle_radius_mm * outward(stand)
        line_deg = stand + self.skew_deg.get(number, 0.0)
        half = 0.5 * self.gap_mm.get(number, plan.gap_mm)
        turn = 0.5 * self.taper_deg.get(number, plan.gap_deg)
        frame = JointFrame(
            middle + self._centre + np.array([0.12, -0.08]), 90.0 - line_deg - 0.3, plan.thickness_mm
        )
        faces = [
            seen_from(
                frame, middle + self._centre + side * half * outward(line_deg + 90.0), line_deg + side * turn
            )
            for side in (-1.0, 1.0)
        ]
        length = plan.joint_radii_mm[1] - plan.joint_radii_mm[0]
        along, _ = frame.from_ring(middle + self._centre)
        standard = np.array([FACE_STANDARD_MM, FACE_STANDARD] * 2)
        beside_missing = {number, (number - 2) % plan.segments + 1} & set(self.missing)
        return JointFaces(
            number=number,
            kind="closed" if plan.joint == "closed" else "open",
            middle_mm=frame.middle_mm,
            direction_deg=frame.direction_deg,
            face_a=None if beside_missing else faces[0],
            face_b=None if beside_missing else faces[1],
            ends_mm=(float(along) - length / 2.0, float(along) + length / 2.0),
            covariance=np.diag((self.noise * standard) ** 2),
            gap_budget=self.gap_budget,
            taper_budget=self.taper_budget,
            below_mm=self.below_mm.get(number),
            reason=f"segment {min(beside_missing)} beside it is missing" if beside_missing else None,
        )

    def edges(self, number: int) -> SegmentEdges:
        if number in self.missing:
            return SegmentEdges(number, None, None)
        plan = self.plan
        middle_deg = self.first_deg + (number - 0.5) * plan.pitch_deg
        radial = self.radial_mm.get(number, 0.0)
        direction = -middle_deg - self.twist_deg.get(number, 0.0)
        outer, inner = (
            EdgeLine(
                (distance + radial) * outward(middle_deg) + self._centre + shift,
                direction,
                self.noise * EDGE_STANDARD_MM,
                self.noise * EDGE_STANDARD_DEG,
                1.0,
            )
            for distance, shift in (
                (plan.outer_mm, np.zeros(2)),
                (plan.inner_mm, np.array(self.inner_shift_mm)),
            )
        )
        return SegmentEdges(number, outer, inner)

    @property
    def _centre(self) -> Array:
        return np.array(self.centre_mm)

    @property
    def outline(self) -> Outline:
        """Seen from somewhat aslant."""
        camera = look_down(8.0, towards_deg=30.0, k1=0.01).upright_at([0.0, 0.0], self.plan.thickness_mm)
        return Outline(camera, self.plan.outer_mm, self.plan.inner_mm, 0.0, 4.0)

    @property
    def comb(self) -> Comb:
        teeth = []
        for number in self.numbers:
            joint = self.joint(number)
            found = joint.face_a is not None
            teeth.append(Tooth(number, joint.middle_mm, joint.direction_deg, self.plan.gap_mm, found, 10.0))
        return Comb(tuple(teeth), self.missing)

    def measured(self, reference: Reference | None = None) -> Measurement:
        """Put it through the measuring."""
        joints = tuple(self.joint(number) for number in self.numbers)
        edges = tuple(self.edges(number) for number in self.numbers)
        return measure(self.outline, self.comb, edges, joints, self.plan, reference or make_reference())


def outward(clockwise_deg: float) -> Array:
    """Unit vector at an angle clockwise from 12 o'clock."""
    angle = np.radians(clockwise_deg)
    return np.array([np.sin(angle), np.cos(angle)])


def seen_from(frame: JointFrame, point_mm: Array, clockwise_deg: float) -> FaceLine:
    """A line through a point, in the joint frame."""
    u, v = frame.from_ring(np.stack([point_mm, point_mm + outward(clockwise_deg)]))
    slope = float((v[1] - v[0]) / (u[1] - u[0]))
    return FaceLine(float(v[0] - slope * u[0]), slope)
