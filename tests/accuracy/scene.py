"""What all painting shares: the canvas that gathers light by area, and the light and wood of a scene."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from accuracy.coverage import Patch, coverage, difference
from accuracy.look import BOARD_TEXEL_MM, WOODS, Look, Wood, board, grain
from accuracy.projection import Projection, at_height
from accuracy.shape import Segment, Shape

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
Side = Literal[1, -1]
"""1: a segment's start face, which looks clockwise; -1: its end face."""

END_GRAIN = 0.75
"""Brightness of end grain over that of the top face in the same light."""
BOUNCE = 0.02
"""Light that reaches every nook, over that on a top face."""

_ARRIS_STEPS = 4


class Canvas:
    """Light gathered so far: ``light`` is weighted by ``share``, the part of each pixel spoken for."""

    def __init__(self, projection: Projection) -> None:
        self.projection = projection
        self.light = np.zeros((projection.height, projection.width, 3), np.float32)
        self.share = np.zeros((projection.height, projection.width), np.float32)

    def cover(self, polygons: Sequence[Array]) -> Patch | None:
        """Coverage by polygons of the undistorted image plane."""
        projection = self.projection
        return coverage(
            [projection.polygon_px(polygon) for polygon in polygons if len(polygon) >= 3],
            projection.width,
            projection.height,
        )

    def add(self, polygons: Sequence[Array], colour: Array) -> None:
        """Add polygons of one colour."""
        patch = self.cover(polygons)
        if patch is not None:
            self.lay(patch, colour.astype(np.float32))

    def lay(self, patch: Patch, light: Picture, shade: float = 1.0) -> None:
        """Add coverage of one colour, shape (3,), or of a picture of the patch's size."""
        self.light[patch.window] += (patch.share * np.float32(shade))[..., None] * light
        self.share[patch.window] += patch.share

    def over(self, under: Picture) -> Picture:
        """Lay what was gathered over a picture."""
        share = self.share
        rows, columns = np.flatnonzero(share.any(axis=1)), np.flatnonzero(share.any(axis=0))
        picture = under.copy()
        if rows.size:
            window = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
            rest = np.maximum(1.0 - share[window], 0.0)
            excess = np.maximum(share[window], 1.0)
            picture[window] = picture[window] * cv2.merge((rest,) * 3) + self.light[window] / cv2.merge(
                (excess,) * 3
            )
        return picture


