"""Read the truth beside a rendered photograph, in the program's own words and frames.

A truth file numbers joints anticlockwise and calls the face that ends a segment (going anticlockwise)
A; the program numbers clockwise, so its face A is the truth's face B, and the other way round.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.place import Outline

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TrueJoint:
    """One joint as it is; lengths in mm, angles in degrees.

    ``face_a_px`` and ``face_b_px`` have shape (2, 2): inner and outer end, pixels of the upright photo.
    """

    gap_inside_mm: float
    gap_middle_mm: float
    gap_outside_mm: float
    taper_deg: float
    pitch_error_deg: float
    skew_deg: float
    face_a_px: Array
    face_b_px: Array
    middle_px: Array
    filled: str | None
    blocked_mm: tuple[float, float] | None
    squeeze_out: bool
    missing_neighbour: bool
    raw: dict[str, Any]


@dataclass(frozen=True, eq=False)
class TrueSegment:
    """One segment as it is, seen in plan; start and end are clockwise, as the program counts."""

    present: bool
    included_angle_deg: float
    mitre_start_deg: float
    mitre_end_deg: float
    outer_length_mm: float
    radial_offset_mm: float
    twist_deg: float


@dataclass(frozen=True, eq=False)
class Truth:
    """A photograph's truth; ``camera`` is in the truth's own ring frame.

    ``segments[k]`` lies clockwise after ``joints[k]``.
    """

    photo: Path
    plan: Plan
    measured_outer_mm: float | None
    reference: str
    camera: Camera
    joints: tuple[TrueJoint, ...]
    raw: dict[str, Any]
    segments: tuple[TrueSegment, ...] = ()
    across_flats_mm: float = float("nan")

    @property
    def centre_px(self) -> Array:
        """The ring's centre on the top face, in pixels."""
        return self.camera.project([0.0, 0.0, self.plan.thickness_mm])

    def outline(self) -> Outline:
        """Where the ring lies, exactly."""
        plan = self.plan
        camera = self.camera.upright_at([0.0, 0.0], plan.thickness_mm)
        joint = camera.to_plane(self.joints[0].middle_px, plan.thickness_mm)
        phase = np.degrees(np.arctan2(joint[1], joint[0])) + plan.mitre_deg
        return Outline(camera, plan.outer_mm, plan.inner_mm, float(phase), 4.0)

    def comb(self, shift_mm: float = 0.0, turn_deg: float = 0.0, seed: int = 0) -> Comb:
        """The teeth, clockwise from the first at or after 12 o'clock, moved at random by up to so much."""
        rng = np.random.default_rng(seed)
        outline, height = self.outline(), self.plan.thickness_mm
        teeth = []
        for number, joint in enumerate(self.joints, 1):
            ends = outline.camera.to_plane((joint.face_a_px + joint.face_b_px) / 2.0, height)
            along = ends[1] - ends[0]
            direction = float(np.degrees(np.arctan2(along[1], along[0])))
            across = np.array([along[1], -along[0]]) / np.hypot(*along)
            middle = ends.mean(axis=0) + rng.uniform(-shift_mm, shift_mm) * across
            direction += rng.uniform(-turn_deg, turn_deg)
            gap = self.plan.gap_mm if self.plan.joint != "closed" else 0.0
            teeth.append(Tooth(number, middle, direction, gap, True, 10.0))
        return Comb(tuple(teeth))


def read_truth(path: Path) -> Truth:
    """Read NAME.json; the photograph lies beside it."""
    return truth_of(json.loads(path.read_text()), path.parent)


