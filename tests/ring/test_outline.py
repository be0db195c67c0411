"""Where the ring lies: found with a rough camera, with none, or from three points; refused with a reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage.measure import CircleModel

from accuracy.look import Bench, Look, Wood
from accuracy.maker import View, draw_ring
from accuracy.matrix import cases
from accuracy.truth import Truth, read_folder
from lightgap.camera import Camera
from lightgap.errors import RingError
from lightgap.photo import Photo, read_photo
from lightgap.plan import Plan
from lightgap.ring.handset import circle_through
from lightgap.ring.outline import best_outline, find_outline, find_outline_unscaled
from lightgap.ring.plane import project32
from ring_scenes import (
    CLOSED,
    SPACED,
    TURNED,
    centre_error_mm,
    ring,
    rough_camera,
    turn_error_deg,
)

SAMPLES = read_folder(Path(__file__).parents[2] / "sample_images")
FEW = Plan(6, "closed", 180.0, 38.0, 19.0)
MANY = Plan(48, "spaced", 330.0, 30.0, 19.0, gap_mm=2.5)


@pytest.mark.parametrize("truth", SAMPLES, ids=lambda truth: truth.photo.stem)
def test_every_sample_is_found_with_a_rough_camera(truth: Truth) -> None:
    # Among them a hose clamp, a rubber band, a bench of nearly the ring's colour, woods in turn, hard shadow.
    outline = find_outline(read_photo(truth.photo), rough_camera(truth), truth.plan)
    assert centre_error_mm(outline, truth) < 1.0
    assert outline.outer_mm / truth.plan.outer_mm == pytest.approx(1.01, abs=0.006)
    if truth.plan.outline == "polygon":
        assert turn_error_deg(outline, truth) < 1.0


@pytest.mark.parametrize("plan", [FEW, MANY, TURNED], ids=["6 segments", "48 segments", "turned round"])
def test_few_or_many_segments_and_a_round_outline(plan: Plan) -> None:
    drawn = ring(plan)
    outline = find_outline(drawn.photo, rough_camera(drawn.truth), plan)
    assert centre_error_mm(outline, drawn.truth) < 1.0
    assert outline.score > 3.3


def test_the_ring_frame_is_upright_wherever_the_bench_frame_lies() -> None:
    drawn = ring(CLOSED)
    camera = drawn.truth.camera
    found = [
        find_outline(drawn.photo, camera.moved(origin, turn), CLOSED)
        for origin, turn in (([0.0, 0.0], 0.0), ([150.0, -80.0], 77.0))
    ]
    height = CLOSED.thickness_mm
    for outline in found:
        here, above = outline.camera.project_plane([[0.0, 0.0], [0.0, 1.0]], height)
        assert above[1] < here[1]
        assert abs(above[0] - here[0]) < 1e-3
    middles = [outline.camera.project_plane([0.0, 0.0], height) for outline in found]
    assert np.hypot(*(middles[0] - middles[1])) * 0.18 < 0.4


@pytest.mark.parametrize("tilt_deg", [1.0, 12.0, 25.0])
def test_without_a_scale_the_ring_tells_how_the_camera_leans(tilt_deg: float) -> None:
    plan = replace(CLOSED, segments=8)
    drawn = ring(plan, view=View(mm_per_px=0.18, tilt_deg=tilt_deg, margin_mm=20.0))
    outline = find_outline_unscaled(drawn.photo, plan)
    assert centre_error_mm(outline, drawn.truth) < 1.5
    apart = np.degrees(np.arccos(outline.camera.rotation[:, 2] @ drawn.truth.camera.rotation[:, 2]))
    assert apart < 2.0
    assert outline.outer_mm == pytest.approx(plan.outer_mm, rel=0.005)


@pytest.mark.parametrize("toward_deg", [30.0, 60.0, 200.0])
def test_a_ring_of_many_segments_is_found_from_far_aside(toward_deg: float) -> None:
    drawn = ring(MANY, view=View(mm_per_px=0.25, tilt_deg=26.0, tilt_from_deg=toward_deg, margin_mm=20.0))
    outline = find_outline_unscaled(drawn.photo, MANY)
    assert centre_error_mm(outline, drawn.truth) < 2.0
    assert outline.score > 3.0


def test_on_a_bench_of_the_woods_colour_the_foot_of_the_inner_wall_leads_to_the_ring() -> None:
    # Next to nothing shows of the outer edge; the inner edge's own wall is the strongest line there is.
    plan = replace(FEW, across_flats_mm=90.0, width_mm=15.0)
    drawn = ring(
        plan,
        bench="tan",
        figure=0.2,
        grain_turn_deg=90.0,
        view=View(mm_per_px=0.08, tilt_deg=1.0, margin_mm=10.0),
    )
    outline = find_outline_unscaled(drawn.photo, plan)
    assert centre_error_mm(outline, drawn.truth) < 1.0


def test_a_small_hexagon_is_found_among_printed_cards() -> None:
    plan = Plan(6, "spaced", 90.0, 15.0, 20.0, gap_mm=2.0)
    look = Look(wood=Wood(("ash", "padauk"), 0.2, 90.0), bench=Bench("green"))
    drawn = draw_ring(plan, 5, look=look, view=View(mm_per_px=0.2, tilt_deg=0.0), reference="cards:3")
    outline = find_outline(drawn.photo, rough_camera(drawn.truth), plan)
    assert centre_error_mm(outline, drawn.truth) < 1.0


def points_on_edge(truth: Truth, *directions_deg: float) -> tuple[tuple[float, float], ...]:
    """Points near the outer edge, as a finger sets them: 2 mm off."""
    angle = np.radians(directions_deg)
    radius = truth.plan.outer_mm + np.array([2.0, -1.0, 1.5])
    place = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    pixels = truth.camera.project_plane(place, truth.plan.thickness_mm)
    return tuple((float(x), float(y)) for x, y in pixels)


def test_three_points_set_by_hand_start_the_search() -> None:
    drawn = ring(SPACED)
    a, b, c = points_on_edge(drawn.truth, 20.0, 130.0, 260.0)
    outline = find_outline(drawn.photo, rough_camera(drawn.truth), SPACED, (a, b, c))
    assert centre_error_mm(outline, drawn.truth) < 1.0
    unscaled = find_outline_unscaled(drawn.photo, SPACED, (a, b, c))
    assert centre_error_mm(unscaled, drawn.truth) < 1.5


def test_the_three_points_decide_which_of_two_rings_is_meant() -> None:
    drawn = ring(SPACED)
    twice = Photo(np.concatenate([drawn.photo.codes, drawn.photo.codes], axis=1))
    aside = drawn.photo.width
    points = points_on_edge(drawn.truth, 20.0, 130.0, 260.0)
    for shift in (0, aside):
        a, b, c = ((x + shift, y) for x, y in points)
        here = replace(drawn.truth.camera, centre_px=drawn.truth.camera.centre_px + np.array([shift, 0.0]))
        outline = find_outline(twice, here, SPACED, (a, b, c))
        centre = outline.camera.project_plane([0.0, 0.0], SPACED.thickness_mm)
        assert np.hypot(*(centre - drawn.truth.centre_px - [shift, 0.0])) * 0.18 < 1.0


@pytest.mark.parametrize("points", [[(0, 0), (50, 50), (100, 100)], [(0, 0), (0, 0), (9, 1)]])
def test_three_points_that_span_no_circle_are_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(RingError, match="do not span a circle"):
        circle_through(np.array(points, dtype=float), TURNED)


def test_the_circle_through_three_points_is_that_of_scikit_image() -> None:
    # scikit-image, skimage.measure.CircleModel
    points = np.array([[310.0, 22.0], [80.0, 190.0], [260.0, 330.0]])
    circle = circle_through(points, TURNED)
    model = CircleModel.from_estimate(points)
    assert (circle.x, circle.y, circle.outer) == pytest.approx((*model.center, model.radius))


@pytest.mark.parametrize(("side", "share"), [("left", 0.03), ("top", 0.2), ("right", 0.35)])
def test_a_ring_cut_off_by_the_frame_says_where_and_how_much(side: str, share: float) -> None:
    drawn = ring(SPACED)
    truth, codes = drawn.truth, drawn.photo.codes
    height, width = codes.shape[:2]
    x, y = (
        truth.outline()
        .camera.project_plane(
            SPACED.outer_mm * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]]), SPACED.thickness_mm
        )
        .T
    )
    left = int(x.min() + share * np.ptp(x)) if side == "left" else 0
    top = int(y.min() + share * np.ptp(y)) if side == "top" else 0
    right = int(x.max() - share * np.ptp(x)) if side == "right" else width
    photo = Photo(codes[top:height, left:right].copy(), drawn.photo.focal_px)
    camera = replace(truth.camera, centre_px=truth.camera.centre_px - [left, top])
    with pytest.raises(RingError, match=rf"cut off at the {side} .*about (\d+) %") as told:
        find_outline(photo, camera, SPACED)
    # A chord at this depth of a circle leaves arccos(1 - 2 share) / pi of it outside.
    lost = int(told.value.message.split("about ")[1].split(" %")[0])
    assert lost == pytest.approx(100 * np.arccos(1 - 2 * share) / np.pi, abs=4)


def test_a_ring_cut_off_is_told_without_a_scale() -> None:
    drawn = ring(SPACED)
    top = int(drawn.truth.centre_px[1] - 0.9 * SPACED.outer_mm / 0.18)
    with pytest.raises(RingError, match="cut off at the top"):
        find_outline_unscaled(Photo(drawn.photo.codes[top:].copy(), drawn.photo.focal_px), SPACED)


@pytest.mark.parametrize("entered", [9, 11, 13, 6, 24])
def test_a_wrong_number_of_segments_is_told_by_the_sides(entered: int) -> None:
    drawn = ring(CLOSED)
    with pytest.raises(RingError, match=f"looks like 12 segments, but {entered} were entered"):
        find_outline(drawn.photo, drawn.truth.camera, replace(CLOSED, segments=entered))


def test_a_wrong_number_of_segments_is_told_without_a_scale() -> None:
    drawn = ring(CLOSED)
    with pytest.raises(RingError, match="looks like 12 segments, but 11 were entered"):
        find_outline_unscaled(drawn.photo, replace(CLOSED, segments=11))


@pytest.mark.parametrize("entered_mm", [150.0, 209.0, 232.0, 300.0])
def test_a_wrong_size_is_told(entered_mm: float) -> None:
    drawn = ring(CLOSED)
    with pytest.raises(RingError, match=r"measures about (219|220|221) mm across flats"):
        find_outline(drawn.photo, drawn.truth.camera, replace(CLOSED, across_flats_mm=entered_mm))


def test_a_size_within_three_per_cent_is_the_plans_own() -> None:
    drawn = ring(CLOSED)
    outline = find_outline(drawn.photo, drawn.truth.camera, replace(CLOSED, across_flats_mm=216.0))
    assert 2 * outline.outer_mm == pytest.approx(220.0, abs=0.8)


def test_the_best_guess_is_there_for_whoever_only_compares() -> None:
    drawn = ring(CLOSED)
    right = best_outline(drawn.photo, drawn.truth.camera, CLOSED).score
    wrong = best_outline(drawn.photo, drawn.truth.camera, replace(CLOSED, across_flats_mm=300.0)).score
    assert right > wrong + 1.0


def test_fast_projection_is_that_of_opencv() -> None:
    # OpenCV, cv2.projectPoints
    turn, _ = cv2.Rodrigues(np.array([2.9, 0.3, 0.2]))
    camera = Camera(
        3000.0, np.array([2000.0, 1500.0]), np.asarray(turn), np.array([5.0, -8.0, 500.0]), 0.02, -0.01
    )
    x, y = np.meshgrid(np.linspace(-150.0, 150.0, 7), np.linspace(-120.0, 130.0, 6))
    points = np.stack([x, y, np.full_like(x, 19.0)], axis=-1).reshape(-1, 3)
    matrix = np.array([[3000.0, 0.0, 2000.0], [0.0, 3000.0, 1500.0], [0.0, 0.0, 1.0]])
    lens = np.array([0.02, -0.01, 0.0, 0.0, 0.0])
    expected, _ = cv2.projectPoints(points, np.array([2.9, 0.3, 0.2]), camera.translation, matrix, lens)
    across, down = project32(camera, x, y, 19.0)
    np.testing.assert_allclose(
        np.stack([across, down], axis=-1).reshape(-1, 2), expected.reshape(-1, 2), atol=0.005
    )


def test_the_joints_tell_the_lean_of_a_round_ring_where_its_edges_do_not() -> None:
    # The benchmark's seed 502, case 91: by its edges alone it was seen under 10.8 instead of 8 degrees.
    case = cases(502, 120)[91]
    drawn = case.draw()
    outline = find_outline_unscaled(drawn.photo, case.plan)
    apart = np.degrees(np.arccos(outline.camera.rotation[:, 2] @ drawn.truth.camera.rotation[:, 2]))
    assert apart < 1.0


def test_the_joints_tell_the_centre_where_a_shadow_looks_like_the_edge() -> None:
    # Case 52: half in shadow; the shadow's end and the inner wall's foot make the clearer circles.
    case = cases(502, 120)[52]
    drawn = case.draw()
    outline = find_outline(drawn.photo, drawn.truth.camera, case.plan)
    assert centre_error_mm(outline, drawn.truth) < 1.0


def test_joints_beyond_doubt_are_enough_where_the_bench_hides_half_the_edges() -> None:
    # Seed 506, case 119: woods in turn, one of the bench's tone.
    case = cases(506, 160)[119]
    drawn = case.draw()
    assert centre_error_mm(find_outline(drawn.photo, drawn.truth.camera, case.plan), drawn.truth) < 1.0
