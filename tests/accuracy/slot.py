"""Paint what is seen between two faces: filling, slot walls, slot floor, and glue on top.

Light in a slot follows from geometry. With w the gap, and depth d below the arris: a wall that faces
the lamp is lit down to d = w / (slope of the lamp's light square to the joint); light from all sides
reaches a wall at depth d with the share (1 - d / sqrt(d^2 + w^2)) / 2, and a floor at depth t with
(sqrt(t^2 + w^2) - t) / w (a long slot under an even sky).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from accuracy.coverage import convex_hull
from accuracy.projection import at_height
from accuracy.scene import BOUNCE, END_GRAIN, Canvas, Scene, Side
from accuracy.shape import Face, Filling, Segment

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

_DEPTHS = np.array([0.0, 0.2, 0.5, 1.0, 2.0, 4.0, 10.0, 30.0])
"""Where bands of a wall begin below the arris, in gaps (and radii of the arris)."""
_BOTTOM = 1e4
_GLUE = (0.50, 0.40, 0.22)


def paint_slot(scene: Scene, canvas: Canvas, joint: int, bench: Picture) -> None:
    """Paint what is seen between the faces of a joint; ``bench`` is the bench with no ring on it."""
    before, after, face_a, face_b = scene.shape.faces(joint)
    if not (before.present and after.present):
        return
    beside_a, beside_b = _silhouette(scene, before, -1), _silhouette(scene, after, 1)
    blocks: list[Array] = []
    filling = scene.shape.faults.fillings.get(joint)
    if filling is not None:
        top = min(before.top_mm, after.top_mm) - filling.sunk_mm
        # A segment whose face is turned to the camera stands behind what fills the joint.
        before_it = [
            silhouette
            for segment, side, silhouette in ((before, -1, beside_a), (after, 1, beside_b))
            if _view_slope(scene, segment, side) <= 0.0
        ]
        blocks = [_paint_filling(scene, canvas, filling, face_a, face_b, top, before_it)]
    gaps = np.array([np.hypot(*(face_b.inner - face_a.inner)), np.hypot(*(face_b.outer - face_a.outer))])
    _paint_wall(scene, canvas, before, -1, gaps, [beside_b, *blocks])
    _paint_wall(scene, canvas, after, 1, gaps, [beside_a, *blocks])
    _paint_floor(scene, canvas, face_a, face_b, bench, [beside_a, beside_b, *blocks])


def _silhouette(scene: Scene, segment: Segment, side: Side) -> Array:
    """Outline of the wood beside a joint as the camera sees it, in the undistorted image plane."""
    face, other = (segment.start, segment.end)[::side]
    plan = np.stack([face.inner, face.outer, other.outer, other.inner])
    if len(segment.outer_edge) > 2:
        # Round: only the part near this joint, where the chord is as good as the arc.
        near = 12 * side if side > 0 else -13
        plan[2], plan[3] = segment.outer_edge[near], segment.inner_edge[near]
    body = [
        scene.arris(segment, side).reshape(-1, 3),
        at_height(plan[2:], segment.top_mm),
        at_height(plan, 0.0),
    ]
    return convex_hull(scene.projection.flat(np.concatenate(body)))


def _view_slope(scene: Scene, segment: Segment, side: int) -> float:
    """How far the camera stands before a face, over its height above the ring; negative behind it."""
    face = segment.start if side > 0 else segment.end
    return float((scene.eye[:2] - face.inner) @ segment.normal(side)) / float(scene.eye[2] - segment.top_mm)


def _paint_wall(
    scene: Scene, canvas: Canvas, segment: Segment, side: int, gaps: Array, holes: Sequence[Array]
) -> None:
    """A slot's wall, in bands of depth that grow with the gap, so that they never cross."""
    view = _view_slope(scene, segment, side)
    if view <= 0.0:
        return
    face = segment.start if side > 0 else segment.end
    normal = segment.normal(side)
    ends = np.stack([face.inner, face.outer])
    light, radius = scene.look.light, scene.look.wood.arris_mm
    slope = float(normal @ light.towards)
    depths = _DEPTHS
    units, unit = gaps + radius, float(np.mean(gaps)) + radius
    if slope > 1e-3:
        # The line to the lamp that touches the other edge, a round of the same radius.
        share = 1.0 - radius * (np.hypot(1.0, slope) - 1.0) / unit
        half_shadow = 1.0 + light.softness * np.array([-0.5, -0.25, 0.0, 0.25, 0.5])
        depths = np.unique(np.append(depths, np.maximum(half_shadow * share, 0.0) / slope))
    # Beyond 1 / view units the other side hides the wall.
    depths = np.append(depths[depths <= max(1.2 / view, 1.0)], _BOTTOM)
    wood = scene.wood(segment.index) * END_GRAIN * scene.field_at(ends)
    for low, high in pairwise(depths):
        middle = (low + min(high, 2.0 * low + 1.0)) / 2.0
        shade = scene.slot_light(radius + middle * unit, np.pi / 2.0, unit - radius, normal)
        upper, lower = (np.minimum(radius + depth * units, segment.top_mm) for depth in (low, high))
        quad = np.concatenate(
            [
                np.column_stack([ends, segment.top_mm - upper]),
                np.column_stack([ends, segment.top_mm - lower])[::-1],
            ]
        )
        canvas.add(scene.seen(quad, holes), wood * shade)