@dataclass(frozen=True, eq=False)
class Scene:
    """One ring in one light, before one camera.

    ``tone`` is each segment's brightness, ``shifts`` where in the tile of grain each begins (texels of
    ``texel_mm``), ``seed`` that of the tiles.
    """

    shape: Shape
    look: Look
    projection: Projection
    rng: np.random.Generator
    texel_mm: float = field(init=False)
    tone: Array = field(init=False)
    shifts: Array = field(init=False)
    seed: int = field(init=False)

    def __post_init__(self) -> None:
        count = len(self.shape.segments)
        wood = self.look.wood
        scale = self.projection.camera.px_per_mm([0.0, 0.0], self.shape.plan.thickness_mm)
        object.__setattr__(self, "texel_mm", 0.8 / scale)
        object.__setattr__(self, "tone", np.exp(self.rng.normal(0.0, self.look.wood.uneven, count)))
        object.__setattr__(self, "shifts", self.rng.uniform(0.0, 1000.0, (count, 2)))
        object.__setattr__(self, "seed", int(self.rng.integers(1 << 30)))
        if wood.seed is not None:
            tone, shifts = _pieces(wood, wood.seed, count)
            object.__setattr__(self, "tone", tone)
            object.__setattr__(self, "shifts", shifts)

    @property
    def eye(self) -> Array:
        """The camera's place, mm."""
        return self.projection.camera.foot_mm

    @property
    def figure(self) -> tuple[Picture, float]:
        """The tile of grain that all segments are cut from, and its texel in mm."""
        wood = self.look.wood
        if wood.seed is None:
            return grain(self.seed, self.texel_mm), self.texel_mm
        return board(wood.seed, wood.sanded_mm), BOARD_TEXEL_MM

    def field(self, x: Picture, y: Picture) -> Picture:
        """Light on a flat place, relative: uneven, and a shadow's edge across the picture."""
        light = self.look.light
        angle = np.radians(light.from_deg)
        along = x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle))
        bright = 1.0 + light.uneven * np.clip(along / (2.0 * self.shape.plan.outer_mm), -1.5, 1.5)
        if light.shadow_edge_mm is not None:
            depth = (-along - light.shadow_edge_mm) / (10.0 * light.softness + 0.1)
            bright = bright * (1.0 - light.share * np.clip(depth + 0.5, 0.0, 1.0))
        return np.asarray(bright, dtype=np.float32)

    def field_at(self, points_mm: Array) -> float:
        """The same at the middle of some points, shape (n, 2 or 3)."""
        middle = points_mm.mean(axis=0).astype(np.float32)
        return float(self.field(middle[:1], middle[1:2])[0])

    def wall_light(self, normal: Array) -> float:
        """Light on an open upright wall with this outward normal, relative to a top face."""
        light = self.look.light
        return light.share * max(float(normal @ light.towards), 0.0) + (1.0 - light.share) * 0.5 + BOUNCE

    def slot_light(self, depth_mm: float, lean: float, gap_mm: float, normal: Array) -> float:
        """Light on a face, or on its rounded edge, below the other face's edge; relative to a top face.

        ``depth_mm`` below the top, where the surface leans by ``lean`` (radians) from level towards
        ``normal``. What hides the sky and the lamp is the other edge, a round of the same radius: seen
        from here, nothing shines from below the line that touches it.
        """
        light, radius = self.look.light, self.look.wood.arris_mm
        away = gap_mm + radius + radius * (1.0 - np.sin(lean))
        up = depth_mm - radius
        skyline = np.arctan2(up, away) + np.arcsin(min(radius / max(float(np.hypot(up, away)), 1e-9), 1.0))
        skyline = max(float(skyline), 0.0)
        slope = float(normal @ light.towards)
        sky = (1.0 - light.share) * ((1.0 + np.cos(skyline + lean)) / 2.0 + BOUNCE)
        lit = 0.5 + (1.0 - slope * np.tan(min(skyline, 1.57))) / max(light.softness, 1e-6)
        direct = max(float(np.cos(lean) + slope * np.sin(lean)), 0.0)
        return float(sky + light.share * direct * min(max(lit, 0.0), 1.0))

    def wood(self, index: int) -> Array:
        """A segment's colour."""
        kinds = self.look.wood.kinds
        return np.asarray(np.array(WOODS[kinds[index % len(kinds)]]) * self.tone[index])

    def arris(self, segment: Segment, side: Side) -> Array:
        """Lines along a face's upper edge, from the flat top to the wall, shape (steps, 2 ends, 3).

        One line if the edge is sharp, else a quarter of a round.
        """
        radius = self.look.wood.arris_mm
        face = segment.start if side > 0 else segment.end
        into = -segment.normal(side)
        lines = []
        for angle in np.linspace(0.0, np.pi / 2.0, _ARRIS_STEPS + 1 if radius else 1):
            ends = np.stack([face.inner, face.outer]) + radius * (1.0 - np.sin(angle)) * into
            lines.append(at_height(ends, segment.top_mm - radius * float(1.0 - np.cos(angle))))
        return np.stack(lines)

    def seen(self, quad_mm: Array, holes: Sequence[Array]) -> list[Array]:
        """A flat quad (4, 3) less what hides it, in convex pieces of the undistorted image plane."""
        pieces = [self.projection.flat(quad_mm)]
        for hole in holes:
            pieces = difference(pieces, hole)
        return pieces


def _pieces(wood: Wood, seed: int, count: int) -> tuple[Array, Array]:
    """Brightness of each segment, and where in the board's tile it was cut (texels)."""
    rng = np.random.default_rng(seed)
    if not wood.cut_mm:
        return np.exp(rng.normal(0.0, wood.uneven, count)), rng.uniform(0.0, 6000.0, (count, 2))
    cut = np.array(wood.cut_mm)
    knots = rng.normal(0.0, wood.uneven, 14)
    tone = np.exp(np.interp(cut, 100.0 * np.arange(knots.size), knots))
    return tone, np.stack([cut / BOARD_TEXEL_MM, np.full(count, rng.uniform(0.0, 500.0))], axis=1)
