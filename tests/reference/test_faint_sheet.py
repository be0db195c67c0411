"""Faint sheets on mottled bright benches, made from a formula."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lightgap.reference.faint_sheet import faint_corners

Array = NDArray[np.float64]
CORNERS = np.array([[70.0, 60.0], [520.0, 30.0], [540.0, 390.0], [50.0, 400.0]])


def bench(seed: int = 0) -> Array:
    """Bright, with stains some 20 px wide that differ by some 5 %."""
    rng = np.random.default_rng(seed)
    stains = gaussian_filter(rng.standard_normal((450, 600)), 8.0)
    return 0.7 * (1.0 + 0.05 * stains / stains.std()) + 0.004 * rng.standard_normal((450, 600))


def laid(light: Array, corners: Array, level: float) -> Array:
    """Lay a patch of one level, its edges blurred by 0.7 px."""
    fine = cv2.fillConvexPoly(
        np.zeros((1800, 2400), np.uint8), np.rint(4.0 * corners + 1.5).astype(np.int32), 255
    )
    share = gaussian_filter(cv2.resize(fine, (600, 450), interpolation=cv2.INTER_AREA) / 255.0, 0.7)
    return np.asarray(light * (1.0 - share) + level * share)


@pytest.mark.parametrize("seed", range(4))
def test_paper_a_tenth_brighter_than_its_bench_is_found_to_three_pixels(seed: int) -> None:
    light = laid(bench(seed), CORNERS, 0.78)
    light = laid(light, np.array([[200.0, 120.0], [380.0, 130.0], [370.0, 300.0], [210.0, 290.0]]), 0.15)
    found = faint_corners(light)
    assert found is not None
    corners, share = found
    away = np.hypot(*(corners[:, None] - CORNERS[None, :]).T).min(axis=0)
    assert np.max(away) < 3.0
    assert share > 0.7


@pytest.mark.parametrize("seed", range(4))
def test_stains_alone_are_no_sheet(seed: int) -> None:
    assert faint_corners(bench(seed)) is None


def test_what_is_darker_than_the_bench_is_no_sheet() -> None:
    assert faint_corners(laid(bench(), CORNERS, 0.6)) is None
