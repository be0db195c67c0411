"""Draw a ring as a phone would see it, with its truth known: the picture maker.

    drawn = draw_ring(plan, seed=3)
    drawn.photo, drawn.truth

The same seed draws the same picture. All parts can be set: `Faults` (shape), `Look` (woods, light,
bench, pencil), `View` (camera), `Phone` (blur, noise, processing).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from accuracy.look import Look
from accuracy.paint import Board, paint
from accuracy.phone import Phone, develop
from accuracy.projection import Projection, at_height
from accuracy.shape import Faults, Shape, build, read_joint, usual_faults
from accuracy.truth import Truth, truth_of
from lightgap.camera import Camera
from lightgap.photo import Photo, read_photo
from lightgap.plan import Plan

Array = NDArray[np.float64]

SHEETS_MM = {"A5": (210.0, 148.0), "A4": (297.0, 210.0), "A3": (420.0, 297.0), "A2": (594.0, 420.0)}
"""Sheets that can be drawn: ISO 216, long side first."""

_CARD_MM, _SQUARE_MM, _MARKER_MM, _SQUARES = 100.0, 20.0, 15.0, 4
_CARD_DIRECTIONS_DEG = {1: (0.0,), 2: (0.0, 180.0), 3: (90.0, 210.0, 330.0), 4: (45.0, 135.0, 225.0, 315.0)}
_DIAGONAL_35MM = 43.27


@dataclass(frozen=True)
class View:
    """Where the camera stands, and its lens.

    Attributes
    ----------
    mm_per_px : float
        On the ring's top face, near its centre; the picture is as large as its content needs.
    tilt_deg, tilt_from_deg : float
        How far the camera leans off the upright, and towards which direction it stands.
    roll_deg : float
        Turn of the picture: direction of the photo's right in the ring frame.
    f35 : float
        Focal length, 35 mm equivalent by the picture's diagonal; a small one stands closer.
    k1 : float
        Radial distortion.
    off_centre_px : (float, float)
        Principal point less the picture's middle.
    margin_mm : float
        Bench to be seen round the content.
    """

    mm_per_px: float = 0.12
    tilt_deg: float = 5.0
    tilt_from_deg: float = 40.0
    roll_deg: float = 0.0
    f35: float = 26.0
    k1: float = 0.01
    off_centre_px: tuple[float, float] = (4.0, -3.0)
    margin_mm: float = 8.0


@dataclass(frozen=True, eq=False)
class Drawn:
    """A drawn photograph: the file's bytes, and its truth in the form of the truth files."""

    data: bytes
    raw: dict[str, Any]

    @cached_property
    def photo(self) -> Photo:
        """The photo as the program reads it."""
        return read_photo(self.data, self.raw["photo"])

    @cached_property
    def truth(self) -> Truth:
        """The truth in the program's own words and frames."""
        return truth_of(self.raw)

    def save(self, folder: Path) -> Path:
        """Write the photograph and NAME.json; return the photograph's path."""
        path = folder / str(self.raw["photo"])
        path.write_bytes(self.data)
        path.with_suffix(".json").write_text(json.dumps(self.raw, indent=1))
        return path


def draw_ring(
    plan: Plan,
    seed: int = 1,
    *,
    faults: Faults | None = None,
    look: Look | None = None,
    view: View | None = None,
    phone: Phone | None = None,
    reference: str = "cards:2",
    card_lift_mm: Sequence[float] = (),
    first_deg: float | None = None,
    name: str | None = None,
) -> Drawn:
    """Draw one ring.

    Parameters
    ----------
    faults : Faults, optional
        Default: `usual_faults`.
    reference : str
        "cards:1" to "cards:4", "sheet:A4" (the ring lies on it), or "none" (its size is typed).
    card_lift_mm : sequence of float
        How far the first cards lie above where they should; the others lie flat.
    first_deg : float, optional
        Direction of joint 0, anticlockwise from +x; by default anywhere.
    """
    shape_rng, look_rng, noise_rng = np.random.default_rng(seed).spawn(3)
    look, view, phone = look or Look(), view or View(), phone or Phone()
    anywhere = float(shape_rng.uniform(0.0, 360.0))
    first_deg = anywhere if first_deg is None else first_deg
    shape = build(plan, faults or usual_faults(plan, shape_rng), first_deg)
    boards, told = boards_of(reference, plan, view, shape_rng)
    for index, lift in enumerate(card_lift_mm):
        boards[index] = replace(boards[index], height_mm=boards[index].height_mm + lift)
        told["cards"][index]["z_mm"] = boards[index].height_mm
    projection, f35 = place_camera(plan, view, [board.white for board in boards])
    light = paint(shape, look, projection, boards, look_rng)
    data = develop(light, phone, noise_rng, round(f35))
    suffix = ".png" if phone.quality is None else ".jpg"
    raw = _truth(shape, projection, told, (name or f"drawn{seed:04d}") + suffix)
    raw |= {"look": asdict(look), "view": asdict(view), "phone": asdict(phone), "seed": seed}
    raw["filled_colour"] = {str(joint): filling.colour for joint, filling in shape.faults.fillings.items()}
    raw |= {"exif_f35": round(f35), "orientation": 1, "arris_round_mm": look.wood.arris_mm}
    return Drawn(data, raw)


