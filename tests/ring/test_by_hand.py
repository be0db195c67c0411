"""Joints that a person struck or added, put into the comb of a ring that is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from exact_ring import ExactRing, outward
from lightgap.check import find_reference
from lightgap.hand import ByHand, PointPx
from lightgap.photo import Photo, read_photo
from lightgap.plan import Plan
from lightgap.ring.by_hand import help_comb
from lightgap.ring.comb import Comb, find_comb
from lightgap.ring.outline import find_outline
from lightgap.samples import read_samples

PLAN = Plan(12, "spaced", 200.0, 32.0, 18.0, gap_mm=3.0)
RING = ExactRing(PLAN)
BLANK = Photo(np.full((1500, 2000, 3), 128, dtype=np.uint8))
"""A photo in which nothing is to be seen."""


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
    assert help_comb(BLANK, comb, ByHand(), RING.outline, PLAN).teeth == comb.teeth


def test_struck_joints_are_not_found_and_keep_their_place() -> None:
    helped = help_comb(BLANK, RING.comb, ByHand(struck=frozenset({3, 7, 99})), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13)) - {3, 7}
    np.testing.assert_array_equal(helped.teeth[2].middle_mm, RING.comb.teeth[2].middle_mm)


def test_an_added_joint_that_is_not_seen_stays_near_the_combs_place() -> None:
    """A touch beside it says which joint is meant, not where it is to a millimetre."""
    point = near_joint(4, aside_deg=2.0)
    helped = help_comb(BLANK, unseen(4), ByHand(added_px=(in_photo(point),)), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13))
    tooth, planned = helped.teeth[3], RING.comb.teeth[3]
    assert tooth.number == 4
    assert tooth.gap_mm == 3.0
    moved = np.hypot(*(tooth.middle_mm - planned.middle_mm))
    assert 0.2 < moved < 0.9
    assert np.hypot(*(tooth.middle_mm - point)) < np.hypot(*(planned.middle_mm - point))
    assert np.hypot(*tooth.middle_mm) == pytest.approx(PLAN.middle_radius_mm, abs=0.5)
    assert tooth.direction_deg == pytest.approx(planned.direction_deg, abs=0.6)


def test_a_point_on_a_joint_that_was_found_leaves_it_as_it_was() -> None:
    helped = help_comb(BLANK, RING.comb, ByHand(added_px=(in_photo(near_joint(4, 1.0)),)), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13))
    np.testing.assert_array_equal(helped.teeth[3].middle_mm, RING.comb.teeth[3].middle_mm)


def test_each_added_point_takes_the_joint_nearest_to_it() -> None:
    points = tuple(in_photo(near_joint(number, -0.5)) for number in (9, 2))
    helped = help_comb(BLANK, unseen(2, 9, 11), ByHand(added_px=points), RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13)) - {11}


def test_a_joint_struck_and_added_again_is_where_it_was_added() -> None:
    point = near_joint(4, 0.8)
    hand = ByHand(struck=frozenset({4}), added_px=(in_photo(point),))
    helped = help_comb(BLANK, RING.comb, hand, RING.outline, PLAN)
    assert found_in(helped) == set(range(1, 13))
    tooth, outside = helped.teeth[3], outward(RING.first_deg + 90.0 + 0.8)
    np.testing.assert_allclose(tooth.middle_mm / np.hypot(*tooth.middle_mm), outside, atol=1e-3)
    assert tooth.direction_deg == pytest.approx(np.degrees(np.arctan2(outside[1], outside[0])), abs=0.1)


@pytest.mark.parametrize("name", ["walnut16_spaced", "oak12_closed"])
def test_a_joint_is_found_from_a_thumbs_touch_beside_it(name: str) -> None:
    """On sample photographs, touched up to 5 mm beside the joint; the measuring needs it within 0.9 mm."""
    sample = next(one for one in read_samples() if one.name == name)
    photo, plan = read_photo(sample.photo), sample.plan
    outline = find_outline(photo, find_reference(photo, plan, sample.reference).camera, plan)
    comb = find_comb(photo, outline, plan)
    for tooth, aside_mm in zip(comb.teeth[::3], (-5.0, -2.5, 0.0, 2.5, 5.0), strict=False):
        assert tooth.found
        turn = np.radians(tooth.direction_deg)
        along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
        lost = replace(comb, teeth=tuple(replace(one, found=one is not tooth) for one in comb.teeth))
        touch = tooth.middle_mm + aside_mm * across + 0.3 * plan.width_mm * along
        x, y = outline.camera.project_plane(touch, plan.thickness_mm)
        hand = ByHand(added_px=((float(x), float(y)),))
        found = help_comb(photo, lost, hand, outline, plan).teeth[tooth.number - 1]
        assert found.found
        assert abs(float((found.middle_mm - tooth.middle_mm) @ across)) < 0.5


def test_missing_segments_stay_missing() -> None:
    comb = replace(unseen(5, 6), missing_segments=(5,))
    assert help_comb(BLANK, comb, ByHand(struck=frozenset({1})), RING.outline, PLAN).missing_segments == (5,)