def _paint_floor(
    scene: Scene, canvas: Canvas, face_a: Face, face_b: Face, bench: Picture, holes: Sequence[Array]
) -> None:
    """The bench at the bottom of a slot, its lit part and its dark part."""
    light, depth = scene.look.light, scene.shape.plan.thickness_mm
    across = (face_b.inner + face_b.outer - face_a.inner - face_a.outer) / 2.0
    gap = max(float(np.hypot(*across)), 1e-6)
    slope = float(across @ light.towards) / gap
    sky = (1.0 - light.share) * ((np.hypot(depth, gap) - depth) / gap + BOUNCE)
    dark = min(depth * abs(slope) / gap, 1.0)
    # When the slope is positive the lamp stands on B's side, and the foot of B lies in the dark.
    split = 1.0 - dark if slope > 0.0 else dark
    for low, high, lit in ((0.0, split, slope > 0.0), (split, 1.0, slope <= 0.0)):
        strip = _strip(face_a.inner, face_a.outer, face_b.inner, face_b.outer, low, high)
        patch = canvas.cover(scene.seen(at_height(strip, 0.0), holes))
        if patch is not None:
            canvas.lay(patch, bench[patch.window], sky + light.share * lit)


def _paint_filling(
    scene: Scene,
    canvas: Canvas,
    filling: Filling,
    face_a: Face,
    face_b: Face,
    top_mm: float,
    holes: Sequence[Array],
) -> Array:
    """Paint what fills a joint; return its outline, which hides what lies behind it."""
    (a_in, a_out), (b_in, b_out) = (_between(face, filling.radii_mm) for face in (face_a, face_b))
    plan = np.stack([a_in, a_out, b_out, b_in])
    across = (b_in + b_out - a_in - a_out) / 2.0
    gap = max(float(np.hypot(*across)), 1e-6)
    light, depth = scene.look.light, filling.sunk_mm
    slope = abs(float(across @ light.towards)) / gap
    sky = (1.0 - light.share) * (np.hypot(depth, gap) - depth) / gap
    shade = sky + light.share * max(1.0 - depth * slope / gap, 0.0)
    colour, bright = np.array(filling.colour), scene.field_at(plan)
    rim = min(filling.rim_mm / gap, 0.3)
    for low, high, tone in (
        (0.0, rim, filling.rim_shade),
        (rim, 1.0 - rim, 1.0),
        (1.0 - rim, 1.0, filling.rim_shade),
    ):
        strip = at_height(_strip(a_in, a_out, b_in, b_out, low, high), top_mm)
        canvas.add(scene.seen(strip, holes), (colour * shade * tone + 0.6 * filling.gloss) * bright)
    for a, b, outward in ((a_in, b_in, a_in - a_out), (a_out, b_out, a_out - a_in)):
        if (scene.eye[:2] - a) @ outward > 0.0:
            ends = np.stack([a, b])
            quad = np.concatenate([at_height(ends, top_mm), at_height(ends[::-1], 0.0)])
            light_here = scene.wall_light(outward / np.hypot(*outward)) * bright
            canvas.add(scene.seen(quad, holes), colour * light_here)
    return convex_hull(scene.projection.flat(np.concatenate([at_height(plan, top_mm), at_height(plan, 0.0)])))


