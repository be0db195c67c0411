"""A comb of joints that is bent by a wrong centre: checked against plain trigonometry."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.plan import Plan
from lightgap.ring.bend import find_bend
from lightgap.ring.unroll import Unrolled

PLAN = Plan(24, "spaced", 240.0, 30.0, 19.0, gap_mm=2.0, outline="round")
STEP_MM = 0.25
COLUMNS = round(2 * np.pi * PLAN.middle_radius_mm / STEP_MM)


def unrolled(seen_rad: np.ndarray, seed: int = 5) -> Unrolled:
    """A face with a peak 2 mm wide in each of these directions, and faint grain between them."""
    grain = np.random.default_rng(seed).gamma(2.0, 0.1, COLUMNS)
    column = np.arange(COLUMNS) * (2 * np.pi / COLUMNS)
    off = (column[:, None] - seen_rad + np.pi) % (2 * np.pi) - np.pi
    peaks = 4.0 * np.exp(-0.5 * (off * PLAN.middle_radius_mm / 0.6) ** 2).sum(axis=1)
    return Unrolled(np.zeros((6, COLUMNS, 3), np.float32), STEP_MM, peaks + grain)


def seen_from(right_mm: float, up_mm: float) -> np.ndarray:
    """Directions, clockwise from 12 o'clock, of 24 even joints whose centre lies so far off."""
    even = 0.1 + np.arange(24) * (2 * np.pi / 24)
    radius = PLAN.middle_radius_mm
    return np.arctan2(right_mm + radius * np.sin(even), up_mm + radius * np.cos(even))


@pytest.mark.parametrize("right_mm, up_mm", [(0.0, 0.0), (4.0, 0.0), (-3.0, 5.0), (0.0, -9.0)])
def test_the_joints_tell_where_the_centre_is(right_mm: float, up_mm: float) -> None:
    bend = find_bend(unrolled(seen_from(right_mm, up_mm)), PLAN)
    assert bend.fit > 0.95
    # The bend is taken to the first order: 9 mm on a radius of 105 leave 0.4 mm.
    assert (bend.right_mm, bend.up_mm) == pytest.approx((right_mm, up_mm), abs=0.4)
    assert np.diff(bend.even) == pytest.approx(np.full(23, 2 * np.pi / 24))


def test_joints_at_uneven_places_make_no_comb_however_it_is_bent() -> None:
    rng = np.random.default_rng(11)
    fits = [find_bend(unrolled(rng.uniform(0, 2 * np.pi, 24), seed), PLAN).fit for seed in range(20)]
    assert max(fits) < 0.75
