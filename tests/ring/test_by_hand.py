"""Joints that a person struck or added, put into the comb of a ring that is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from exact_ring import ExactRing, outward
from lightgap.hand import ByHand, PointPx
from lightgap.plan import Plan
from lightgap.ring.by_hand import help_comb
from lightgap.ring.comb import Comb

PLAN = Plan(12, "spaced", 200.0, 32.0, 18.0, gap_mm=3.0)
RING = ExactRing(PLAN)


def unseen(*numbers: int) -> Comb:
    """The ring's comb without these joints."""
    comb = RING.comb
    return replace(comb, teeth=tuple(replace(t, found=t.number not in numbers) for t in comb.teeth))


def found_in(comb: Comb) -> set[int]:
    return {tooth.number for tooth in comb.teeth if tooth.found}


def in_photo(point_mm: NDArray[np.float64]) -> PointPx:
    x, y = RING.outline.camera.project_plane(point_mm, PLAN.thickness_mm)
    return float(x), float(y)


def near_joint(number: int, aside_deg: float, radius_mm: float = 90.0) -> NDArray[np.float64]:
    return radius_mm * outward(RING.first_deg + (number - 1) * PLAN.pitch_deg + aside_deg)


def test_without_help_nothing_changes() -> None:
    comb = unseen(4)
    assert help_comb(comb, ByHand(), RING.outline, PLAN).teeth == comb.teeth


def test_struck_joints_are_not_found_and_keep_their_place() -> None:
    helped = help_comb(RING.comb, ByHand(struck=frozenset({3, 7, 99})), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13)) - {3, 7}
    np.testing.assert_array_equal(helped.teeth[2].middle_mm, RING.comb.teeth[2].middle_mm)


def test_an_added_joint_runs_through_the_point_and_the_centre() -> None:
    point = near_joint(4, aside_deg=0.8)
    helped = help_comb(unseen(4), ByHand(added_px=(in_photo(point),)), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13))
    tooth = helped.teeth[3]
    assert tooth.number == 4
    assert tooth.gap_mm == 3.0
    outside = outward(RING.first_deg + 90.0 + 0.8)
    np.testing.assert_allclose(tooth.middle_mm / np.hypot(*tooth.middle_mm), outside, atol=1e-3)
    assert np.hypot(*tooth.middle_mm) == pytest.approx(PLAN.middle_radius_mm, abs=0.5)
    assert tooth.direction_deg == pytest.approx(np.degrees(np.arctan2(outside[1], outside[0])), abs=0.1)


def test_a_point_on_a_joint_that_was_found_leaves_it_as_it_was() -> None:
    helped = help_comb(RING.comb, ByHand(added_px=(in_photo(near_joint(4, 1.0)),)), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13))
    np.testing.assert_array_equal(helped.teeth[3].middle_mm, RING.comb.teeth[3].middle_mm)


def test_each_added_point_takes_the_joint_nearest_to_it() -> None:
    points = tuple(in_photo(near_joint(number, -0.5)) for number in (9, 2))
    helped = help_comb(unseen(2, 9, 11), ByHand(added_px=points), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13)) - {11}


def test_a_joint_struck_and_added_again_is_where_it_was_added() -> None:
    hand = ByHand(struck=frozenset({4}), added_px=(in_photo(near_joint(4, 0.8)),))
    helped = help_comb(RING.comb, hand, RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13))
    assert np.hypot(*(helped.teeth[3].middle_mm - RING.comb.teeth[3].middle_mm)) > 0.5


def test_missing_segments_stay_missing() -> None:
    comb = replace(unseen(5, 6), missing_segments=(5,))
    assert help_comb(comb, ByHand(struck=frozenset({1})), RING.outline, PLAN).missing_segments == (5,)