def smear_glue(scene: Scene, picture: Picture, joint: int) -> None:
    """Lay dried beads and a scraped smear of glue over a joint, in place."""
    _, after, face_a, face_b = scene.shape.faces(joint)
    inner, outer = (face_a.inner + face_b.inner) / 2.0, (face_a.outer + face_b.outer) / 2.0
    length = float(np.hypot(*(outer - inner)))
    along = (outer - inner) / length
    ends_px = scene.projection.bent(scene.projection.flat(at_height(np.stack([inner, outer]), after.top_mm)))
    reach = int(np.ceil(4.0 / scene.texel_mm))
    low = np.maximum(np.floor(ends_px.min(axis=0)).astype(int) - reach, 0)
    high = np.minimum(np.ceil(ends_px.max(axis=0)).astype(int) + reach, [picture.shape[1], picture.shape[0]])
    if np.any(high <= low):
        return
    window = slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))
    x, y = scene.projection.plane_map(after.top_mm, window)
    u = (x - inner[0]) * along[0] + (y - inner[1]) * along[1]
    v = (y - inner[1]) * along[0] - (x - inner[0]) * along[1]
    cover = 0.35 * np.clip(1.4 - np.abs(v), 0.0, 1.0) * ((u > 0.0) & (u < length))
    for _ in range(int(length / 3.0)):
        place = scene.rng.uniform(0.05, 0.95) * length, scene.rng.normal(0.0, 0.5)
        radius, stretch = scene.rng.uniform(0.4, 1.6), scene.rng.uniform(1.0, 2.0)
        away = np.hypot((u - place[0]) / stretch, v - place[1])
        bead = scene.rng.uniform(0.6, 0.95) * np.clip((radius - away) / 0.2, 0.0, 1.0)
        cover = np.maximum(cover, bead)
    share = cover.astype(np.float32)[..., None]
    glue = np.array(_GLUE, np.float32) * scene.field(x, y)[..., None]
    picture[window] = picture[window] * (1.0 - share) + glue * share


def _strip(a_in: Array, a_out: Array, b_in: Array, b_out: Array, low: float, high: float) -> Array:
    """The part between two shares of the way from face A to face B, shape (4, 2)."""
    return np.stack(
        [
            a_in + low * (b_in - a_in),
            a_out + low * (b_out - a_out),
            a_out + high * (b_out - a_out),
            a_in + high * (b_in - a_in),
        ]
    )


def _between(face: Face, radii_mm: tuple[float, float] | None) -> tuple[Array, Array]:
    """A face's ends, or its points at two distances from the ring's centre."""
    if radii_mm is None:
        return face.inner, face.outer
    along = (face.outer - face.inner) / np.hypot(*(face.outer - face.inner))
    near = float(face.inner @ along)
    aside = float(face.inner @ face.inner) - near**2
    low, high = (np.sqrt(max(radius**2 - aside, 0.0)) - near for radius in radii_mm)
    return face.inner + low * along, face.inner + high * along
