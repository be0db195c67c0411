"""The outer and the inner edge of each segment's top face, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.arris import Candidates, find_candidates
from lightgap.ring.comb import Comb
from lightgap.ring.edge_fit import REACH_PX, LineFits, fit_lines
from lightgap.ring.edge_pixels import gather
from lightgap.ring.place import Outline
from lightgap.ring.sides import SideKind, Sides, find_sides

Array = NDArray[np.float64]

_BLOCK_PX, _BIN_PX = 16.0, 0.5
_LEAST_CHANCE = 0.04
_MOST_TRIED = 3
_NEAREST_FOOT_PX, _FARTHEST_FOOT_PX = 1.0, 6.0
"""A wall's foot so far beyond the arris is part of the fit."""

_FIT_FACTOR, _CLOSE_FACTOR = 4.0, 2.0
_TURN_FIT_FACTOR, _TURN_CLOSE_FACTOR = 2.0, 2.0
"""What the fit's scatter and its change with the window stand for: grain and shading along an edge shift
all of it together, so that scatter along it tells only part. Set on rendered photos to cover 95 %."""
_TONE_PX = 0.15
"""Sharpening, tone curve and colour fringes move an edge by so much."""
_PIECE_SHARE = 0.7
"""Of a segment's outer edge that is taken for straight and whole."""
_CHORDS, _SAGITTA_PX = np.array([-0.3, -0.15, 0.0, 0.15, 0.3]), 0.15
"""Where along a turned segment's arc chords are taken, in pitches, and how far the arc leaves them."""
_MOST_OFFSET_MM, _MOST_TURN_DEG, _LEAST_KEPT, _MOST_BLOCK_PX = 0.35, 1.5, 0.4, 0.35


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """A straight edge fitted in original pixels, in the ring frame on the top face.

    Attributes
    ----------
    middle_mm : ndarray, shape (2,)
        The middle of the fitted part (for a round outline: the arc's middle).
    direction_deg : float
        Direction of the line (of the tangent, if round), clockwise round the ring, from +x.
    offset_standard_mm, direction_standard_deg : float
        Standard uncertainties of the fit: square to the line at its middle, and of its direction.
    kept : float
        Share of its length that agreed.
    """

    middle_mm: NDArray[np.float64]
    direction_deg: float
    offset_standard_mm: float
    direction_standard_deg: float
    kept: float


@dataclass(frozen=True)
class SegmentEdges:
    """Edges of segment ``number``; None where an edge could not be fitted."""

    number: int
    outer: EdgeLine | None
    inner: EdgeLine | None


def fit_edges(
    photo: Photo,
    outline: Outline,
    comb: Comb,
    plan: Plan,
    kinds: tuple[SideKind, ...] = ("outer", "inner"),
) -> tuple[SegmentEdges, ...]:
    """Fit every segment's outer and inner top edge, clockwise from segment 1.

    A round outline's edges are arcs about the outline's centre with its radius; what is fitted is the
    arc's place and the direction of its tangent. Missing segments are there with two times None, and
    so are edges of a kind that was not asked for.
    """
    camera, height = outline.camera, plan.thickness_mm
    sides = [find_sides(outline, comb, plan, kind) for kind in kinds]
    found = find_candidates(photo, camera, height, sides)
    fitted = {
        one.kind: _edges(photo, camera, height, one, lines) for one, lines in zip(sides, found, strict=True)
    }
    outer, inner = fitted.get("outer", {}), fitted.get("inner", {})
    return tuple(
        SegmentEdges(number, outer.get(number), inner.get(number)) for number in range(1, plan.segments + 1)
    )


def _edges(
    photo: Photo, camera: Camera, height_mm: float, sides: Sides, lines: Candidates
) -> dict[int, EdgeLine]:
    tried = _worth_trying(lines)
    fits, scale = refine(photo, camera, height_mm, sides, tried)
    edges = {}
    for side, number in enumerate(sides.numbers):
        mine = np.flatnonzero(tried.side == side)
        edge = _edge(sides, side, tried, fits, scale, mine)
        if edge is not None:
            edges[int(number)] = edge
    return edges


