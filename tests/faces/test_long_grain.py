"""Covariances of a ring's fits where grain runs along its joints: Student's t, JCGM 100:2008, table G.2."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.faces.long_grain import widened

COVARIANCE = np.array([[4.0, 1.0], [1.0, 9.0]])


def test_chance_alone_widens_nothing() -> None:
    """One of twelve joints whose sections scatter by chance."""
    ratios = [np.array([0.9, 1.1])] * 11 + [np.array([3.0, 3.0])]
    for covariance in widened([COVARIANCE] * 12, ratios):
        np.testing.assert_array_equal(covariance, COVARIANCE)


def test_where_most_joints_agree_each_is_widened_by_its_own() -> None:
    ratios = [np.array([2.0, 1.5])] * 11 + [np.array([0.3, 4.0])]
    *_, first, last = widened([COVARIANCE] * 12, ratios)
    # t of 95 % at six degrees of freedom: 2.45.
    assert first[0, 0] == pytest.approx(2.0 * (2.45 / 2.0) ** 2 * 4.0, rel=0.01)
    assert last[0, 0] == 4.0
    assert last[1, 1] == pytest.approx(4.0 * (2.45 / 2.0) ** 2 * 9.0, rel=0.01)
    for covariance in (first, last):
        assert np.all(np.linalg.eigvalsh(covariance) > 0.0)


def test_a_few_fits_tell_nothing_of_their_ring() -> None:
    (alone,) = widened([COVARIANCE], [np.array([9.0, 9.0])])
    np.testing.assert_array_equal(alone, COVARIANCE)
