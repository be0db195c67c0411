"""Printed cards: the camera they give, and what is said of a card that cannot be used."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from flat_scene import FOCAL_PX, FlatScene, look_down, ring_errors
from lightgap.errors import ScaleError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.cards import find_cards, square_edges
from lightgap.reference.found import Reference

PLAN = Plan(segments=12, joint="closed", across_flats_mm=180.0, width_mm=30.0, thickness_mm=18.0)

Placement = tuple[int, float, float, float]
FOUR: tuple[Placement, ...] = (
    (3, -185.0, 115.0, 20.0),
    (0, 185.0, 120.0, 100.0),
    (7, 190.0, -110.0, 275.0),
    (11, -190.0, -120.0, -15.0),
)


def scene_of(*cards: Placement, **lens: float | tuple[float, float]) -> FlatScene:
    scene = FlatScene(look_down(**lens))
    for number, x, y, turn in cards:
        scene.card(number, x, y, turn)
    return scene


def numbers_used(reference: Reference) -> list[int]:
    return [card.number for card in reference.cards if card.used]


def outline_px(scene: FlatScene, x: float, y: float, half_mm: float) -> NDArray[np.float64]:
    square = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    return scene.camera.project_plane([x, y] + half_mm * square, 0.0)


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 25.0])
def test_four_cards_give_scale_and_angles(tilt_deg: float) -> None:
    scene = scene_of(*FOUR, tilt_deg=tilt_deg, k1=0.02, off_centre_px=(12.0, -8.0))
    reference = find_cards(scene.photo(), PLAN)
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert reference.name == "4 cards"
    assert numbers_used(reference) == [0, 3, 7, 11]
    assert reference.residual_px < 0.05
    assert abs(scale) < 0.0005
    assert angle_deg < 0.01


def test_error_stays_within_what_is_stated() -> None:
    rng = np.random.default_rng(5)
    for _ in range(6):
        cards = [
            (number, x + rng.uniform(-8.0, 8.0), y + rng.uniform(-8.0, 8.0), rng.uniform(0.0, 360.0))
            for number, x, y, _ in FOUR[: rng.integers(2, 5)]
        ]
        scene = scene_of(
            *cards,
            tilt_deg=rng.uniform(0.0, 15.0),
            towards_deg=rng.uniform(0.0, 360.0),
            off_centre_px=tuple(rng.normal(0.0, 10.0, 2)),
            k1=rng.normal(0.0, 0.02),
        )
        # EXIF holds a whole number of millimetres: up to 2 % off.
        reference = find_cards(scene.photo(FOCAL_PX * rng.uniform(0.98, 1.02)), PLAN)
        scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
        assert abs(scale) < 2.0 * reference.uncertainty.scale
        assert angle_deg < 2.0 * reference.uncertainty.pitch_deg


def test_one_card_is_enough_but_less_sure() -> None:
    scene = scene_of(FOUR[0])
    reference = find_cards(scene.photo(), PLAN)
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert reference.name == "1 card"
    assert reference.uncertainty.pitch_deg >= 0.125
    assert abs(scale) < 2.0 * reference.uncertainty.scale
    assert angle_deg < 2.0 * reference.uncertainty.pitch_deg


def test_a_short_print_makes_all_too_large_until_its_bars_are_typed_in() -> None:
    scene = FlatScene(look_down())
    for number, x, y, turn in FOUR:
        scene.card(number, x, y, turn, bar_mm=(98.0, 98.0))
    photo = scene.photo()
    as_printed, _ = ring_errors(find_cards(photo, PLAN).camera, scene.camera, PLAN)
    typed_in, _ = ring_errors(find_cards(photo, PLAN, (98.0, 98.0)).camera, scene.camera, PLAN)
    assert as_printed == pytest.approx(1.0 / 0.98 - 1.0, abs=0.001)
    assert abs(typed_in) < 0.0005


def test_an_uneven_print_is_seen_when_cards_lie_turned() -> None:
    scene = FlatScene(look_down())
    for number, x, y, turn in FOUR:
        scene.card(number, x, y, turn, bar_mm=(100.2, 99.8))
    reference = find_cards(scene.photo(), PLAN)
    _, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    # Undetected, 0.4 % would turn a joint by 0.002 rad.
    assert angle_deg < 0.01


def test_cards_that_lie_the_same_way_are_less_sure_of_angles() -> None:
    turned = scene_of(*FOUR)
    alike = scene_of(*((number, x, y, 5.0) for number, x, y, _ in FOUR))
    surer = find_cards(turned.photo(), PLAN).uncertainty
    less_sure = find_cards(alike.photo(), PLAN).uncertainty
    assert less_sure.pitch_deg > 2.5 * surer.pitch_deg


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0, 9.0])
def test_one_of_two_cards_on_a_chip_stays_within_what_is_stated(tilt_deg: float) -> None:
    scene = FlatScene(look_down(tilt_deg, towards_deg=100.0))
    for (number, x, y, turn), lift in zip(FOUR[:2], (3.0, 0.0), strict=True):
        scene.card(number, x, y, turn, z=0.1 + lift)
    reference = find_cards(scene.photo(), PLAN)
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert abs(scale) < 2.0 * reference.uncertainty.scale
    assert angle_deg < 2.0 * reference.uncertainty.pitch_deg


def test_measured_bars_make_the_scale_surer() -> None:
    photo = scene_of(*FOUR).photo()
    measured = find_cards(photo, PLAN, (100.0, 100.0)).uncertainty
    assert measured.scale < find_cards(photo, PLAN).uncertainty.scale


def test_cards_on_blocks_as_high_as_the_ring() -> None:
    plan = replace(PLAN, reference_height_mm=PLAN.thickness_mm)
    scene = FlatScene(look_down())
    for number, x, y, turn in FOUR:
        scene.card(number, x, y, turn, z=PLAN.thickness_mm + 0.1)
    # The plane is the cards' own: on the bench a focal length wrong by 2 % would cost 0.0009.
    reference = find_cards(scene.photo(1.02 * FOCAL_PX), plan)
    scale, _ = ring_errors(reference.camera, scene.camera, plan)
    assert abs(scale) < 0.0004


def test_without_exif_the_cards_still_give_angles() -> None:
    scene = scene_of(*FOUR, tilt_deg=12.0)
    told, untold = find_cards(scene.photo(), PLAN), find_cards(scene.photo(focal_px=None), PLAN)
    scale, angle_deg = ring_errors(untold.camera, scene.camera, PLAN)
    assert untold.uncertainty.scale > told.uncertainty.scale
    assert abs(scale) < 2.0 * untold.uncertainty.scale
    assert angle_deg < 0.01


def test_a_half_covered_card_is_left_out_and_named() -> None:
    scene = scene_of(*FOUR)
    x, y = FOUR[1][1:3]
    scene.polygon(outline_px(scene, x, y + 45.0, 60.0), (0.3, 0.2, 0.1))
    reference = find_cards(scene.photo(), PLAN)
    left_out = next(card for card in reference.cards if not card.used)
    assert left_out.number == 0
    assert left_out.reason is not None and "covered" in left_out.reason
    assert len(left_out.corners_px) == 4
    assert any("card 0" in note for note in reference.notes)


def test_a_card_with_one_corner_covered_is_still_used() -> None:
    scene = scene_of(*FOUR)
    x, y = FOUR[1][1:3]
    scene.polygon(outline_px(scene, x + 45.0, y + 45.0, 40.0), (0.3, 0.2, 0.1))
    reference = find_cards(scene.photo(), PLAN)
    _, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert numbers_used(reference) == [0, 3, 7, 11]
    assert angle_deg < 0.01


def test_a_bent_card_is_left_out_and_named() -> None:
    scene = scene_of(*FOUR[1:])
    number, x, y, turn = FOUR[0]
    scene.card(number, x, y, turn, sag_mm=6.0)
    reference = find_cards(scene.photo(), PLAN)
    _, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert numbers_used(reference) == [0, 7, 11]
    assert any("card 3" in note and "bent" in note for note in reference.notes)
    assert angle_deg < 0.02


def test_a_card_that_lies_on_something_is_left_out_and_named() -> None:
    scene = scene_of(*FOUR[1:])
    number, x, y, turn = FOUR[0]
    scene.card(number, x, y, turn, z=4.0)
    reference = find_cards(scene.photo(), PLAN)
    _, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert numbers_used(reference) == [0, 7, 11]
    assert any("card 3" in note and "higher" in note for note in reference.notes)
    assert angle_deg < 0.02


def test_two_cards_of_different_print_are_refused() -> None:
    scene = scene_of(FOUR[0])
    number, x, y, turn = FOUR[2]
    scene.card(number, x, y, turn, bar_mm=(97.0, 97.0))
    with pytest.raises(ScaleError, match="cards 3 and 7 do not agree"):
        find_cards(scene.photo(), PLAN)


def test_a_shadow_that_ends_on_a_row_of_corners_takes_away_these_corners_only() -> None:
    scene = scene_of((3, -150.0, 0.0, 0.0), (7, 150.0, 0.0, 25.0))
    # The shadow's edge runs 0.5 mm beside the middle row of the first card's corners.
    edge = scene.camera.project_plane([[-300.0, 0.5], [300.0, 0.5], [300.0, 150.0], [-300.0, 150.0]], 0.0)
    scene.shadow(edge, 0.4)
    reference = find_cards(scene.photo(blur_px=1.1), PLAN)
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert numbers_used(reference) == [3, 7]
    assert abs(scale) < 0.001
    assert angle_deg < 0.03


def test_a_number_that_lies_there_twice_is_not_used() -> None:
    scene = scene_of(*FOUR[:2], (3, 190.0, -110.0, 30.0))
    reference = find_cards(scene.photo(), PLAN)
    assert numbers_used(reference) == [0]
    assert any("card 3" in note and "more than once" in note for note in reference.notes)


def test_no_card_is_told_with_what_to_do() -> None:
    with pytest.raises(ScaleError, match="no printed card can be seen") as caught:
        find_cards(FlatScene(look_down()).photo(), PLAN)
    assert "lay printed cards flat" in caught.value.hint


def test_one_bent_card_alone_is_refused() -> None:
    scene = FlatScene(look_down())
    scene.card(5, -150.0, 60.0, sag_mm=8.0)
    with pytest.raises(ScaleError, match="card 5 is bent"):
        find_cards(scene.photo(), PLAN)


def test_a_corner_cut_out_of_a_photo_and_enlarged_is_refused_in_words() -> None:
    """One card far from where the camera looked: no camera that looks at the picture's middle sees it so."""
    scene = scene_of((3, 185.0, 120.0, 20.0), tilt_deg=25.0)
    x, y = scene.camera.project_plane(np.array([[185.0, 120.0]]), 0.0)[0].astype(int)
    corner = scene.photo().codes[max(y - 260, 0) : y + 260, x - 260 : x + 260]
    photo = Photo(np.ascontiguousarray(cv2.resize(corner, None, fx=2.0, fy=2.0)))
    with pytest.raises(ScaleError, match="card 3 is bent or partly covered"):
        find_cards(photo, PLAN)


