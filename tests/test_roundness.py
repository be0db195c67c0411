"""Roundness of points whose answer is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from lightgap.roundness import ReferenceCircle, round_of

Array = NDArray[np.float64]


def ring_of_points(radii: Array, centre: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Points evenly round a centre, at these distances."""
    angle = np.arange(len(radii)) * 2.0 * np.pi / len(radii)
    return radii[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1) + np.array(centre)


def touching_order(points: Array, circle: ReferenceCircle) -> str:
    """Which circle the points that touch lie on, going round: O for the outer, I for the inner."""
    away = points - circle.centre_mm
    distance = np.hypot(*away.T)
    order = np.argsort(np.arctan2(away[:, 1], away[:, 0]))
    kinds = ""
    for index in order:
        if distance[index] > distance.max() - 1e-7:
            kinds += "O"
        elif distance[index] < distance.min() + 1e-7:
            kinds += "I"
    return kinds


def test_exact_circle_is_round() -> None:
    result = round_of(ring_of_points(np.full(12, 120.0), (3.0, -4.0)))
    for circle in (result.least_squares, result.minimum_zone):
        np.testing.assert_allclose(circle.centre_mm, [3.0, -4.0], atol=1e-9)
        assert circle.radius_mm == pytest.approx(120.0)
        assert circle.out_of_round_mm == pytest.approx(0.0, abs=1e-9)


def test_an_oval_ring_is_out_of_round_by_its_two_radii() -> None:
    angle = np.arange(24) * 2.0 * np.pi / 24
    result = round_of(ring_of_points(100.0 + 0.3 * np.cos(2.0 * angle)))
    assert result.out_of_round_mm == pytest.approx(0.6, abs=1e-6)
    assert result.minimum_zone_mm == pytest.approx(0.6, abs=1e-6)


def test_an_off_centre_ring_is_not_out_of_round() -> None:
    angle = np.arange(24) * 2.0 * np.pi / 24
    result = round_of(ring_of_points(100.0 + 0.3 * np.cos(angle)))
    assert result.out_of_round_mm < 0.002


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(-0.5, 0.5), min_size=6, max_size=30), st.floats(-20.0, 20.0))
def test_the_minimum_zone_is_never_wider_and_its_contacts_alternate(off: list[float], shift: float) -> None:
    points = ring_of_points(80.0 + np.array(off), (shift, -shift))
    result = round_of(points, standard_mm=0.01)
    # The linear programme's own tolerance is 1e-7 of its largest number, here up to 10 mm.
    assert result.minimum_zone_mm <= result.out_of_round_mm + 1e-6
    if result.minimum_zone_mm > 1e-3:
        kinds = touching_order(points, result.minimum_zone)
        changes = sum(a != b for a, b in zip(kinds, kinds[1:] + kinds[:1], strict=True))
        assert changes >= 4, kinds


def test_standard_uncertainties_are_what_repeated_readings_scatter_by() -> None:
    rng = np.random.default_rng(5)
    true = ring_of_points(100.0 + rng.normal(0.0, 0.3, 16))
    outward = true / np.hypot(*true.T)[:, None]
    told = round_of(true, standard_mm=0.01)
    again = [round_of(true + rng.normal(0.0, 0.01, (16, 1)) * outward) for _ in range(300)]
    for name in ("least_squares", "minimum_zone"):
        circles = [getattr(result, name) for result in again]
        circle = getattr(told, name)
        radius = np.std([item.radius_mm for item in circles])
        width = np.std([item.out_of_round_mm for item in circles])
        centre = np.std([item.centre_mm for item in circles], axis=0).max()
        assert circle.radius_standard_mm == pytest.approx(radius, rel=0.2)
        assert circle.out_of_round_standard_mm == pytest.approx(width, rel=0.25)
        assert centre <= 1.2 * circle.centre_standard_mm


@pytest.mark.parametrize("points", [[[0, 0], [1, 0], [0, 1]], [[0, 0], [1, 1], [2, 2], [3, 3]], [1, 2, 3, 4]])
def test_too_few_points_or_a_line_are_refused(points: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="circle"):
        round_of(points)
