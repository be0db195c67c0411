"""Edges of rings whose true edges are known: exact steps, and rings drawn as a phone would see them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from accuracy.look import Bench, Light, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.truth import Truth
from exact_ring import ExactRing
from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.edges import EdgeLine, SegmentEdges, fit_edges, outer_edges_px
from lightgap.ring.place import Outline
from lightgap.ring.sides import find_sides

Array = NDArray[np.float64]

PLAN = Plan(segments=8, joint="closed", across_flats_mm=90.0, width_mm=20.0, thickness_mm=10.0)


@dataclass(frozen=True)
class Off:
    """How far a fitted edge lies outside the true one, and how far it is turned."""

    distance_mm: float
    direction_deg: float


def aslant(tilt_deg: float, px_per_mm: float) -> Camera:
    """A camera over the ring's centre plane, leaning, with some distortion."""
    turn = np.radians(tilt_deg)
    rotation = np.array([[1, 0, 0], [0, -np.cos(turn), -np.sin(turn)], [0, np.sin(turn), -np.cos(turn)]])
    distance = 220.0
    centre = np.array([310.0, 300.0])
    return Camera(px_per_mm * distance, centre, rotation, np.array([2.0, 3.0, distance]), k1=0.02)


def even_comb(plan: Plan, first_deg: float) -> Comb:
    """Every joint exactly where the plan has it; joint 1 in direction ``first_deg``."""
    teeth = []
    for number in range(1, plan.segments + 1):
        direction = first_deg - (number - 1) * plan.pitch_deg
        unit = np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction))])
        teeth.append(Tooth(number, plan.middle_radius_mm * unit, direction, plan.gap_mm, True, 9.0))
    return Comb(tuple(teeth))


def stepped_photo(plan: Plan, camera: Camera, first_deg: float, wood: float, bench: float) -> Photo:
    """A ring without thickness: linear light, one level for wood and one for bench, blurred by 0.8 px."""
    y, x = np.mgrid[0:600, 0:620]
    points = camera.to_plane(np.stack([x, y], axis=-1).astype(float), plan.thickness_mm)
    normals = np.radians(first_deg - (np.arange(plan.segments) + 0.5) * plan.pitch_deg)
    out = np.max(points @ np.stack([np.cos(normals), np.sin(normals)]), axis=-1)
    # Distance in pixels: how fast the distance in mm grows from pixel to pixel.
    per_px = np.hypot(*np.gradient(out))
    share = ndtr((plan.outer_mm - out) / per_px / 0.8) - ndtr((plan.inner_mm - out) / per_px / 0.8)
    light = bench + (wood - bench) * share
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055) * 255.0
    grey = np.random.default_rng(1).uniform(-0.5, 0.5, codes.shape) + codes
    return Photo(np.repeat(np.clip(np.round(grey), 0, 255).astype(np.uint8)[..., None], 3, axis=-1))


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
def test_exact_steps_are_found_to_a_fiftieth_of_a_pixel(tilt_deg: float) -> None:
    camera = aslant(tilt_deg, px_per_mm=5.5)
    photo = stepped_photo(PLAN, camera, 75.0, wood=0.5, bench=0.12)
    # The search starts 0.4 mm beside the truth, and too small.
    beside = np.array([0.4, 0.0])
    started = camera.moved(beside, 0.0)
    outline = Outline(started, PLAN.outer_mm - 0.3, PLAN.inner_mm + 0.3, 0.0, 4.0)
    comb = even_comb(PLAN, 75.0)
    moved = [replace(tooth, middle_mm=tooth.middle_mm - beside) for tooth in comb.teeth]
    edges = fit_edges(photo, outline, Comb(tuple(moved)), PLAN)
    for item in edges:
        normal = np.radians(75.0 - (item.number - 0.5) * PLAN.pitch_deg)
        assert item.outer is not None
        distance = (item.outer.middle_mm + beside) @ [np.cos(normal), np.sin(normal)]
        assert distance == pytest.approx(PLAN.outer_mm, abs=0.02 / 5.5)
        turn = (item.outer.direction_deg - np.degrees(normal) + 90.0 + 180.0) % 360.0 - 180.0
        assert turn == pytest.approx(0.0, abs=0.02)
        assert item.outer.kept > 0.9


