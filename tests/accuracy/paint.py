"""Paint a true ring in linear light, as a perfect lens would see it.

Every edge that matters is exact: the picture is split into disjoint regions (top faces, visible parts
of slot walls and slot floors, fillings, side walls), each a set of polygons clipped in the undistorted
image plane, and a pixel's light is the sum of each region's light times the area that it covers. Only
what lies behind them all (bench, cards, sheet) is taken as even within a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from accuracy.coverage import clipped, convex_hull, coverage
from accuracy.look import BENCHES, Look, sample, weave
from accuracy.projection import Projection, at_height
from accuracy.scene import END_GRAIN, Canvas, Scene, Side
from accuracy.shape import Segment, Shape
from accuracy.slot import paint_slot, smear_glue

Array = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Board:
    """A flat thing on the bench: a white shape with black shapes on it, mm in the ring frame."""

    white: Array
    black: tuple[Array, ...] = ()
    height_mm: float = 0.0
    paper: float = 0.80
    ink: float = 0.03


def paint(
    shape: Shape, look: Look, projection: Projection, boards: Sequence[Board], rng: np.random.Generator
) -> Picture:
    """Return the scene's light, shape (height, width, 3), white paper about 0.8."""
    scene = Scene(shape, look, projection, rng)
    bare = _bench(scene, boards)
    canvas = Canvas(projection)
    for segment in shape.segments:
        if segment.present:
            _paint_top(scene, canvas, segment)
            _paint_sides(scene, canvas, segment)
    for joint in range(len(shape.segments)):
        paint_slot(scene, canvas, joint, bare)
    picture = canvas.over(bare * cv2.merge((_shadow(scene),) * 3))
    for joint in sorted(shape.faults.squeeze_out):
        smear_glue(scene, picture, joint)
    return picture


def _bench(scene: Scene, boards: Sequence[Board]) -> Picture:
    """The bench with its boards, as if no ring stood on it."""
    x, y = scene.projection.plane_map(0.0, scene.projection.whole)
    tile = weave(scene.seed, scene.texel_mm)
    texture = np.exp(scene.look.bench.weave * sample(tile, x / scene.texel_mm, y / scene.texel_mm))
    picture = cv2.merge([texture * np.float32(part) for part in BENCHES[scene.look.bench.kind]])
    for board in boards:
        _lay_board(scene.projection, picture, board)
    return np.asarray(picture * cv2.merge((scene.field(x, y),) * 3), dtype=np.float32)


def _lay_board(projection: Projection, picture: Picture, board: Board) -> None:
    def cover(polygons: Sequence[Array]) -> list[Array]:
        return [
            projection.polygon_px(projection.flat(at_height(polygon, board.height_mm)))
            for polygon in polygons
        ]

    patch = coverage(cover([board.white]), projection.width, projection.height)
    if patch is not None:
        share = cv2.merge((patch.share,) * 3)
        picture[patch.window] += (np.float32(board.paper) - picture[patch.window]) * share
    patch = coverage(cover(board.black), projection.width, projection.height)
    if patch is not None:
        picture[patch.window] -= cv2.merge((patch.share * np.float32(board.paper - board.ink),) * 3)