def place_camera(plan: Plan, view: View, boards_mm: Sequence[Array]) -> tuple[Projection, float]:
    """Stand the camera so that all is in the picture; return it, and its 35 mm equivalent focal length."""
    angle = np.radians(np.arange(0.0, 360.0, 7.5))
    rim = plan.joint_radii_mm[1] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    flat = np.concatenate([rim, *boards_mm])
    content = np.concatenate([at_height(flat, 0.0), at_height(rim, plan.thickness_mm)])
    aim = np.append((flat.min(axis=0) + flat.max(axis=0)) / 2.0, plan.thickness_mm)
    rotation = _look_down(view)

    def half_field(distance: float) -> Array:
        seen = (content - aim) @ rotation.T + np.array([0.0, 0.0, distance])
        margin = view.margin_mm / distance
        return np.asarray(np.abs(seen[:, :2] / seen[:, 2:]).max(axis=0) + margin)

    wanted = _DIAGONAL_35MM / 2.0 / view.f35
    near, far = 1.2 * float(np.ptp(content, axis=0).max()) / 2.0, 1e5
    for _ in range(60):
        middle = np.sqrt(near * far)
        near, far = (middle, far) if np.hypot(*half_field(middle)) > wanted else (near, middle)
    translation = -rotation @ aim + np.array([0.0, 0.0, far])
    depth = float((rotation @ np.array([0.0, 0.0, plan.thickness_mm]) + translation)[2])
    focal = depth / view.mm_per_px
    size = np.ceil(2.0 * focal * half_field(far) * (1.0 + max(view.k1, 0.0) * wanted**2)).astype(int)
    centre = (size - 1.0) / 2.0 + np.array(view.off_centre_px)
    camera = Camera(focal, centre, rotation, translation, view.k1)
    return Projection(camera, int(size[0]), int(size[1])), focal * _DIAGONAL_35MM / float(np.hypot(*size))


def _look_down(view: View) -> Array:
    """World to camera: z down into the scene, x towards ``roll_deg`` in the ring frame, then tilted."""
    tilt, stand, roll = np.radians([view.tilt_deg, view.tilt_from_deg, view.roll_deg])
    back = np.array([np.sin(tilt) * np.cos(stand), np.sin(tilt) * np.sin(stand), np.cos(tilt)])
    right = np.array([np.cos(roll), np.sin(roll), 0.0])
    right = right - (right @ back) * back
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(-back, right), -back])


def boards_of(
    reference: str, plan: Plan, view: View, rng: np.random.Generator
) -> tuple[list[Board], dict[str, Any]]:
    """The boards to draw, and the truth's account of them."""
    kind, _, detail = reference.partition(":")
    if kind == "cards":
        return _cards(int(detail), plan, view, rng)
    if kind == "sheet":
        length, width = SHEETS_MM[detail]
        turn = view.roll_deg + rng.uniform(-4.0, 4.0)
        shift = rng.uniform(-5.0, 5.0, 2)
        corners = _turned(_rectangle(-length / 2, -width / 2, length / 2, width / 2), turn) + shift
        told = {"size": detail, "size_mm": [length, width], "corners_mm": corners.tolist()}
        return [Board(corners)], {"kind": "sheet", **told}
    if kind == "none":
        return [], {"kind": "diameter"}
    raise ValueError(f"unknown reference {reference!r}")


def _cards(
    count: int, plan: Plan, view: View, rng: np.random.Generator
) -> tuple[list[Board], dict[str, Any]]:
    boards, told = [], []
    clear = {1: 0.0, 2: 0.0, 3: 84.0, 4: 102.0}[count]
    numbers = rng.permutation(12)[:count]
    for number, direction in zip(numbers, _CARD_DIRECTIONS_DEG[count], strict=True):
        stand = np.radians(view.roll_deg + direction + rng.uniform(-6.0, 6.0))
        turn = view.roll_deg + rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.uniform(-25.0, 25.0)
        outward = np.array([np.cos(stand), np.sin(stand)])
        reach = np.max(_turned(_rectangle(-50.0, -50.0, 50.0, 50.0), turn) @ outward)
        centre = max(plan.joint_radii_mm[1] + 10.0 + float(reach), clear) * outward
        white, *black = (
            _turned(polygon, turn) + centre
            for polygon in (
                _rectangle(-_CARD_MM / 2, -_CARD_MM / 2, _CARD_MM / 2, _CARD_MM / 2),
                *card_ink(int(number)),
            )
        )
        boards.append(Board(white, tuple(black), plan.reference_height_mm))
        told.append(
            {
                "id": int(number),
                "centre_mm": centre.tolist(),
                "rot_deg": float(turn % 360.0),
                "z_mm": plan.reference_height_mm,
                "corners_mm": white.tolist(),
            }
        )
    return boards, {"kind": "cards", "cards": told}


