"""The photo's own blur and halo, from drawn squares whose blur and sharpening are known."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from accuracy.phone import moved
from lightgap.faces.blur import Response, edge_sigma, measure_response, tone_curve, typical_response
from lightgap.photo import LUMA, Photo

Array = NDArray[np.float64]

WIDTH, HEIGHT = 900, 700
SIDE = 74.0
PLACES = [(x, y) for y in (110.0, 350.0, 590.0) for x in (110.0, 337.0, 563.0, 790.0)]
WHITE, BLACK = 0.72, 0.03


@dataclass(frozen=True, eq=False)
class Drawn:
    """Black squares on white paper: linear light, and the ends of their edges in pixels, (n, 2, 2)."""

    light: Array
    edges_px: Array

    def photo(
        self, gain: float = 0.0, radius_px: float = 1.5, noise: float = 0.002, contrast: float = 0.0
    ) -> Photo:
        """Code as sRGB, bend tones, sharpen in codes, as phones do: code + gain (code - blurred code)."""
        light = np.clip(self.light + noise * np.random.default_rng(5).standard_normal(self.light.shape), 0, 1)
        codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
        codes = tone_curve(codes, contrast)
        if gain:
            codes += gain * (codes - cv2.GaussianBlur(codes, (0, 0), radius_px))
        whole = np.clip(np.rint(255.0 * codes), 0, 255).astype(np.uint8)
        return Photo(np.repeat(whole[..., None], 3, axis=2))


@cache
def squares(middle_px: float, growth_px2: float = 0.0) -> Drawn:
    """Twelve squares, each turned a little; sigma^2 grows by so much from the middle to the corner.

    A rectangle through a round Gaussian is the product of two error functions: exact.
    """
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    light = np.full((HEIGHT, WIDTH), WHITE)
    edges = []
    corners = SIDE / 2.0 * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    half = np.array([WIDTH, HEIGHT]) / 2.0
    for index, place in enumerate(PLACES):
        turn = np.radians(4.0 + 7.0 * index)
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        sigma = np.sqrt(middle_px**2 + growth_px2 * np.sum((place - half) ** 2) / np.sum(half**2))
        own = [(x - place[0]) * axis[0] + (y - place[1]) * axis[1] for axis in axes]
        inside = [ndtr((d + SIDE / 2.0) / sigma) - ndtr((d - SIDE / 2.0) / sigma) for d in own]
        light += (BLACK - WHITE) * inside[0] * inside[1]
        there = np.array(place) + corners @ axes
        edges += [[there[k], there[(k + 1) % 4]] for k in range(4)]
    return Drawn(light, np.array(edges))


def measured(photo: Photo, drawn: Drawn) -> Response:
    response = measure_response(photo, drawn.edges_px, "drawn squares")
    assert response is not None
    return response


@pytest.mark.parametrize("sigma_px", [0.6, 0.9, 1.5])
def test_the_blur_of_drawn_edges_is_found_to_two_percent(sigma_px: float) -> None:
    drawn = squares(sigma_px)
    response = measured(drawn.photo(), drawn)
    assert response.blur_at(np.array([450.0, 350.0])) == pytest.approx(sigma_px, rel=0.02)
    assert response.standard < 0.02
    assert response.is_sure
    assert response.source == "drawn squares"


def test_short_chords_tell_the_blur_less_surely_and_no_halo() -> None:
    drawn = squares(1.4)
    middles = drawn.edges_px.mean(axis=1, keepdims=True)
    chords = middles + 0.5 * (drawn.edges_px - middles)
    response = measure_response(drawn.photo(noise=0.004), chords, "chords", is_long=False)
    assert response is not None
    assert response.blur_at(np.array([450.0, 350.0])) == pytest.approx(1.4, rel=0.05)
    assert response.standard > 0.1
    assert response.halo_gain == 0.0
    assert not response.is_sure


def test_blur_that_grows_to_the_corners_is_found_there() -> None:
    drawn = squares(0.8, growth_px2=0.6)
    response = measured(drawn.photo(), drawn)
    assert response.blur_at(np.array([450.0, 350.0])) == pytest.approx(0.8, rel=0.03)
    assert response.blur_at(np.array([0.0, 0.0])) == pytest.approx(np.sqrt(0.64 + 0.6), rel=0.03)


@pytest.mark.parametrize("direction_deg", [0.0, 30.0, 120.0])
@pytest.mark.parametrize("length_px", [2.0, 3.0])
def test_a_phone_that_moved_blurs_what_lies_across_its_way(length_px: float, direction_deg: float) -> None:
    """A box of length L along the way adds its second moment, L^2 / 12, to sigma^2 across it."""
    still = squares(0.9)
    drawn = replace(still, light=moved(still.light, length_px, direction_deg))
    response = measured(drawn.photo(), drawn)
    middle, angle = np.array([450.0, 350.0]), np.radians(direction_deg)
    along, aslant = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    assert response.blur_at(middle, aslant) == pytest.approx(0.9, rel=0.03)
    assert response.blur_at(middle, along) == pytest.approx(np.sqrt(0.81 + length_px**2 / 12.0), rel=0.06)
    # To a Gaussian's eye a box is wider than its second moment.
    assert response.moved_px == pytest.approx(length_px / np.sqrt(12.0), rel=0.25)
    assert response.standard > measured(still.photo(), still).standard


def test_a_phone_at_rest_blurs_all_directions_alike() -> None:
    drawn = squares(0.9, growth_px2=0.6)
    response = measured(drawn.photo(), drawn)
    assert response.moved_px < 0.2
    # A drawn square has one blur, that of its middle, to its outermost edge.
    assert abs(response.radial_px2) < 0.06


def test_coloured_fringes_blur_across_the_way_to_the_middle() -> None:
    """Red and blue drawn larger and smaller by 0.1 %: the colours' places scatter along the radius."""
    drawn, scale = squares(0.9), 0.001
    photo = drawn.photo()
    centre = ((WIDTH - 1) / 2.0, (HEIGHT - 1) / 2.0)
    for channel, size in ((0, 1.0 + scale), (2, 1.0 - scale)):
        stretch = cv2.getRotationMatrix2D(centre, 0.0, size)
        photo.codes[..., channel] = cv2.warpAffine(
            photo.codes[..., channel], stretch, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC
        )
    response = measured(photo, drawn)
    weights, away = np.asarray(LUMA), scale * np.hypot(WIDTH, HEIGHT) / 2.0 * np.array([1.0, 0.0, -1.0])
    scatter2 = weights @ away**2 - (weights @ away) ** 2
    corner, outward, round_it = np.zeros(2), np.array([WIDTH, HEIGHT]), np.array([-HEIGHT, WIDTH])
    more2 = response.blur_at(corner, outward) ** 2 - response.blur_at(corner, round_it) ** 2
    assert more2 == pytest.approx(scatter2, rel=0.35)
    assert response.blur_at(corner, round_it) == pytest.approx(0.9, rel=0.04)