def test_a_cropped_photo_is_noticed_and_trusted_less() -> None:
    scene = scene_of(*FOUR, tilt_deg=10.0)
    whole = scene.photo()
    cropped = Photo(np.ascontiguousarray(whole.codes[:, 200:]), whole.focal_px)
    reference = find_cards(cropped, PLAN)
    assert any("not cropped" in note for note in reference.notes)
    assert reference.uncertainty.pitch_deg > 2.0 * find_cards(whole, PLAN).uncertainty.pitch_deg


def test_corners_of_a_used_card_stand_where_it_was_laid() -> None:
    scene = scene_of(*FOUR)
    card = find_cards(scene.photo(), PLAN).cards[1]
    number, x, y, turn = FOUR[0]
    square = 50.0 * np.array([-1.0 + 1.0j, 1.0 + 1.0j, 1.0 - 1.0j, -1.0 - 1.0j])
    placed = x + 1j * y + square * np.exp(1j * np.radians(turn))
    expected = scene.camera.project_plane(np.column_stack([placed.real, placed.imag]), 0.1)
    assert card.number == number
    np.testing.assert_allclose(card.corners_px, expected, atol=0.1)


def test_square_edges_run_between_dark_on_the_left_and_light_on_the_right() -> None:
    scene = scene_of(*FOUR, tilt_deg=10.0)
    photo = scene.photo(blur_px=0.3, noise=0.0)
    edges = square_edges(find_cards(photo, PLAN))
    luma = photo.luma(slice(None), slice(None))
    along = edges[:, 1] - edges[:, 0]
    right = np.stack([-along[:, 1], along[:, 0]], axis=-1) / np.hypot(*along.T)[:, None]
    assert edges.shape == (4 * 32, 2, 2)
    for share in (0.0, 0.5, 1.0):
        middle = edges[:, 0] + share * along
        columns, rows = np.rint(middle - 3.0 * right).astype(int).T
        assert luma[rows, columns].max() < 0.1
        columns, rows = np.rint(middle + 3.0 * right).astype(int).T
        assert luma[rows, columns].min() > 0.6