def _shadow(scene: Scene) -> Picture:
    """What the ring leaves of the light round it, 0..1; a quarter of the size is fine enough."""
    light, projection = scene.look.light, scene.projection
    size = (projection.height // 4 + 1, projection.width // 4 + 1)
    cast, stood = np.zeros(size, np.float32), np.zeros(size, np.float32)
    for segment in scene.shape.segments:
        if segment.present:
            moved = segment.outline - light.towards * segment.top_mm
            for target, plan in ((cast, np.concatenate([segment.outline, moved])), (stood, segment.outline)):
                points = projection.bent(projection.flat(at_height(convex_hull(plan), 0.0))) / 4.0
                cv2.fillPoly(target, [np.round(points * 16).astype(np.int32)], 1.0, shift=4)
    thickness = scene.shape.plan.thickness_mm * projection.camera.px_per_mm([0.0, 0.0], 0.0) / 4.0
    blur = max(light.softness * light.slope * thickness / 2.0, 0.3)
    left = 1.0 - light.share * cv2.GaussianBlur(cast, (0, 0), blur)
    left *= 1.0 - 0.6 * (1.0 - light.share) * cv2.GaussianBlur(stood, (0, 0), max(thickness / 2.0, 0.3))
    whole = cv2.resize(left, (projection.width, projection.height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole, dtype=np.float32)


def _paint_top(scene: Scene, canvas: Canvas, segment: Segment) -> None:
    """The top face with its grain and pencil lines, and its two rounded edges."""
    projection = scene.projection
    regions = [(projection.flat(at_height(_flat_top(scene, segment), segment.top_mm)), 1.0)]
    sides: tuple[Side, Side] = (1, -1)
    for side in sides:
        lines, normal, gap = scene.arris(segment, side), segment.normal(side), _gap_mm(scene, segment, side)
        for step, (upper, lower) in enumerate(pairwise(lines)):
            angle = float((step + 0.5) / (len(lines) - 1) * np.pi / 2.0)
            to_eye = scene.eye - upper[0]
            if np.cos(angle) * to_eye[2] + np.sin(angle) * (to_eye[:2] @ normal) > 0.0:
                quad = projection.flat(np.concatenate([upper, lower[::-1]]))
                depth = scene.look.wood.arris_mm * float(1.0 - np.cos(angle))
                regions.append((quad, scene.slot_light(depth, angle, gap, normal)))
    whole = canvas.cover([projection.flat(at_height(segment.outline, segment.top_mm))])
    if whole is None:
        return
    # A margin for rounded edges, which lie a little outside the flat top's image.
    margin = 8 if len(regions) > 1 else 1
    top, left = max(whole.top - margin, 0), max(whole.left - margin, 0)
    bottom, right = (end + margin for end in (whole.window[0].stop, whole.window[1].stop))
    window = slice(top, min(bottom, projection.height)), slice(left, min(right, projection.width))
    wood = _wood_light(scene, segment, window)
    for flat, shade in regions:
        patch = canvas.cover([_unhidden(scene, flat, segment)])
        if patch is not None:
            rows, columns = patch.window
            here = wood[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]
            canvas.lay(patch, here, shade)


def _flat_top(scene: Scene, segment: Segment) -> Array:
    """The outline of a top's flat part, mm in plan: up to where its edges begin to round."""
    outline = segment.outline.copy()
    outer = len(segment.outer_edge)
    outline[[0, 1]] = scene.arris(segment, 1)[0, :, :2]
    outline[[outer + 1, outer]] = scene.arris(segment, -1)[0, :, :2]
    return outline


def _gap_mm(scene: Scene, segment: Segment, side: Side) -> float:
    """Distance to the face beside a segment's start (``side`` 1) or end face, at its middle."""
    joint = segment.index if side > 0 else (segment.index + 1) % len(scene.shape.segments)
    before, after, face_a, face_b = scene.shape.faces(joint)
    if not (before.present and after.present):
        return 1e3
    return float(np.hypot(*(face_b.inner + face_b.outer - face_a.inner - face_a.outer))) / 2.0


def _unhidden(scene: Scene, flat: Array, segment: Segment) -> Array:
    """A top less what a higher neighbour hides of it: cut along the image of the neighbour's arris."""
    count = len(scene.shape.segments)
    for step in (-1, 1):
        neighbour = scene.shape.segments[(segment.index + step) % count]
        if neighbour.present and neighbour.top_mm > segment.top_mm:
            inner, outer = scene.projection.flat(scene.arris(neighbour, -1 if step < 0 else 1)[-1])
            along = outer - inner
            flat = clipped(flat, inner, -step * np.array([along[1], -along[0]]))
    return flat


def _wood_light(scene: Scene, segment: Segment, window: tuple[slice, slice]) -> Picture:
    """Light of a top face in a window of pixels, as if it had no end."""
    wood = scene.look.wood
    x, y = scene.projection.plane_map(segment.top_mm, window)
    chord = segment.outer_edge[-1] - segment.outer_edge[0]
    angle = np.arctan2(chord[1], chord[0]) + np.radians(wood.grain_turn_deg)
    tile, texel_mm = scene.figure
    cos, sin = np.float32(np.cos(angle) / texel_mm), np.float32(np.sin(angle) / texel_mm)
    shift = scene.shifts[segment.index].astype(np.float32)
    light = np.exp(wood.figure * sample(tile, x * cos + y * sin + shift[0], y * cos - x * sin + shift[1]))
    light *= scene.field(x, y)
    for stroke in scene.look.pencil:
        a, b = np.array(stroke.start_mm), np.array(stroke.end_mm)
        length = float(np.hypot(*(b - a)))
        u = ((x - a[0]) * (b[0] - a[0]) + (y - a[1]) * (b[1] - a[1])) / length
        v = ((y - a[1]) * (b[0] - a[0]) - (x - a[0]) * (b[1] - a[1])) / length
        away = np.hypot(v, np.maximum(np.abs(u - length / 2.0) - length / 2.0, 0.0))
        light *= 1.0 - stroke.dark * np.clip((stroke.width_mm / 2.0 - away) / 0.15 + 0.5, 0.0, 1.0)
    return np.asarray(
        cv2.merge([light * np.float32(part) for part in scene.wood(segment.index)]), dtype=np.float32
    )


def _paint_sides(scene: Scene, canvas: Canvas, segment: Segment) -> None:
    """The outer and the inner side, and a face that no neighbour covers, where the camera sees them."""
    count = len(scene.shape.segments)
    walls = [segment.outer_edge[::-1], segment.inner_edge]
    if not scene.shape.segments[segment.index - 1].present:
        walls.append(np.stack([segment.start.outer, segment.start.inner]))
    if not scene.shape.segments[(segment.index + 1) % count].present:
        walls.append(np.stack([segment.end.inner, segment.end.outer]))
    for line in walls:
        # Seen along its line, a wall's open side lies to the left.
        steps = max(1, (len(line) - 1) // 10)
        knots = line[np.unique(np.append(np.arange(0, len(line) - 1, steps), len(line) - 1))]
        for a, b in pairwise(knots):
            along = (b - a) / np.hypot(*(b - a))
            normal = np.array([-along[1], along[0]])
            if (scene.eye[:2] - a) @ normal > 0.0:
                ends = np.stack([a, b])
                quad = np.concatenate([at_height(ends, segment.top_mm), at_height(ends[::-1], 0.0)])
                shade = END_GRAIN * scene.wall_light(normal) * scene.field_at(ends)
                canvas.add([scene.projection.flat(quad)], scene.wood(segment.index) * shade)
