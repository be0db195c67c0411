"""Where a ring could lie: a circle's votes, and a polygon's by its sides."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.circles import Circle, circles_in_photo, different

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
    best = circles_in_photo(flat_ring(plan, 300.0, turn_deg), plan, sides=True)[0]
    assert np.hypot(best.x - 480.0, best.y - 480.0) < 12.0
    assert best.outer == pytest.approx(300.0, rel=0.04)


def test_sides_get_more_votes_than_the_circle_a_hexagon_nearly_is() -> None:
    photo = flat_ring(SIX, 300.0, 25.0)
    by_sides, as_circle = (circles_in_photo(photo, SIX, sides)[0].votes for sides in (True, False))
    assert by_sides > 1.5 * as_circle


def test_a_large_circle_outweighs_a_small_one_that_has_a_few_more_votes_by_chance() -> None:
    small, large = Circle(100.0, 100.0, 50.0, 0.45), Circle(500.0, 400.0, 300.0, 0.40)
    assert different([small, large]) == [large, small]


def test_of_circles_that_are_alike_one_is_left_and_of_those_without_votes_none() -> None:
    one, like = Circle(100.0, 100.0, 50.0, 0.45), Circle(101.0, 100.0, 51.0, 0.40)
    assert different([like, one, Circle(500.0, 400.0, 300.0, 0.05)]) == [one]