def test_edges_that_all_face_outward_tell_no_blur_by_direction() -> None:
    drawn = squares(0.9, growth_px2=0.6)
    middles = drawn.edges_px.mean(axis=1) - [WIDTH / 2.0, HEIGHT / 2.0]
    run = drawn.edges_px[:, 1] - drawn.edges_px[:, 0]
    facing = np.abs(middles[:, 0] * run[:, 1] - middles[:, 1] * run[:, 0]) / np.hypot(*run.T)
    outward = drawn.edges_px[facing > 0.9 * np.hypot(*middles.T)]
    response = measure_response(drawn.photo(), outward, "outer edges")
    assert response is not None
    assert response.radial_px2 == 0.0


@pytest.mark.parametrize("noise", [0.0, 0.004])
def test_no_halo_is_found_in_a_plain_picture(noise: float) -> None:
    for sigma_px in (0.6, 1.5):
        drawn = squares(sigma_px)
        assert measured(drawn.photo(noise=noise), drawn).halo_gain == 0.0


@pytest.mark.parametrize(("gain", "radius_px"), [(0.5, 1.5), (0.9, 1.2), (0.9, 1.8)])
def test_sharpening_in_codes_is_found(gain: float, radius_px: float) -> None:
    drawn = squares(0.9)
    response = measured(drawn.photo(gain, radius_px), drawn)
    # What clips at black and white is lost to the fit; its share is within the stated uncertainty.
    assert response.halo_gain == pytest.approx(gain, abs=2.0 * response.halo_standard)
    assert response.halo_gain == pytest.approx(gain, rel=0.15)
    assert response.halo_px == pytest.approx(radius_px, rel=0.15)
    assert response.blur_at(np.array([450.0, 350.0])) == pytest.approx(0.9, rel=0.05)


