"""The lens as EXIF names it, and what a profile tells of one photo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.lens import REFOCUS, CameraProfile, LensName, turned

LENS = LensName("Maker", "Phone 3", "", 5.7, 26.0)
PROFILE = CameraProfile(
    lens=LENS,
    aspect=4 / 3,
    focal=0.6,
    centre=(0.004, -0.002),
    k1=0.02,
    k2=0.0,
    focal_standard=0.004,
    centre_standard=0.001,
    k1_standard=0.001,
    distance_mm=450.0,
    photos=5,
    made="2026-03-01",
)


@pytest.mark.parametrize(
    ("other", "alike"),
    [
        (LENS, True),
        (replace(LENS, lens="main lens"), True),  # not told on one side
        (replace(LENS, focal_mm=2.2, equivalent_mm=13.0), False),
        (replace(LENS, model="Phone 4"), False),
        (replace(LENS, make="Other"), False),
        (replace(LENS, equivalent_mm=0.0), True),
        (replace(LENS, focal_mm=0.0, equivalent_mm=0.0), False),
    ],
)
def test_lenses_are_told_apart_by_what_exif_says(other: LensName, alike: bool) -> None:
    assert LENS.is_like(other) is alike
    assert other.is_like(LENS) is alike


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_principal_point_turns_with_the_picture(orientation: int) -> None:
    stored = np.zeros((300, 400))
    stored[140, 230] = 1.0  # right of the middle, and above it
    upright = {
        1: stored,
        2: stored[:, ::-1],
        3: stored[::-1, ::-1],
        4: stored[::-1],
        5: stored.T,
        6: np.rot90(stored, -1),
        7: stored[::-1, ::-1].T,
        8: np.rot90(stored),
    }[orientation]
    height, width = upright.shape
    offset = np.array([230 - 199.5, 140 - 149.5]) / 500.0
    profile = replace(PROFILE, centre=(float(offset[0]), float(offset[1])))
    place, _ = profile.principal_point(width, height, orientation)
    row, column = np.argwhere(upright)[0]
    np.testing.assert_allclose(place, [column, row], atol=1e-9)


def test_turns_undo_by_their_transpose() -> None:
    for orientation in range(1, 9):
        np.testing.assert_allclose(turned(orientation) @ turned(orientation).T, np.eye(2))


def test_pixels_turned_by_an_editor_make_the_principal_point_unsure() -> None:
    known, sure = PROFILE.principal_point(4000, 3000, 1)
    unknown, unsure = PROFILE.principal_point(3000, 4000, 1)
    np.testing.assert_allclose(known - [1999.5, 1499.5], [20.0, -10.0])
    np.testing.assert_allclose(unknown, [1499.5, 1999.5])
    assert unsure > np.hypot(20.0, 10.0) > sure


def test_focusing_keeps_the_focal_length_unsure() -> None:
    here, nearer = PROFILE.focal_spread(450.0), PROFILE.focal_spread(225.0)
    assert here == pytest.approx(np.hypot(0.004, REFOCUS))
    # A lens of 5.7 mm is drawn out by 5.7 / 225 instead of 5.7 / 450 of its length.
    assert nearer == pytest.approx(np.hypot(here, 5.7 / 225.0 - 5.7 / 450.0))


def test_a_profile_is_for_pictures_of_its_shape() -> None:
    assert PROFILE.fits(4032, 3024) and PROFILE.fits(3024, 4032) and PROFILE.fits(2000, 1500)
    assert not PROFILE.fits(4032, 2268)
