"""The true shape of a drawn ring: every face and edge, with its faults, and what a perfect rule would read.

Ring frame as in the truth files: mm, origin at the ring's centre, x right, y up, angles anticlockwise;
joint k lies between segment k - 1 (which ends with face A) and segment k (which starts with face B).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.plan import Plan

Array = NDArray[np.float64]

_ARC_STEP_DEG = 0.2


@dataclass(frozen=True)
class Filling:
    """Something in a joint: resin or glue along all of it, or a block of glue or wood in part of it.

    Attributes
    ----------
    kind : "resin", "glue" or "spacer"
    radii_mm : (float, float) or None
        Where a block begins and ends; None fills the joint.
    colour : (float, float, float)
        Linear red, green, blue.
    sunk_mm : float
        How far its surface lies below the ring's top face.
    rim_mm, rim_shade : float
        Width of the strip beside each face (the meniscus), and its brightness over the rest.
    gloss : float
        Light of a reflected window laid over it, 0..1.
    """

    kind: Literal["resin", "glue", "spacer"] = "resin"
    radii_mm: tuple[float, float] | None = None
    colour: tuple[float, float, float] = (0.03, 0.09, 0.35)
    sunk_mm: float = 0.0
    rim_mm: float = 0.05
    rim_shade: float = 0.7
    gloss: float = 0.0


@dataclass(frozen=True, eq=False)
class Faults:
    """What differs from the plan: arrays of shape (N,), per joint or per segment.

    ``gap_mm`` and ``taper_deg`` are whole values, not differences from nominal. ``pitch_deg`` moves a
    joint's middle round the ring, ``skew_deg`` turns its line. ``radial_mm`` moves a segment's edges
    outward, ``twist_deg`` turns them about their middle, ``height_mm`` is added to its top.
    """

    gap_mm: Array
    taper_deg: Array
    pitch_deg: Array
    skew_deg: Array
    radial_mm: Array
    twist_deg: Array
    height_mm: Array
    missing: frozenset[int] = frozenset()
    fillings: Mapping[int, Filling] = field(default_factory=dict)
    squeeze_out: frozenset[int] = frozenset()


def no_faults(plan: Plan) -> Faults:
    """The ring exactly as planned."""
    nil = np.zeros(plan.segments)
    gap = 0.0 if plan.joint == "closed" else plan.gap_mm
    taper = plan.gap_deg if plan.joint == "tapered" else 0.0
    return Faults(nil + gap, nil + taper, nil, nil, nil, nil, nil)


def usual_faults(
    plan: Plan, rng: np.random.Generator, spread: float = 1.0, height_mm: float = 0.05
) -> Faults:
    """Errors as a careful maker leaves them, times ``spread``; no gap is ever negative."""
    count = plan.segments
    ideal = no_faults(plan)

    def scatter(sigma: float) -> Array:
        return np.clip(rng.normal(0.0, sigma, count), -2.5 * sigma, 2.5 * sigma)

    if plan.joint == "closed":
        gap = np.abs(scatter(0.06 * spread)) + 0.01
        taper = scatter(0.08 * spread)
    else:
        gap = ideal.gap_mm + scatter(0.12 * spread)
        taper = ideal.taper_deg + scatter(0.15 * spread)
    widest = 0.95 * np.degrees(2.0 * np.maximum(gap, 0.005) / plan.width_mm)
    return Faults(
        gap_mm=np.maximum(gap, 0.005),
        taper_deg=np.clip(taper, -widest, widest),
        pitch_deg=scatter(0.03 * spread),
        skew_deg=scatter(0.08 * spread),
        radial_mm=scatter(0.12 * spread),
        twist_deg=scatter(0.08 * spread),
        height_mm=scatter(height_mm),
    )


@dataclass(frozen=True, eq=False)
class Face:
    """A segment's face: its inner and outer corner in plan, mm."""

    inner: Array
    outer: Array


@dataclass(frozen=True, eq=False)
class Segment:
    """One segment: its faces (start and end, anticlockwise), its edges in plan, its top's height."""

    index: int
    present: bool
    start: Face
    end: Face
    outer_edge: Array
    inner_edge: Array
    top_mm: float

    @property
    def outline(self) -> Array:
        """The top face, shape (n, 2), anticlockwise from the start face's inner corner."""
        return np.concatenate([self.inner_edge[:1], self.outer_edge, self.inner_edge[:0:-1]])

    def normal(self, side: int) -> Array:
        """Outward unit normal in plan of the start face (``side`` 1) or of the end face (-1)."""
        face = self.start if side > 0 else self.end
        along = _unit(face.outer - face.inner)
        return side * np.array([along[1], -along[0]])


@dataclass(frozen=True, eq=False)
class Shape:
    """The whole ring."""

    plan: Plan
    faults: Faults
    first_deg: float
    segments: tuple[Segment, ...]

    def faces(self, joint: int) -> tuple[Segment, Segment, Face, Face]:
        """The segments before and after a joint, its face A and its face B."""
        before, after = self.segments[joint - 1], self.segments[joint]
        return before, after, before.end, after.start


def build(plan: Plan, faults: Faults, first_deg: float) -> Shape:
    """Build the ring with joint 0 at ``first_deg``, anticlockwise from +x."""
    pitch = plan.pitch_deg
    segments = []
    for index in range(plan.segments):
        start = _face_line(plan, faults, first_deg, index, 1.0)
        end = _face_line(plan, faults, first_deg, (index + 1) % plan.segments, -1.0)
        middle = first_deg + (index + 0.5) * pitch
        edges = [
            _edge(plan, distance, faults.radial_mm[index], middle, faults.twist_deg[index], start, end)
            for distance in (plan.outer_mm, plan.inner_mm)
        ]
        segments.append(
            Segment(
                index,
                index not in faults.missing,
                Face(edges[1][0], edges[0][0]),
                Face(edges[1][-1], edges[0][-1]),
                edges[0],
                edges[1],
                plan.thickness_mm + float(faults.height_mm[index]),
            )
        )
    return Shape(plan, faults, first_deg, tuple(segments))