def test_nothing_is_told_where_wood_and_bench_are_alike() -> None:
    camera = aslant(5.0, px_per_mm=5.5)
    photo = stepped_photo(PLAN, camera, 75.0, wood=0.3, bench=0.3)
    outline = Outline(camera, PLAN.outer_mm, PLAN.inner_mm, 0.0, 4.0)
    for item in fit_edges(photo, outline, even_comb(PLAN, 75.0), PLAN):
        assert item.outer is None
        assert item.inner is None


def test_a_missing_segment_has_no_edges() -> None:
    camera = aslant(0.0, px_per_mm=5.5)
    photo = stepped_photo(PLAN, camera, 75.0, wood=0.5, bench=0.12)
    outline = Outline(camera, PLAN.outer_mm, PLAN.inner_mm, 0.0, 4.0)
    comb = Comb(even_comb(PLAN, 75.0).teeth, missing_segments=(3,))
    edges = fit_edges(photo, outline, comb, PLAN)
    assert [item.number for item in edges] == list(range(1, 9))
    assert edges[2] == SegmentEdges(3, None, None)
    assert all(item.outer is not None for item in edges if item.number != 3)


def test_walls_are_foretold_from_where_the_camera_stands() -> None:
    """Seen from above the centre, an outer wall is hidden; an inner one shows h / Z of its radius."""
    camera = aslant(0.0, px_per_mm=5.0).moved([-2.0, 3.0], 0.0)
    np.testing.assert_allclose(camera.foot_mm[:2], 0.0, atol=1e-9)
    outline = Outline(camera, PLAN.outer_mm, PLAN.inner_mm, 0.0, 4.0)
    height, above = PLAN.thickness_mm, camera.foot_mm[2]
    for kind, radius, sign in (("outer", PLAN.outer_mm, -1.0), ("inner", PLAN.inner_mm, 1.0)):
        walls = find_sides(outline, even_comb(PLAN, 10.0), PLAN, kind).wall_mm(camera, height)
        np.testing.assert_allclose(walls, sign * radius * height / above)


@cache
def drawn_ring(outline: str) -> Drawn:
    """A drawn ring with a careful maker's errors, in a light that makes its walls bright and dark."""
    plan = Plan(10, "spaced", 150.0, 26.0, 18.0, gap_mm=3.0, outline=outline)
    look = Look(Wood(("cherry",)), Light(from_deg=200.0, slope=1.0, share=0.6), Bench("tan"))
    view = View(mm_per_px=0.12, tilt_deg=8.0)
    return draw_ring(plan, seed=5, look=look, view=view, reference="none")


def true_edges(truth: Truth) -> dict[tuple[int, str], Array]:
    """Ends of each edge as seen on the nominal top plane, going clockwise, in the outline's frame."""
    plan, camera = truth.plan, truth.outline().camera
    raw_of = {id(joint["face_A"]): index for index, joint in enumerate(truth.raw["joints"])}
    edges = {}
    for number, joint in enumerate(truth.joints, 1):
        # The truth counts anticlockwise: the segment clockwise after its joint k is its segment k - 1.
        segment = truth.raw["segments"][raw_of[id(joint.raw["face_A"])] - 1]
        pixels = truth.camera.project_plane(np.array(segment["polygon_mm"]), segment["top_height_mm"])
        corners = camera.to_plane(pixels, plan.thickness_mm)
        edges[number, "outer"] = corners[[2, 1]]
        edges[number, "inner"] = corners[[3, 0]]
    return edges


