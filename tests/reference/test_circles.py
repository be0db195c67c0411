"""Circles and ellipses against published answers, scikit-image and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from skimage.measure import CircleModel, EllipseModel

from lightgap.camera import Camera
from lightgap.roundness import round_of

GANDER_GOLUB_STREBEL = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
"""Gander, Golub, Strebel: Least-squares fitting of circles and ellipses, BIT 34 (1994) 558-578."""


def test_geometric_circle_of_gander_golub_strebel() -> None:
    circle = round_of(GANDER_GOLUB_STREBEL).least_squares
    np.testing.assert_allclose([*circle.centre_mm, circle.radius_mm], [4.7398, 2.9835, 4.7142], atol=5e-5)
    off = np.hypot(*(GANDER_GOLUB_STREBEL - circle.centre_mm).T) - circle.radius_mm
    assert off @ off == pytest.approx(1.22760, abs=5e-6)


def test_it_is_not_the_algebraic_circle_of_scikit_image() -> None:
    """scikit-image's CircleModel minimises an algebraic distance: (4.7423, 3.8351), 4.1088 here."""
    model = CircleModel.from_estimate(GANDER_GOLUB_STREBEL)
    np.testing.assert_allclose([*model.center, model.radius], [4.7423, 3.8351, 4.1088], atol=5e-5)
    circle = round_of(GANDER_GOLUB_STREBEL).least_squares
    assert np.sum(model.residuals(GANDER_GOLUB_STREBEL) ** 2) > 1.22760
    assert np.hypot(*(circle.centre_mm - model.center)) > 0.8


def test_on_a_whole_ring_scikit_image_agrees() -> None:
    """Round a whole ring with small errors the algebraic and the geometric circle fall together."""
    rng = np.random.default_rng(2)
    angle = np.arange(24) * 2.0 * np.pi / 24
    radius = 120.0 + rng.normal(0.0, 0.05, 24)
    points = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1) + [5.0, -7.0]
    model = CircleModel.from_estimate(points)
    circle = round_of(points).least_squares
    np.testing.assert_allclose(circle.centre_mm, model.center, atol=1e-3)
    assert circle.radius_mm == pytest.approx(model.radius, abs=1e-3)


def test_minimum_zone_of_four_points() -> None:
    """(1.1,0) (0,0.9) (-1.1,0) (0,-0.9): by symmetry 0.2 about the origin, contacts alternating."""
    result = round_of([[1.1, 0.0], [0.0, 0.9], [-1.1, 0.0], [0.0, -0.9]])
    assert result.least_squares.radius_mm == pytest.approx(1.0)
    assert result.minimum_zone_mm == pytest.approx(0.2)
    np.testing.assert_allclose(result.minimum_zone.centre_mm, [0.0, 0.0], atol=1e-9)


def test_minimum_zone_against_a_direct_search_by_scipy() -> None:
    """SciPy's simplex search over the centre finds no narrower ring."""
    rng = np.random.default_rng(11)
    angle = np.arange(16) * 2.0 * np.pi / 16
    points = (90.0 + rng.normal(0.0, 0.2, 16))[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    result = round_of(points)
    searched = min(
        minimize(
            lambda centre: np.ptp(np.hypot(*(points - centre).T)),
            rng.normal(0.0, 0.2, 2),
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
        ).fun
        for _ in range(10)
    )
    assert result.minimum_zone_mm == pytest.approx(searched, abs=1e-6)


def test_a_circle_seen_from_aslant_is_the_ellipse_of_scikit_image() -> None:
    """A circle on the plane projects to an ellipse (EllipseModel); mapped back, it is round again."""
    turn = np.radians(12.0)
    rotation = np.array([[1, 0, 0], [0, -np.cos(turn), -np.sin(turn)], [0, np.sin(turn), -np.cos(turn)]])
    camera = Camera(3000.0, np.array([2000.0, 1500.0]), rotation, np.array([4.0, -6.0, 420.0]))
    angle = np.arange(48) * 2.0 * np.pi / 48
    circle_mm = 110.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    seen = camera.project_plane(circle_mm, 20.0)
    ellipse = EllipseModel.from_estimate(seen)
    assert np.abs(ellipse.residuals(seen)).max() < 1e-4
    assert round_of(seen).out_of_round_mm > 5.0
    assert round_of(camera.to_plane(seen, 20.0)).out_of_round_mm == pytest.approx(0.0, abs=1e-6)