def _worth_trying(lines: Candidates) -> Candidates:
    """The likeliest lines of every side, the likeliest first."""
    order = np.lexsort((-lines.chance, lines.side))
    rank = np.arange(len(order)) - np.searchsorted(lines.side[order], lines.side[order])
    kept = order[(rank < _MOST_TRIED) & ((lines.chance[order] > _LEAST_CHANCE) | (rank == 0))]
    return Candidates(
        lines.side[kept], lines.out_mm[kept], lines.slope[kept], lines.chance[kept], lines.features[kept]
    )


def refine(
    photo: Photo, camera: Camera, height_mm: float, sides: Sides, lines: Candidates
) -> tuple[LineFits, Array]:
    """Fit the lines in original pixels; returns also each one's scale, px per mm, shape (J,)."""
    profiles = gather(
        photo,
        camera,
        height_mm,
        sides,
        lines.side,
        lines.out_mm,
        lines.slope,
        reach_px=REACH_PX,
        block_px=_BLOCK_PX,
        bin_px=_BIN_PX,
    )
    wall = sides.wall_mm(camera, height_mm)[lines.side] * profiles.px_per_mm
    foot = np.where((wall > _NEAREST_FOOT_PX) & (wall < _FARTHEST_FOOT_PX), wall, np.nan)
    return fit_lines(profiles, foot), profiles.px_per_mm


def _edge(
    sides: Sides, side: int, lines: Candidates, fits: LineFits, scale: Array, mine: NDArray[np.intp]
) -> EdgeLine | None:
    """Make the likeliest line's edge, unsure also by where the other lines of its side would put it."""
    best = mine[0]
    out = lines.out_mm[mine] + fits.place_px[mine] / scale[mine]
    slope = lines.slope[mine] + fits.turn[mine]
    chance = lines.chance[mine] / lines.chance[mine].sum()
    offset = np.hypot(
        np.linalg.norm(
            [
                _FIT_FACTOR * fits.place_standard_px[best],
                _CLOSE_FACTOR * (fits.close_place_px[best] - fits.place_px[best]),
                _TONE_PX,
            ]
        )
        / scale[best],
        np.sqrt(chance @ (out - out[0]) ** 2),
    )
    turn = np.linalg.norm(
        [
            _TURN_FIT_FACTOR * fits.turn_standard[best],
            _TURN_CLOSE_FACTOR * (fits.close_turn[best] - fits.turn[best]),
            np.sqrt(chance @ (slope - slope[0]) ** 2),
        ]
    )
    turn_deg = float(np.degrees(turn))
    told = fits.kept[best] >= _LEAST_KEPT and fits.block_standard_px[best] <= _MOST_BLOCK_PX
    if not told or offset > _MOST_OFFSET_MM or turn_deg > _MOST_TURN_DEG:
        return None
    middle = sides.place(np.array(side), np.array(0.0), np.array(out[0]))
    return EdgeLine(
        middle, sides.direction_deg(side, float(slope[0])), float(offset), turn_deg, float(fits.kept[best])
    )


def outer_edges_px(outline: Outline, edges: tuple[SegmentEdges, ...], plan: Plan) -> Array:
    """Both ends of straight pieces of the ring's outer edges, shape (n, 2, 2), px.

    A turned ring has none, but chords so short that their arcs are as good as straight.
    """
    found = [item.outer for item in edges if item.outer is not None]
    if not found:
        return np.empty((0, 2, 2))
    middles = np.array([edge.middle_mm for edge in found])
    angles = np.radians([edge.direction_deg for edge in found])
    half = _PIECE_SHARE * plan.outer_mm * np.tan(np.radians(plan.mitre_deg))
    if plan.outline == "round":
        turns = np.radians(plan.pitch_deg) * _CHORDS
        swing = np.exp(1j * turns)[:, None] * (middles @ [1.0, 1.0j])
        middles = np.stack([swing.real, swing.imag], axis=-1).reshape(-1, 2)
        angles = (angles + turns[:, None]).ravel()
        px_per_mm = outline.camera.px_per_mm([0.0, 0.0], plan.thickness_mm)
        half = min(half, float(np.sqrt(2.0 * plan.outer_mm * _SAGITTA_PX / px_per_mm)))
    along = half * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    return outline.camera.project_plane(
        np.stack([middles - along, middles + along], axis=1), plan.thickness_mm
    )