def test_what_was_sharpened_is_undone() -> None:
    drawn = squares(0.9)
    plain, sharpened = drawn.photo(noise=0.0), drawn.photo(0.6, 1.5, noise=0.0)
    response = replace(measured(sharpened, drawn), contrast=0.0)
    window = slice(60, 400), slice(60, 500)
    truth = plain.linear(*window) @ LUMA
    before = sharpened.linear(*window) @ LUMA - truth
    after = response.light(sharpened, *window) @ LUMA - truth
    assert np.sqrt(np.mean(after**2)) < 0.2 * np.sqrt(np.mean(before**2))
    # An edge's own blur comes back with it.
    edge = drawn.edges_px[0]
    untreated = Response(0.9, 0.0, (WIDTH, HEIGHT), 0.02, 0.0, 1.0, 0.0, "")
    true_px = edge_sigma(plain, untreated, edge)
    assert true_px is not None
    assert edge_sigma(sharpened, response, edge) == pytest.approx(true_px, rel=0.04)
    raw_px = edge_sigma(sharpened, untreated, edge)
    assert raw_px is None or abs(raw_px / true_px - 1.0) > 0.1


@pytest.mark.parametrize("contrast", [0.0, 0.1, 0.2])
def test_a_tone_curve_is_found_halfway_from_the_usual_one(contrast: float) -> None:
    drawn = squares(0.9)
    response = measured(drawn.photo(contrast=contrast), drawn)
    # Half of what the edges say, half of what is usual.
    assert response.contrast == pytest.approx((contrast + 0.1) / 2.0, abs=0.03)
    # What was bent comes back: white and black differ from the truth by less than uncorrected.
    flat = Drawn(np.full((50, 50), 0.1), np.empty((0, 2, 2))).photo(noise=0.0, contrast=0.2)
    window = slice(0, 50), slice(0, 50)
    undone = replace(response, contrast=0.2).light(flat, *window)
    np.testing.assert_allclose(undone, 0.1, atol=0.002)
    assert np.abs(flat.linear(*window) - 0.1).max() > 0.005


def test_undoing_a_halo_adds_no_noise() -> None:
    flat = Drawn(np.full((200, 200), 0.3), np.empty((0, 2, 2))).photo(noise=0.01)
    response = Response(0.9, 0.0, (200, 200), 0.02, 0.8, 1.3, 0.1, "")
    window = slice(20, 180), slice(20, 180)
    assert np.std(response.light(flat, *window)[..., 1]) < np.std(flat.linear(*window)[..., 1])


def test_a_window_is_the_same_wherever_it_is_cut() -> None:
    drawn = squares(0.9)
    photo = drawn.photo(0.6)
    response = Response(0.9, 0.0, (WIDTH, HEIGHT), 0.02, 0.6, 1.5, 0.1, "")
    large = response.light(photo, slice(50, 200), slice(50, 200))
    small = response.light(photo, slice(100, 130), slice(90, 150))
    np.testing.assert_allclose(large[50:80, 40:100], small, atol=2e-3)


def test_where_no_edge_can_be_used_nothing_is_told() -> None:
    drawn = squares(0.9)
    photo = drawn.photo()
    assert measure_response(photo, np.empty((0, 2, 2)), "") is None
    assert measure_response(photo, drawn.edges_px[:3], "") is None
    # Flat paper has no edges, whatever lines are put on it.
    assert edge_sigma(photo, typical_response(photo), np.array([[200.0, 230.0], [260.0, 232.0]])) is None
    # One that runs out of the picture is left out.
    assert edge_sigma(photo, typical_response(photo), np.array([[880.0, 110.0], [950.0, 112.0]])) is None


def test_an_unmeasured_blur_is_unsure() -> None:
    response = typical_response(squares(0.9).photo())
    assert not response.is_sure
    assert response.standard >= 0.2
    assert response.halo_standard > 0.0
