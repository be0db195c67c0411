"""The pixels across a joint: each with its own value, and with its place to a thousandth of a pixel."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from flat_scene import HEIGHT, WIDTH, look_down
from lightgap.camera import Camera
from lightgap.faces.blur import Response
from lightgap.faces.strip import JointFrame, Strip, cut_strip
from lightgap.photo import Photo

FRAME = JointFrame(np.array([70.0, 35.0]), 26.0, 18.0)
U_RANGE, V_RANGE = (-18.0, 18.0), (-4.0, 4.0)
PLAIN = Response(0.9, 0.0, (WIDTH, HEIGHT), 0.02, 0.0, 1.0, 0.0, "")


def speckled() -> Photo:
    """Every pixel another colour."""
    return Photo(np.random.default_rng(0).integers(0, 256, (HEIGHT, WIDTH, 3), dtype=np.uint8))


def cut(photo: Photo, camera: Camera, frame: JointFrame = FRAME) -> Strip:
    return cut_strip(photo, PLAIN, camera, frame, U_RANGE, V_RANGE)


def places_px(camera: Camera, frame: JointFrame, strip: Strip) -> NDArray[np.float64]:
    """Where the camera sees each pixel's place."""
    points = frame.middle_mm + strip.u[:, None] * frame.along + strip.v[:, None] * frame.across
    return camera.project_plane(points, frame.height_mm)


class TestFrame:
    def test_v_runs_clockwise_when_u_runs_outward(self) -> None:
        at_noon = JointFrame(np.array([0.0, 100.0]), 90.0, 0.0)
        np.testing.assert_allclose(at_noon.to_ring(np.array([5.0]), np.array([2.0])), [[2.0, 105.0]])

    def test_there_and_back(self) -> None:
        u, v = np.array([-3.0, 0.0, 11.0]), np.array([0.5, -2.0, 1.0])
        back_u, back_v = FRAME.from_ring(FRAME.to_ring(u, v))
        np.testing.assert_allclose(back_u, u, atol=1e-12)
        np.testing.assert_allclose(back_v, v, atol=1e-12)


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0])
@pytest.mark.parametrize("k1", [0.0, 0.05])
def test_every_pixel_lies_where_the_strip_says(tilt_deg: float, k1: float) -> None:
    photo = speckled()
    camera = look_down(tilt_deg, towards_deg=110.0, distance_mm=300.0, k1=k1)
    strip = cut(photo, camera)
    places = places_px(camera, FRAME, strip)
    centres = np.rint(places).astype(int)
    np.testing.assert_allclose(places, centres, atol=1e-3)
    # Each with its own light, and none twice.
    np.testing.assert_array_equal(
        strip.light, photo.linear(slice(None), slice(None))[centres[:, 1], centres[:, 0]]
    )
    assert len(np.unique(centres, axis=0)) == len(centres)
    # All that lie in the rectangle, and no more than its border besides.
    low, high = centres.min(axis=0) - 5, centres.max(axis=0) + 5
    x, y = np.mgrid[low[0] : high[0], low[1] : high[1]].reshape(2, -1)
    u, v = FRAME.from_ring(camera.to_plane(np.stack([x, y], axis=1), FRAME.height_mm))
    assert np.sum((np.abs(strip.u) < 17.99) & (np.abs(strip.v) < 3.99)) == np.sum(
        (np.abs(u) < 17.99) & (np.abs(v) < 3.99)
    )
    assert np.all((np.abs(strip.u) < 18.3) & (np.abs(strip.v) < 4.3))


def test_the_scale_is_square_to_the_joint_in_the_picture() -> None:
    """Seen aslant, a shift along v moves an edge less in pixels than the point itself moves."""
    photo, camera = speckled(), look_down(25.0, towards_deg=110.0, distance_mm=300.0)
    strip = cut(photo, camera)
    for u in (-15.0, 0.0, 15.0):
        inner, outer, aside = (
            camera.project_plane(FRAME.middle_mm + a * FRAME.along + b * FRAME.across, 18.0)
            for a, b in ((u - 0.5, 0.0), (u + 0.5, 0.0), (u, 0.1))
        )
        run, off = outer - inner, aside - 0.5 * (inner + outer)
        expected = abs(run[0] * off[1] - run[1] * off[0]) / np.hypot(*run) / 0.1
        here = np.argmin(np.abs(strip.u - u))
        assert strip.scale[here] == pytest.approx(expected, rel=2e-3)
    ends = camera.project_plane(FRAME.middle_mm + np.outer([-18.0, 18.0], FRAME.along), 18.0)
    assert strip.px_per_mm_along == pytest.approx(np.hypot(*(ends[1] - ends[0])) / 36.0, rel=1e-6)


def test_a_strip_is_cut_at_the_pictures_edge() -> None:
    photo, camera = speckled(), look_down(10.0, distance_mm=300.0)
    at_edge = camera.to_plane(np.array([WIDTH - 30.0, 500.0]), 18.0)
    frame = JointFrame(at_edge, 26.0, 18.0)
    strip = cut_strip(photo, PLAIN, camera, frame, U_RANGE, V_RANGE)
    x, y = places_px(camera, frame, strip).T
    assert x.max() == pytest.approx(WIDTH - 1.0, abs=1e-3)
    assert 0.0 < y.min() < y.max() < HEIGHT - 1.0
    whole = cut(photo, camera)
    assert 0.2 * whole.u.size < strip.u.size < 0.95 * whole.u.size


def test_a_strip_beyond_the_picture_is_empty() -> None:
    photo, camera = speckled(), look_down(10.0, distance_mm=300.0)
    strip = cut(photo, camera, JointFrame(np.array([900.0, 0.0]), 0.0, 18.0))
    assert strip.u.size == strip.v.size == 0
    assert strip.light.shape == (0, 3)


def test_a_part_keeps_pixels_together() -> None:
    photo, camera = speckled(), look_down(0.0, distance_mm=300.0)
    strip = cut(photo, camera)
    outer = strip.part(strip.u > 10.0)
    assert outer.u.min() > 10.0
    assert outer.luma == pytest.approx(strip.luma[strip.u > 10.0])