def truth_of(raw: dict[str, Any], folder: Path = Path()) -> Truth:
    """Understand the content of a truth file whose photograph lies in ``folder``."""
    entered = raw["user_enters"]
    style = {"closed": "closed", "parallel_gap": "spaced", "tapered_gap": "tapered"}.get(
        entered["joint_style"], entered["joint_style"]
    )
    plan = Plan(
        segments=entered["segments"],
        joint=style,
        across_flats_mm=float(entered["outer_across_flats_mm"]),
        width_mm=float(entered["width_mm"]),
        thickness_mm=float(entered["thickness_mm"]),
        gap_mm=float(entered["nominal_gap_mm"] or 0.0),
        gap_deg=float(entered["nominal_taper_deg"] or 0.0),
        outline=entered["outline"],
    )
    lens = raw["camera"]
    matrix = np.array(lens["K"], dtype=float)
    camera = Camera(
        float(matrix[0, 0]),
        matrix[:2, 2],
        np.array(lens["R"], dtype=float),
        np.array(lens["t"], dtype=float),
        float(lens["dist"][0]),
        float(lens["dist"][1]),
    )
    upright = camera.upright_at([0.0, 0.0], plan.thickness_mm)
    turned = _clockwise_deg(upright.to_plane([_middle_px(px) for px in raw["joint_px"]], plan.thickness_mm))
    order = np.argsort(turned % 360.0)
    # Joint k lies between segments k - 1 and k, anticlockwise: k - 1 is the one clockwise after it.
    corners = np.array([raw["segments"][index - 1]["polygon_mm"] for index in order], dtype=float)
    present = np.array([bool(raw["segments"][index - 1]["present"]) for index in order])
    joints = [raw["joints"][index] for index in order]
    centre, offsets, size = _outer_edges(corners, present, plan)
    middles = np.array([_middle_mm(joint) for joint in joints]) - centre
    stand = _wrapped(
        _clockwise_deg(middles) - _clockwise_deg(middles)[0] - plan.pitch_deg * np.arange(len(joints))
    )
    comb = np.median(stand) + _trimmed_mean(stand - np.median(stand))
    lines = np.array([-_bisector_deg(joint) for joint in joints])
    return Truth(
        folder / raw["photo"],
        plan,
        entered.get("measured_outer_mm"),
        raw["reference"]["kind"],
        camera,
        tuple(
            _joint(joint, raw["joint_px"][index], float(pitch), float(skew))
            for joint, index, pitch, skew in zip(
                joints, order, stand - comb, _wrapped(lines + 90.0 - _clockwise_deg(middles)), strict=True
            )
        ),
        raw,
        _segments(corners, present, offsets, _clockwise_deg(middles)[0] + comb, plan),
        size,
    )


def _clockwise_deg(vectors: Array) -> Array:
    """Angle clockwise from +y, degrees."""
    return np.asarray(np.degrees(np.arctan2(vectors[..., 0], vectors[..., 1])))


def _wrapped(degrees: Array) -> Array:
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


def _middle_px(px: dict[str, Any]) -> Array:
    ends = [px[name] for name in ("A_inner", "A_outer", "B_inner", "B_outer")]
    return np.asarray(np.mean(ends, axis=0))


def _middle_mm(raw: dict[str, Any]) -> Array:
    ends = [raw[face][end] for face in ("face_A", "face_B") for end in ("inner_mm", "outer_mm")]
    return np.asarray(np.mean(ends, axis=0))


def _bisector_deg(raw: dict[str, Any]) -> float:
    """Direction of a joint's line outward, anticlockwise from +x."""
    a, b = (np.subtract(raw[face]["outer_mm"], raw[face]["inner_mm"]) for face in ("face_A", "face_B"))
    along = a / np.hypot(*a) + b / np.hypot(*b)
    return float(np.degrees(np.arctan2(along[1], along[0])))


def _trimmed_mean(values: Array) -> float:
    """Mean of what lies within 3 robust standard deviations of zero."""
    spread = max(1.4826 * float(np.median(np.abs(values))), 1e-3)
    return float(np.mean(values[np.abs(values) <= 3.0 * spread]))


def _normals(corners: Array) -> Array:
    """Outward normals of the outer edges (chords, when round)."""
    edge = corners[:, 2] - corners[:, 1]
    return np.asarray(np.stack([edge[:, 1], -edge[:, 0]], axis=1) / np.hypot(*edge.T)[:, None])


