"""Photographs without a ring: each is refused, whether its scale is known or not, and soon."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from skimage import data

from lightgap.camera import Camera
from lightgap.errors import RingError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import find_comb
from lightgap.ring.outline import best_outline, find_outline, find_outline_unscaled

# Photographs that scikit-image carries itself (skimage.data): nothing is fetched.
PICTURES = {
    name: getattr(data, name)
    for name in ("astronaut", "brick", "camera", "cat", "clock", "coffee", "coins", "grass", "gravel", "page")
}
PLANS = {
    "closed 12": Plan(12, "closed", 220.0, 38.0, 19.0),
    "spaced 16": Plan(16, "spaced", 250.0, 32.0, 20.0, gap_mm=3.0),
    "turned 24": Plan(24, "spaced", 280.0, 24.0, 18.0, gap_mm=3.5, outline="round"),
}
SECONDS = 20.0


def picture(name: str) -> Photo:
    """The picture in colour, enlarged to more than a megapixel."""
    codes = PICTURES[name]()
    if codes.ndim == 2:
        codes = np.stack([codes] * 3, axis=-1)
    factor = int(np.ceil(1100 / min(codes.shape[:2])))
    return Photo(cv2.resize(np.asarray(codes, np.uint8), None, fx=factor, fy=factor))


def square_on(photo: Photo, plan: Plan) -> Camera:
    """A camera straight above, to which a ring of the plan would fill 70 % of the picture's height."""
    away = photo.default_focal_px * plan.outer_mm / (0.35 * min(photo.width, photo.height))
    middle = np.array([photo.width / 2.0, photo.height / 2.0])
    place = np.array([0.0, 0.0, away + plan.thickness_mm])
    return Camera(photo.default_focal_px, middle, np.diag([1.0, -1.0, -1.0]), place)


@pytest.mark.parametrize("name", PICTURES)
def test_no_ring_is_seen_where_there_is_none(name: str) -> None:
    photo = picture(name)
    for plan in PLANS.values():
        # Rings of the sample photographs have 2.6 and more.
        assert best_outline(photo, square_on(photo, plan), plan).score < 2.3


@pytest.mark.parametrize("name", ["coins", "page"])
def test_the_refusal_comes_soon_and_says_what_to_do(name: str) -> None:
    photo, plan = picture(name), PLANS["closed 12"]
    started = time.process_time()
    with pytest.raises(RingError, match="No ring of this plan") as told:
        find_outline(photo, square_on(photo, plan), plan)
    assert time.process_time() - started < SECONDS
    assert told.value.hint


@pytest.mark.parametrize(
    ("name", "plan"), [("cat", "closed 12"), ("coins", "spaced 16"), ("coffee", "turned 24")]
)
def test_nothing_is_measured_without_a_scale_either(name: str, plan: str) -> None:
    # The coffee stands in a round cup.
    photo, entered = picture(name), PLANS[plan]
    started = time.process_time()
    with pytest.raises(RingError):
        find_comb(photo, find_outline_unscaled(photo, entered), entered)
    assert time.process_time() - started < SECONDS


def test_an_even_picture_shows_no_ring() -> None:
    photo, plan = Photo(np.full((1200, 1600, 3), 128, np.uint8)), PLANS["closed 12"]
    with pytest.raises(RingError, match="No ring"):
        find_outline(photo, square_on(photo, plan), plan)
    with pytest.raises(RingError, match="No ring"):
        find_outline_unscaled(photo, plan)