Line = tuple[Array, Array]


def _face_line(plan: Plan, faults: Faults, first_deg: float, joint: int, side: float) -> Line:
    """A point and the outward direction of face B (side 1) or A (side -1) of a joint."""
    stand = np.radians(first_deg + joint * plan.pitch_deg + faults.pitch_deg[joint])
    turn = stand + np.radians(faults.skew_deg[joint])
    outward = np.array([np.cos(turn), np.sin(turn)])
    anticlockwise = np.array([-outward[1], outward[0]])
    middle = plan.middle_radius_mm * np.array([np.cos(stand), np.sin(stand)])
    angle = turn + side * np.radians(faults.taper_deg[joint]) / 2.0
    return middle + side * faults.gap_mm[joint] / 2.0 * anticlockwise, np.array(
        [np.cos(angle), np.sin(angle)]
    )


def _edge(
    plan: Plan, distance: float, radial: float, middle_deg: float, twist_deg: float, start: Line, end: Line
) -> Array:
    """An outer or inner edge from the start face to the end face, shape (n, 2)."""
    middle = np.radians(middle_deg)
    centre = radial * np.array([np.cos(middle), np.sin(middle)])
    if plan.outline == "polygon":
        normal = np.array([np.cos(middle + np.radians(twist_deg)), np.sin(middle + np.radians(twist_deg))])
        foot = (distance + radial) * np.array([np.cos(middle), np.sin(middle)])
        return np.stack([p + u * ((foot - p) @ normal) / (u @ normal) for p, u in (start, end)])
    angles = []
    for point, outward in (start, end):
        shifted = point - centre
        along = -(shifted @ outward) + np.sqrt((shifted @ outward) ** 2 - shifted @ shifted + distance**2)
        corner = shifted + along * outward
        angles.append(np.arctan2(corner[1], corner[0]))
    sweep = (angles[1] - angles[0]) % (2.0 * np.pi)
    count = int(np.ceil(np.degrees(sweep) / _ARC_STEP_DEG)) + 1
    angle = angles[0] + np.linspace(0.0, sweep, count)
    return np.asarray(centre + distance * np.stack([np.cos(angle), np.sin(angle)], axis=1))


def read_joint(shape: Shape, joint: int) -> dict[str, Any]:
    """What a truth file says of a joint: both faces seen in plan, gaps square to their bisector."""
    before, after, face_a, face_b = shape.faces(joint)
    faults = shape.faults
    filling = faults.fillings.get(joint)
    full = filling is not None and filling.radii_mm is None
    block = filling if filling is not None and not full else None
    missing = not (before.present and after.present)
    inside, middle, outside, taper, direction, centre = gap_stations(face_a, face_b)
    skew = (direction - np.degrees(np.arctan2(centre[1], centre[0])) + 180.0) % 360.0 - 180.0

    def corners(face: Face, segment: Segment) -> dict[str, Any]:
        return {"segment": segment.index, "inner_mm": face.inner.tolist(), "outer_mm": face.outer.tolist()}

    return {
        "index": joint,
        "angle_deg": float(np.degrees(np.arctan2(centre[1], centre[0])) % 360.0),
        "gap_inner_mm": None if missing else inside,
        "gap_mid_mm": None if missing else middle,
        "gap_outer_mm": None if missing else outside,
        "taper_deg": None if missing else taper,
        "skew_deg": None if missing else float(skew),
        "face_A": corners(face_a, before),
        "face_B": corners(face_b, after),
        "blocked": list(block.radii_mm) if block and block.radii_mm else None,
        "blocked_by": block.kind if block else None,
        "squeeze_out": joint in faults.squeeze_out,
        "filled": filling.kind if filling is not None and full else None,
        "missing_neighbour": missing,
    }


def gap_stations(face_a: Face, face_b: Face) -> tuple[float, float, float, float, float, Array]:
    """Gap inside, middle and outside, taper and direction of the bisector (degrees), and its middle (mm)."""
    along_a, along_b = (_unit(face.outer - face.inner) for face in (face_a, face_b))
    u = _unit(along_a + along_b)
    v = np.array([-u[1], u[0]])
    origin = (face_a.inner + face_a.outer + face_b.inner + face_b.outer) / 4.0

    def across(face: Face, along: Array, station: float) -> float:
        offset = face.inner - origin
        return float(offset @ v + (station - offset @ u) * (along @ v) / (along @ u))

    ends = (
        max(float((face.inner - origin) @ u) for face in (face_a, face_b)),
        min(float((face.outer - origin) @ u) for face in (face_a, face_b)),
    )
    stations = (ends[0], sum(ends) / 2.0, ends[1])
    places = [(across(face_a, along_a, s), across(face_b, along_b, s)) for s in stations]
    inside, middle, outside = (b - a for a, b in places)
    taper = float(
        np.degrees(np.arctan2(along_a[0] * along_b[1] - along_a[1] * along_b[0], along_a @ along_b))
    )
    centre = origin + stations[1] * u + sum(places[1]) / 2.0 * v
    return inside, middle, outside, taper, float(np.degrees(np.arctan2(u[1], u[0]))), centre


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.hypot(*vector))