def off(line: EdgeLine, ends: Array, round_: bool) -> Off:
    run = ends[1] - ends[0]
    along = run / np.hypot(*run)
    if round_:
        radii = np.hypot(*ends.T)
        middle = np.arctan2(line.middle_mm[1], line.middle_mm[0])
        true_deg = np.degrees(middle - np.pi / 2.0 + (radii[1] - radii[0]) / np.hypot(*run))
        share = float((line.middle_mm - ends[0]) @ along / np.hypot(*run))
        distance = float(np.hypot(*line.middle_mm) - radii[0] - share * (radii[1] - radii[0]))
    else:
        true_deg = np.degrees(np.arctan2(run[1], run[0]))
        distance = float((line.middle_mm - ends[0]) @ [-along[1], along[0]])
    return Off(distance, float((line.direction_deg - true_deg + 180.0) % 360.0 - 180.0))


@pytest.mark.parametrize("outline", ["polygon", "round"])
def test_drawn_edges_lie_within_their_uncertainty(outline: str) -> None:
    drawn = drawn_ring(outline)
    truth = drawn.truth
    start = replace(truth.outline(), outer_mm=truth.plan.outer_mm + 0.3, inner_mm=truth.plan.inner_mm - 0.3)
    edges = fit_edges(drawn.photo, start, truth.comb(shift_mm=0.2, turn_deg=0.3), truth.plan)
    ends = true_edges(truth)
    for kind, most_mm in (("outer", 0.03), ("inner", 0.06)):
        lines = [(item.number, getattr(item, kind)) for item in edges]
        fitted = [(number, line) for number, line in lines if line is not None]
        assert len(fitted) >= 9
        offs = [off(line, ends[number, kind], outline == "round") for number, line in fitted]
        assert np.sqrt(np.mean([item.distance_mm**2 for item in offs])) < most_mm
        within = [
            abs(item.distance_mm) < 2.0 * line.offset_standard_mm
            and abs(item.direction_deg) < 2.0 * line.direction_standard_deg
            for item, (_, line) in zip(offs, fitted, strict=True)
        ]
        assert np.mean(within) >= 0.9


def test_the_answer_hardly_depends_on_the_start() -> None:
    drawn = drawn_ring("polygon")
    truth = drawn.truth
    one, other = (
        fit_edges(
            drawn.photo,
            replace(truth.outline(), outer_mm=truth.plan.outer_mm + wrong),
            truth.comb(0.3, 0.5, seed),
            truth.plan,
        )
        for seed, wrong in ((1, 0.4), (2, -0.4))
    )
    moves = []
    for a, b in zip(one, other, strict=True):
        assert a.outer is not None and b.outer is not None
        angle = np.radians(a.outer.direction_deg)
        moves.append((a.outer.middle_mm - b.outer.middle_mm) @ [-np.sin(angle), np.cos(angle)])
    assert np.abs(moves).max() < 0.02


@pytest.mark.parametrize("outline", ["polygon", "round"])
def test_pieces_of_the_outer_edges_are_straight_whatever_the_outline(outline: str) -> None:
    """On a polygon's flats, and on a circle no further than 0.15 px off, all round the ring."""
    ring = ExactRing(replace(PLAN, segments=12, outline=outline))
    pieces = outer_edges_px(ring.outline, tuple(ring.edges(number) for number in ring.numbers), ring.plan)
    share = np.linspace(0.0, 1.0, 9)[:, None]
    points = pieces[:, :1] + share * (pieces[:, 1:] - pieces[:, :1])
    camera = ring.outline.camera
    on_ring = camera.to_plane(points.reshape(-1, 2), ring.plan.thickness_mm).reshape(*points.shape)
    reach = np.hypot(*np.moveaxis(on_ring, -1, 0))
    middles = np.degrees(np.arctan2(*on_ring[:, 4].T))
    assert np.max(np.diff(np.sort(middles))) < 31.0
    px = camera.px_per_mm([0.0, 0.0], ring.plan.thickness_mm)
    if outline == "round":
        assert np.max(np.abs(reach - ring.plan.outer_mm)) * px < 0.2
        assert len(pieces) == 5 * 12
    else:
        # The middle of a flat is nearest to the centre.
        assert reach.min(axis=1) == pytest.approx(ring.plan.outer_mm, abs=0.05 / px)
