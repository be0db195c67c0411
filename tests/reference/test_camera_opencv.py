"""The camera and the cards' pose against OpenCV's own functions and a published calibration.

Published: the calibration that OpenCV ships with its samples, ``samples/data/left_intrinsics.yml`` of
github.com/opencv/opencv (640 x 480, a 9 x 6 chessboard of 25 mm): intrinsics, and the pose of view 1.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from flat_scene import FlatScene, look_down
from lightgap.camera import Camera
from lightgap.plan import Plan
from lightgap.reference.adjust import camera_of, plane_poses, project_with_jacobian, vector_of
from lightgap.reference.card_corners import INNER_MM, card_board, see_cards
from lightgap.reference.cards import find_cards

Array = NDArray[np.float64]


def matrix_of(camera: Camera) -> Array:
    (x, y), focal = camera.centre_px, camera.focal_px
    return np.array([[focal, 0.0, x], [0.0, focal, y], [0.0, 0.0, 1.0]])


def projected_by_opencv(camera: Camera, points: Array) -> Array:
    # Turned beforehand: OpenCV's rotation vector loses digits about half a turn, where a camera looks down.
    lens = np.array([camera.k1, camera.k2, 0.0, 0.0])
    turned = points @ camera.rotation.T
    pixels, _ = cv2.projectPoints(turned, np.zeros(3), camera.translation, matrix_of(camera), lens)
    return np.asarray(pixels).reshape(-1, 2)


cameras = st.builds(
    look_down,
    tilt_deg=st.floats(0.0, 35.0),
    towards_deg=st.floats(0.0, 360.0),
    turn_deg=st.floats(-180.0, 180.0),
    distance_mm=st.floats(200.0, 1500.0),
    focal_px=st.floats(800.0, 6000.0),
    off_centre_px=st.tuples(st.floats(-60.0, 60.0), st.floats(-60.0, 60.0)),
    k1=st.floats(-0.05, 0.05),
)
points = st.lists(
    st.tuples(st.floats(-150.0, 150.0), st.floats(-150.0, 150.0), st.floats(0.0, 40.0)),
    min_size=1,
    max_size=8,
).map(np.array)


@given(cameras, points)
def test_project_as_cv2_project_points(camera: Camera, points: Array) -> None:
    np.testing.assert_allclose(camera.project(points), projected_by_opencv(camera, points), atol=1e-6)


@given(cameras, points)
def test_what_is_projected_comes_back_to_its_plane(camera: Camera, points: Array) -> None:
    for x, y, height in points:
        back = camera.to_plane(camera.project([x, y, height]), height)
        np.testing.assert_allclose(back, [x, y], atol=1e-4)


def test_undistorting_as_cv2_undistort_points() -> None:
    camera = look_down(tilt_deg=0.0, k1=0.05, off_centre_px=(20.0, -30.0))
    pixels = np.array([[100.0, 80.0], [1500.0, 1100.0], [800.0, 600.0]])
    often = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-14)
    rays = cv2.undistortPoints(pixels, matrix_of(camera), np.array([0.05, 0.0, 0.0, 0.0]), criteria=often)
    # Square-on, 400 mm above: a ray's slope is its place on the plane over 400.
    np.testing.assert_allclose(
        camera.to_plane(pixels, 0.0), 400.0 * np.asarray(rays).reshape(-1, 2) * [1.0, -1.0], atol=1e-4
    )


@given(cameras)
def test_derivatives_as_finite_differences(camera: Camera) -> None:
    points = np.array([[30.0, -40.0, 0.0], [-60.0, 20.0, 15.0]])
    vector = vector_of(camera) + np.array([0.01, 1.0, -1.0, 0.002, -0.003, 0.02, -0.03, 0.05, 1.0, -1.0, 2.0])
    _, by_camera, by_point = project_with_jacobian(vector, camera, points)
    steps = np.array([1e-6, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-4, 1e-4, 1e-4])
    for index, step in enumerate(steps):
        move = step * np.eye(11)[index]
        change = camera_of(vector + move, camera).project(points) - camera_of(vector - move, camera).project(
            points
        )
        np.testing.assert_allclose(by_camera[..., index], change / (2.0 * step), rtol=1e-4, atol=1e-4)
    for axis in range(3):
        move = 1e-4 * np.eye(3)[axis]
        moved = camera_of(vector, camera)
        change = moved.project(points + move) - moved.project(points - move)
        np.testing.assert_allclose(by_point[..., axis], change / 2e-4, rtol=1e-4, atol=1e-4)


PUBLISHED = Camera(
    focal_px=535.91573396,
    centre_px=np.array([342.28315473, 235.57082910]),
    rotation=np.asarray(cv2.Rodrigues(np.array([0.168667, 0.275672, 0.013464]))[0]),
    translation=1000.0 * np.array([-0.075218, -0.108959, 0.399702]),
)
PUBLISHED_LENS = np.array([-0.26637261, -0.03858890, 0.00178319, -0.00028122, 0.23839153])
CHESSBOARD_MM = 25.0 * np.array([[column, row, 0.0] for row in range(6) for column in range(9)])


@pytest.mark.parametrize(("corner", "pixel"), [(0, (244.465, 94.003)), (53, (510.397, 266.221))])
def test_published_view_projects_where_it_was_seen(corner: int, pixel: tuple[float, float]) -> None:
    # The published lens has tangential and sixth-order terms, which the program's has not: undo it there.
    straight = cv2.undistortImagePoints(np.array([pixel]), matrix_of(PUBLISHED), PUBLISHED_LENS)
    ours = PUBLISHED.project(CHESSBOARD_MM[corner])
    np.testing.assert_allclose(ours, np.asarray(straight).reshape(2), atol=0.02)


def test_published_pose_is_found_again() -> None:
    pixels = PUBLISHED.project(CHESSBOARD_MM)
    poses = plane_poses(CHESSBOARD_MM[:, :2] * [1.0, -1.0], pixels, PUBLISHED.focal_px, PUBLISHED.centre_px)
    # The published board's y runs downwards; the program's upwards, with z towards the camera.
    flip = np.diag([1.0, -1.0, -1.0])
    best = min(poses, key=lambda pose: float(np.abs(pose.rotation @ flip - PUBLISHED.rotation).max()))
    np.testing.assert_allclose(best.rotation @ flip, PUBLISHED.rotation, atol=1e-5)
    np.testing.assert_allclose(best.translation, PUBLISHED.translation, atol=1e-2)


def test_card_corners_as_opencvs_own_detector_sets_them() -> None:
    scene = FlatScene(look_down(tilt_deg=8.0))
    scene.card(4, 20.0, -10.0, 30.0)
    photo = scene.photo()
    (ours,) = see_cards(photo)
    grey = cv2.cvtColor(photo.codes, cv2.COLOR_RGB2GRAY)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(card_board(4)).detectBoard(grey)
    order = np.argsort(np.asarray(ids).reshape(-1))
    theirs = np.asarray(corners).reshape(-1, 2)[order]
    np.testing.assert_allclose(ours.corners_px, theirs, atol=0.15)
    # Both about the truth; ours no worse.
    turn = np.exp(1j * np.radians(30.0))
    placed = INNER_MM @ [1.0, 1.0j] * turn + (20.0 - 10.0j)
    true = scene.camera.project_plane(np.column_stack([placed.real, placed.imag]), 0.1)
    assert np.std(ours.corners_px - true) <= np.std(theirs - true) + 0.005


def test_pose_of_one_card_as_solve_pnp_finds_it() -> None:
    scene = FlatScene(look_down(tilt_deg=12.0))
    scene.card(4, 20.0, -10.0, 30.0)
    photo = scene.photo()
    plan = Plan(segments=12, joint="closed", across_flats_mm=150.0, width_mm=30.0, thickness_mm=20.0)
    camera = find_cards(photo, plan).camera
    (card,) = see_cards(photo)
    solid = np.column_stack([INNER_MM, np.full(9, 0.1)])
    lens = np.array([camera.k1, 0.0, 0.0, 0.0])
    _, turn, shift = cv2.solvePnP(solid, card.corners_px, matrix_of(camera), lens)
    np.testing.assert_allclose(cv2.Rodrigues(turn)[0], camera.rotation, atol=1e-3)
    np.testing.assert_allclose(np.asarray(shift).reshape(3), camera.translation, rtol=1e-3, atol=0.05)