def _outer_edges(corners: Array, present: NDArray[np.bool_], plan: Plan) -> tuple[Array, Array, float]:
    """The ring's centre, each outer edge's distance from it less the usual one, and the ring's size.

    The outer edges' distances are d = r + c . n, with n their normals. Centre c and usual distance r
    are those that most segments agree on: least squares with weights 1 / (1 + (residual / 2 s)^2), s
    the robust scatter but at least 0.02 mm, so that one segment set out of line moves neither.
    """
    normal = _normals(corners)
    if plan.outline == "round":
        distance = np.hypot(corners[:, 1:3, 0], corners[:, 1:3, 1]).mean(axis=1)
    else:
        distance = np.sum((corners[:, 1] + corners[:, 2]) / 2.0 * normal, axis=1)
    design = np.column_stack([normal, np.ones(len(corners))])
    weights = present.astype(float)
    for _ in range(10):
        root = np.sqrt(weights)
        solution = np.linalg.lstsq(design * root[:, None], distance * root, rcond=None)[0]
        rest = distance - design @ solution
        spread = max(1.4826 * float(np.median(np.abs(rest[present]))), 0.02)
        weights = present / (1.0 + (rest / (2.0 * spread)) ** 2)
    size = 2.0 * float(np.mean((distance - normal @ solution[:2])[present]))
    return solution[:2], rest, size


def _segments(
    corners: Array, present: NDArray[np.bool_], offsets: Array, comb_deg: float, plan: Plan
) -> tuple[TrueSegment, ...]:
    """Angles and edges of all segments, clockwise; ``comb_deg`` is where joint 1 of the even comb stands."""
    normal = _normals(corners)

    def lean(face: Array) -> Array:
        """Angle from a face (outward) anticlockwise to the outer edge's normal, degrees."""
        cross = face[:, 0] * normal[:, 1] - face[:, 1] * normal[:, 0]
        return np.asarray(np.degrees(np.arctan2(cross, np.sum(face * normal, axis=1))))

    # A truth file's start face is the last one clockwise.
    end, start = lean(corners[:, 1] - corners[:, 0]), -lean(corners[:, 2] - corners[:, 3])
    length = np.hypot(*(corners[:, 2] - corners[:, 1]).T)
    expected = comb_deg + (np.arange(len(corners)) + 0.5) * plan.pitch_deg
    twist = _wrapped(_clockwise_deg(normal) - expected)
    rows = np.stack([start + end, start, end, length, offsets, twist], axis=1)
    return tuple(TrueSegment(bool(here), *map(float, row)) for here, row in zip(present, rows, strict=True))


def _joint(raw: dict[str, Any], px: dict[str, Any], pitch_error_deg: float, skew_deg: float) -> TrueJoint:
    face_a = np.array([px["B_inner"], px["B_outer"]], dtype=float)
    face_b = np.array([px["A_inner"], px["A_outer"]], dtype=float)

    def number(name: str) -> float:
        return float("nan") if raw[name] is None else float(raw[name])

    return TrueJoint(
        gap_inside_mm=number("gap_inner_mm"),
        gap_middle_mm=number("gap_mid_mm"),
        gap_outside_mm=number("gap_outer_mm"),
        taper_deg=number("taper_deg"),
        pitch_error_deg=pitch_error_deg,
        skew_deg=skew_deg,
        face_a_px=face_a,
        face_b_px=face_b,
        middle_px=_middle_px(px),
        filled=raw["filled"],
        blocked_mm=tuple(raw["blocked"]) if raw["blocked"] else None,
        squeeze_out=bool(raw["squeeze_out"]),
        missing_neighbour=bool(raw["missing_neighbour"]),
        raw=raw,
    )


def read_folder(folder: Path, pattern: str = "*.json") -> tuple[Truth, ...]:
    """Read every truth of a folder, by name."""
    return tuple(read_truth(path) for path in sorted(folder.glob(pattern)))
