"""A lens from several photos of the cards, and what a profile does to a photo's scale."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from functools import lru_cache

import numpy as np
import pytest

from flat_scene import FOCAL_PX, HEIGHT, WIDTH, FlatScene, look_down
from lightgap.check import find_reference
from lightgap.errors import LightgapError, ScaleError
from lightgap.lens import CameraProfile
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.calibration import calibrate
from lightgap.reference.cards import find_cards
from test_cards import FOUR
from test_lens import LENS

PLAN = Plan(segments=12, joint="closed", across_flats_mm=180.0, width_mm=30.0, thickness_mm=18.0)
DIAGONAL = float(np.hypot(WIDTH, HEIGHT))
TRUE_FOCAL, TRUE_CENTRE, TRUE_K1 = 0.985 * FOCAL_PX, (5.0, -3.0), -0.02
"""EXIF's whole number is 1.5 % off."""
LEANED = ((25.0, 20.0, 0.0), (25.0, 140.0, 0.0), (22.0, 260.0, 90.0), (10.0, 60.0, 180.0))
MADE = date(2026, 3, 1)


def cards_from(tilt_deg: float, towards_deg: float, turn_deg: float, count: int = 4) -> Photo:
    camera = look_down(
        tilt_deg,
        towards_deg,
        turn_deg,
        distance_mm=480.0,
        focal_px=TRUE_FOCAL,
        off_centre_px=TRUE_CENTRE,
        k1=TRUE_K1,
    )
    scene = FlatScene(camera)
    for number, x, y, turn in FOUR[:count]:
        scene.card(number, 0.8 * x, 0.8 * y, turn)
    return replace(scene.photo(), lens=LENS, name=f"tilt{tilt_deg:g}.jpg")


@lru_cache
def photos() -> tuple[Photo, ...]:
    return tuple(cards_from(*view) for view in LEANED)


@lru_cache
def profile() -> CameraProfile:
    return calibrate(photos(), MADE)


def test_leaned_photos_tell_the_lens_within_its_stated_uncertainty() -> None:
    found = profile()
    assert (found.lens, found.photos, found.made) == (LENS, 4, "2026-03-01")
    assert abs(found.focal * DIAGONAL / TRUE_FOCAL - 1.0) < 2.0 * found.focal_standard < 0.012
    off = np.array(found.centre) - np.array(TRUE_CENTRE) / DIAGONAL
    assert np.abs(off).max() < 2.0 * found.centre_standard
    assert abs(found.k1 - TRUE_K1) < 2.0 * found.k1_standard
    assert found.k2 == 0.0
    assert found.distance_mm == pytest.approx(470.0, abs=25.0)


def test_photos_turned_by_exif_give_the_same_lens() -> None:
    turned = [
        replace(photo, codes=np.ascontiguousarray(np.rot90(photo.codes, -1)), orientation=6)
        for photo in photos()
    ]
    found = calibrate(turned, MADE)
    assert found.focal == pytest.approx(profile().focal, rel=5e-4)
    np.testing.assert_allclose(found.centre, profile().centre, atol=3e-4)


def test_a_profile_makes_two_cards_surer_of_angles_and_focal_length() -> None:
    photo = cards_from(6.0, 200.0, 0.0, count=2)
    without = find_cards(photo, PLAN, (100.0, 100.0))
    known = replace(photo, profile=profile())
    found = find_reference(known, PLAN, "cards", (100.0, 100.0))
    assert found.uncertainty.pitch_deg < 0.7 * without.uncertainty.pitch_deg
    assert found.uncertainty.scale < without.uncertainty.scale
    assert abs(found.camera.focal_px / TRUE_FOCAL - 1.0) < 2.0 * found.focal_standard < 0.02
    assert "Measured with the stored profile of this camera: Maker Phone 3, 5.7 mm" in found.notes[-1]


def test_a_photo_that_contradicts_the_profile_is_measured_without_it_and_less_surely() -> None:
    photo = cards_from(25.0, 20.0, 0.0)
    wrong = replace(profile(), focal=1.06 * profile().focal)
    found = find_reference(replace(photo, profile=wrong), PLAN, "cards")
    plain = find_cards(photo, PLAN)
    assert "does not agree with the stored profile" in found.notes[-1]
    assert found.camera.focal_px == plain.camera.focal_px
    assert found.uncertainty.pitch_deg >= 2.5 * plain.uncertainty.pitch_deg


def refused() -> Iterator[tuple[list[Photo], str]]:
    one, two, three, _ = photos()
    yield [one, two], "2 photos are too few"
    yield [one, two, replace(three, lens=None, name="sent.jpg")], "sent.jpg does not tell which camera"
    other = replace(three, lens=replace(LENS, model="Phone 4"), name="hers.jpg")
    yield [one, two, other], "hers.jpg was taken with another lens"
    yield (
        [one, two, replace(three, codes=three.codes[100:1000], name="wide.jpg")],
        "wide.jpg has another shape",
    )


def test_what_cannot_give_a_profile_is_told_in_plain_words() -> None:
    for some, message in refused():
        with pytest.raises(LightgapError, match=message) as error:
            calibrate(some, MADE)
        assert error.value.hint


def test_a_photo_without_cards_is_named() -> None:
    empty = replace(FlatScene(look_down()).photo(), lens=LENS, name="bench.jpg")
    with pytest.raises(ScaleError, match=r"bench\.jpg: no printed card"):
        calibrate([*photos()[:2], empty], MADE)


def test_photos_from_straight_above_do_not_tell_the_focal_length() -> None:
    above = [cards_from(tilt, 20.0, 0.0) for tilt in (0.0, 1.0, 2.0)]
    with pytest.raises(LightgapError, match="do not tell the focal length") as error:
        calibrate(above, MADE)
    assert "leaned by 20 to 30 degrees" in error.value.hint
