"""The camera's frames and scales; what OpenCV can say of them stands in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest

from flat_scene import look_down
from lightgap.camera import Camera


def above(distance_mm: float = 500.0, focal_px: float = 3000.0) -> Camera:
    """Straight above the origin, the photo's right along +x, its top along +y."""
    return look_down(tilt_deg=0.0, distance_mm=distance_mm, focal_px=focal_px)


def test_up_on_the_bench_is_up_in_the_photo() -> None:
    camera = above()
    here, right, up = camera.project_plane([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]], 0.0)
    np.testing.assert_allclose(right - here, [60.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(up - here, [0.0, -60.0], atol=1e-9)


@pytest.mark.parametrize(("height", "scale"), [(0.0, 6.0), (20.0, 6.25)])
def test_what_lies_higher_looks_larger(height: float, scale: float) -> None:
    # 3000 px over 500 mm; 20 mm higher the scale is 500 / 480 = 4.2 % larger.
    assert above().px_per_mm([0.0, 0.0], height) == pytest.approx(scale, rel=1e-6)


def test_scale_is_the_root_of_the_area_ratio() -> None:
    camera = look_down(tilt_deg=25.0, towards_deg=70.0, k1=0.03)
    point, side = np.array([40.0, -25.0]), 0.01
    square = side * np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    x, y = camera.project_plane(point + square, 12.0).T
    area_px = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert camera.px_per_mm(point, 12.0) == pytest.approx(np.sqrt(area_px) / side, rel=1e-4)


def test_foot_and_tilt_are_those_of_the_stand() -> None:
    camera = look_down(tilt_deg=20.0, towards_deg=90.0, distance_mm=400.0)
    tilt = np.radians(20.0)
    np.testing.assert_allclose(camera.foot_mm, 400.0 * np.array([0.0, np.sin(tilt), np.cos(tilt)]), atol=1e-9)
    assert camera.tilt_deg == pytest.approx(20.0)


def test_moving_the_frame_moves_no_picture() -> None:
    camera = look_down(tilt_deg=12.0, k1=0.02)
    moved = camera.moved([30.0, -12.0], 25.0)
    angle = np.radians(25.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    points = np.array([[5.0, 7.0], [-60.0, 20.0]])
    in_old_frame = [30.0, -12.0] + points @ turn.T
    np.testing.assert_allclose(
        moved.project_plane(points, 18.0), camera.project_plane(in_old_frame, 18.0), atol=1e-8
    )
    assert moved.tilt_deg == pytest.approx(camera.tilt_deg)


@pytest.mark.parametrize("turn_deg", [0.0, 75.0, -160.0])
def test_a_ring_frame_stands_upright_in_the_photo(turn_deg: float) -> None:
    camera = look_down(tilt_deg=15.0, towards_deg=200.0, turn_deg=turn_deg, k1=0.01)
    ring = camera.upright_at([12.0, 9.0], 18.0)
    centre, up = ring.project_plane([[0.0, 0.0], [0.0, 0.1]], 18.0)
    np.testing.assert_allclose(centre, camera.project_plane([12.0, 9.0], 18.0), atol=1e-9)
    assert up[0] - centre[0] == pytest.approx(0.0, abs=1e-4)
    assert up[1] < centre[1]
