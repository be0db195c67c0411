"""The sides of the ring's figure: where each segment's outer and inner edge should run.

Frame of a side: ``along`` runs clockwise round the ring from the side's own middle (on the arc, for a
round outline), ``out`` square to it, away from the wood: outward at an outer edge, towards the centre
at an inner one; mm on the top face.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.place import Outline

Array = NDArray[np.float64]
SideKind = Literal["outer", "inner"]

_MARGIN_MM = 1.2
_MARGIN_SHARE = 0.02
"""Left out at each end of a side: the joint, a chipped corner, glue."""


@dataclass(frozen=True, eq=False)
class Sides:
    """All outer or all inner sides of the segments that are there, clockwise.

    Attributes
    ----------
    kind : SideKind
    numbers : ndarray of int, shape (S,)
        Segment numbers.
    normal_rad : ndarray, shape (S,)
        Direction of each side's outward normal, anticlockwise from +x.
    distance_mm : float
        Of the nominal edge from the ring's centre.
    middle_mm, half_mm : ndarray, shape (S,)
        Where the part to be fitted has its middle (clockwise from the normal's foot), and half its length.
    round : bool
    """

    kind: SideKind
    numbers: NDArray[np.intp]
    normal_rad: Array
    distance_mm: float
    middle_mm: Array
    half_mm: Array
    round: bool

    @property
    def away(self) -> float:
        """+1 where ``out`` leads away from the ring's centre, -1 where it leads to it."""
        return 1.0 if self.kind == "outer" else -1.0

    def place(self, side: NDArray[np.intp], along_mm: Array, out_mm: Array) -> Array:
        """Side frame to ring frame; the three broadcast to one shape (...), the result is (..., 2)."""
        normal, along = self.normal_rad[side], self.middle_mm[side] + along_mm
        distance = self.distance_mm + self.away * out_mm
        if self.round:
            angle = normal - along / self.distance_mm
            return np.stack([distance * np.cos(angle), distance * np.sin(angle)], axis=-1)
        cos, sin = np.cos(normal), np.sin(normal)
        return np.stack([distance * cos + along * sin, distance * sin - along * cos], axis=-1)

    def direction_deg(self, side: int, slope: float) -> float:
        """Direction, from +x, of a line with ``out = slope * along``, going clockwise."""
        turn = self.middle_mm[side] / self.distance_mm if self.round else 0.0
        clockwise = self.normal_rad[side] - turn - np.pi / 2.0
        degrees = np.degrees(clockwise + self.away * np.arctan(slope))
        return float((degrees + 180.0) % 360.0 - 180.0)

    def wall_mm(self, camera: Camera, height_mm: float) -> Array:
        """Width of each side's own wall as seen beside its arris, on the plane of the top face, (S,).

        The wall's foot lies under the arris on the bench; seen from the camera it appears on the top
        plane drawn towards the camera's foot point. Negative where the wood hides the wall.
        """
        normal = np.stack([np.cos(self.normal_rad), np.sin(self.normal_rad)], axis=-1)
        reach = self.distance_mm - normal @ camera.foot_mm[:2]
        return np.asarray(-self.away * reach * height_mm / camera.foot_mm[2])


def find_sides(outline: Outline, comb: Comb, plan: Plan, kind: SideKind) -> Sides:
    """Lay the sides by the comb: it places the ring's turn better than the outline does."""
    distance = outline.outer_mm if kind == "outer" else outline.inner_mm
    numbers = np.array([n for n in range(1, plan.segments + 1) if n not in comb.missing_segments], np.intp)
    normal_rad = _first_joint_rad(comb, plan) - np.radians((numbers - 0.5) * plan.pitch_deg)
    ends = np.empty((len(numbers), 2))
    for row, (number, normal) in enumerate(zip(numbers, normal_rad, strict=True)):
        start, end = comb.teeth[number - 1], comb.teeth[number % plan.segments]
        round_ = plan.outline == "round"
        ends[row, 0] = _crossing(start, normal, distance, round_) + start.gap_mm / 2.0
        ends[row, 1] = _crossing(end, normal, distance, round_) - end.gap_mm / 2.0
    length = ends[:, 1] - ends[:, 0]
    half = np.maximum(length / 2.0 - _MARGIN_MM - _MARGIN_SHARE * length, 0.3 * np.abs(length))
    return Sides(kind, numbers, normal_rad, distance, ends.mean(axis=1), half, plan.outline == "round")


def _first_joint_rad(comb: Comb, plan: Plan) -> float:
    """Direction of joint 1 of the even spacing that fits all joints best."""
    turns = [
        np.arctan2(tooth.middle_mm[1], tooth.middle_mm[0]) + np.radians((tooth.number - 1) * plan.pitch_deg)
        for tooth in comb.teeth
    ]
    return float(np.angle(np.mean(np.exp(1j * np.array(turns)))))


def _crossing(tooth: Tooth, normal_rad: float, distance_mm: float, round_: bool) -> float:
    """Where a joint's line meets the side, mm clockwise from the normal's foot."""
    normal = np.array([np.cos(normal_rad), np.sin(normal_rad)])
    clockwise = np.array([normal[1], -normal[0]])
    angle = np.radians(tooth.direction_deg)
    line = np.array([np.cos(angle), np.sin(angle)])
    if round_:
        middle_along = float(tooth.middle_mm @ line)
        to_edge = distance_mm**2 - float(tooth.middle_mm @ tooth.middle_mm) + middle_along**2
        point = tooth.middle_mm + (np.sqrt(max(to_edge, 0.0)) - middle_along) * line
        return float(distance_mm * np.arctan2(point @ clockwise, point @ normal))
    point = tooth.middle_mm + (distance_mm - tooth.middle_mm @ normal) / (line @ normal) * line
    return float(point @ clockwise)
