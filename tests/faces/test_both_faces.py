"""Both faces' lines from a joint's middle and gap, and how their uncertainty follows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lightgap.faces.blur import Response
from lightgap.faces.both_faces import both_faces, face_covariance
from lightgap.faces.site import NOISE_FACTOR

SURE = Response(0.8, 0.0, (4000, 3000), 0.015, 0.0, 1.0, 0.0, "")


@dataclass(frozen=True, eq=False)
class Fit:
    centre_mm: float = 0.1
    centre_slope: float = 0.002
    gap_mm: float = 0.3
    gap_slope: float = 0.01
    middle_mm: float = 2.0
    covariance: NDArray[np.float64] = field(default_factory=lambda: np.diag([4.0, 1.0, 9.0, 2.0]))


def places(fit: Fit, u_mm: float) -> tuple[float, float]:
    a, b = both_faces(fit)
    return a.offset_mm + a.slope * u_mm, b.offset_mm + b.slope * u_mm


@pytest.mark.parametrize("u_mm", [-10.0, 0.0, 2.0, 10.0])
def test_the_faces_stand_half_the_gap_either_side_of_the_line(u_mm: float) -> None:
    fit = Fit()
    a, b = places(fit, u_mm)
    assert 0.5 * (a + b) == pytest.approx(fit.centre_mm + fit.centre_slope * (u_mm - fit.middle_mm))
    assert b - a == pytest.approx(fit.gap_mm + fit.gap_slope * (u_mm - fit.middle_mm))


def test_their_covariance_is_that_of_drawn_fits() -> None:
    """Against the covariance of 5000 fits drawn with the stated one."""
    fit, rng = Fit(), np.random.default_rng(1)
    drawn = rng.multivariate_normal(np.zeros(4), fit.covariance, 5_000)
    names = ("centre_mm", "centre_slope", "gap_mm", "gap_slope")
    lines = [both_faces(replace(fit, **dict(zip(names, row, strict=True)))) for row in drawn]
    table = np.array([[a.offset_mm, a.slope, b.offset_mm, b.slope] for a, b in lines])
    told = face_covariance(fit, SURE) / NOISE_FACTOR**2
    np.testing.assert_allclose(np.cov(table.T), told, rtol=0.08, atol=0.3)
