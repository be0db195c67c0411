"""Where a ring could lie: votes of its edges, of a polygon's sides, of open joints."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from accuracy.maker import View
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import Circle, circles_in_photo, different
from ring_scenes import ring

SIX = Plan(6, "closed", 90.0, 15.0, 18.0)


def flat_ring(plan: Plan, apothem_px: float, turn_deg: float) -> Photo:
    """A ring of one even tone in the middle of an even picture."""
    codes = np.full((960, 960, 3), 90, np.uint8)
    angle = np.radians(turn_deg + (np.arange(plan.segments) + 0.5) * plan.pitch_deg)
    corners = np.stack([np.cos(angle), np.sin(angle)], axis=1) / np.cos(np.radians(plan.mitre_deg))
    for size, tone in ((apothem_px, 190), (apothem_px * plan.inner_mm / plan.outer_mm, 90)):
        outline = np.rint(480.0 + size * corners).astype(np.int32)
        cv2.fillPoly(codes, [outline.reshape(-1, 1, 2)], (tone, tone, tone), cv2.LINE_AA)
    return Photo(codes)


@pytest.mark.parametrize("turn_deg", [0.0, 11.0, 25.0, 47.0])
@pytest.mark.parametrize("segments", [5, 6, 8, 12])
def test_a_polygon_is_found_by_its_sides_in_every_turn(segments: int, turn_deg: float) -> None:
    plan = replace(SIX, segments=segments)
    best = circles_in_photo(flat_ring(plan, 300.0, turn_deg), plan, "sides")[0]
    assert np.hypot(best.x - 480.0, best.y - 480.0) < 12.0
    assert best.outer == pytest.approx(300.0, rel=0.04)


def test_sides_get_more_votes_than_the_circle_a_hexagon_nearly_is() -> None:
    photo = flat_ring(SIX, 300.0, 25.0)
    by_sides, as_circle = (circles_in_photo(photo, SIX, by)[0].votes for by in ("sides", "edges"))
    assert by_sides > 1.5 * as_circle


def test_a_large_circle_outweighs_a_small_one_that_has_a_few_more_votes_by_chance() -> None:
    small, large = Circle(100.0, 100.0, 50.0, 0.45), Circle(500.0, 400.0, 300.0, 0.40)
    assert different([small, large]) == [large, small]


def test_of_circles_that_are_alike_one_is_left_and_of_those_without_votes_none() -> None:
    one, like = Circle(100.0, 100.0, 50.0, 0.45), Circle(101.0, 100.0, 51.0, 0.40)
    assert different([like, one, Circle(500.0, 400.0, 300.0, 0.05)]) == [one]


@pytest.mark.parametrize("tilt_deg", [8.0, 25.0])
def test_walls_of_open_joints_point_to_the_ring_however_the_camera_leans(tilt_deg: float) -> None:
    plan = Plan(24, "spaced", 240.0, 34.0, 20.0, gap_mm=3.0, outline="round")
    truth = (drawn := ring(plan, view=View(mm_per_px=0.18, tilt_deg=tilt_deg, margin_mm=20.0))).truth
    around = np.radians(np.arange(0.0, 360.0, 15.0))
    rim = plan.outer_mm * np.stack([np.cos(around), np.sin(around)], axis=1)
    rim_px = truth.camera.project_plane(rim, plan.thickness_mm)
    middle = rim_px.mean(axis=0)
    size = float(np.hypot(*(rim_px - middle).T).mean())
    best = circles_in_photo(drawn.photo, plan, "joints")[0]
    assert np.hypot(best.x - middle[0], best.y - middle[1]) < 0.1 * size
    assert best.outer == pytest.approx(size, rel=0.06)