def card_ink(number: int) -> list[Array]:
    """The black parts of a card as disjoint rectangles, mm about its middle, y up.

    A ChArUco board of 4 x 4 squares of 20 mm, the top left one black, with markers of 15 mm
    (DICT_5X5_100, ids from 8 x number) in the white ones, row by row.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    half = _SQUARES * _SQUARE_MM / 2.0
    ink, identity = [], 8 * number
    for row in range(_SQUARES):
        for column in range(_SQUARES):
            left, top = column * _SQUARE_MM - half, half - row * _SQUARE_MM
            if (row + column) % 2 == 0:
                ink.append(_rectangle(left, top - _SQUARE_MM, left + _SQUARE_MM, top))
                continue
            cells = cv2.aruco.generateImageMarker(dictionary, identity, 7).reshape(7, 7)
            cell, edge = _MARKER_MM / 7.0, (_SQUARE_MM - _MARKER_MM) / 2.0
            for i, bits in enumerate(cells):
                changes = np.flatnonzero(np.diff(np.concatenate([[255], bits, [255]]).astype(int)))
                for start, end in changes.reshape(-1, 2):
                    x, y = left + edge, top - edge - i * cell
                    ink.append(_rectangle(x + start * cell, y - cell, x + end * cell, y))
            identity += 1
    return ink


def _rectangle(left: float, bottom: float, right: float, top: float) -> Array:
    return np.array([[left, bottom], [right, bottom], [right, top], [left, top]])


def _turned(points: Array, degrees: float) -> Array:
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.asarray(points @ np.array([[cos, sin], [-sin, cos]]))


def _truth(shape: Shape, projection: Projection, reference: dict[str, Any], name: str) -> dict[str, Any]:
    plan, camera = shape.plan, projection.camera
    style = {"closed": "closed", "spaced": "parallel_gap", "tapered": "tapered_gap"}[plan.joint]
    matrix = [
        [camera.focal_px, 0.0, camera.centre_px[0]],
        [0.0, camera.focal_px, camera.centre_px[1]],
        [0.0, 0.0, 1.0],
    ]
    raw: dict[str, Any] = {
        "photo": name,
        "computer_rendered": True,
        "reference": reference,
        "user_enters": {
            "segments": plan.segments,
            "joint_style": style,
            "nominal_gap_mm": plan.gap_mm,
            "nominal_taper_deg": plan.gap_deg,
            "outer_across_flats_mm": plan.across_flats_mm,
            "width_mm": plan.width_mm,
            "thickness_mm": plan.thickness_mm,
            "outline": plan.outline,
            "measured_outer_mm": None,
        },
        "camera": {
            "K": matrix,
            "dist": [camera.k1, camera.k2, 0.0, 0.0, 0.0],
            "R": camera.rotation.tolist(),
            "t": camera.translation.tolist(),
            "image_size": [projection.width, projection.height],
        },
        "segments": [_segment_truth(shape, index) for index in range(plan.segments)],
        "joints": [read_joint(shape, joint) for joint in range(plan.segments)],
        "joint_px": [_joint_px(shape, projection, joint) for joint in range(plan.segments)],
    }
    if reference["kind"] == "diameter":
        size = round(truth_of(raw).across_flats_mm, 1)
        raw["user_enters"]["measured_outer_mm"] = raw["reference"]["measured_outer_mm"] = size
    return raw


def _segment_truth(shape: Shape, index: int) -> dict[str, Any]:
    segment = shape.segments[index]
    corners = [segment.start.inner, segment.start.outer, segment.end.outer, segment.end.inner]
    return {
        "index": index,
        "present": segment.present,
        "polygon_mm": [corner.tolist() for corner in corners],
        "top_height_mm": segment.top_mm,
    }


def _joint_px(shape: Shape, projection: Projection, joint: int) -> dict[str, Any]:
    before, after, face_a, face_b = shape.faces(joint)
    found: dict[str, Any] = {"index": joint}
    for letter, segment, face in (("A", before, face_a), ("B", after, face_b)):
        ends = at_height(np.stack([face.inner, face.outer]), segment.top_mm)
        found[f"{letter}_inner"], found[f"{letter}_outer"] = projection.camera.project(ends).tolist()
    return found
