"""Steps in height between segments, told by photos from both sides; and what they do to the gaps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.faces.site import HEIGHT_STANDARD_MM
from lightgap.heights import find_steps, say_steps, with_heights
from lightgap.mean import HEIGHTS
from lightgap.measure import Measurement
from lightgap.values import Below, Unknown, Value, measured
from made_ring import make_measurement, make_plan

PLAN = make_plan()
LEAN = 0.15
"""How far each view leans from the joint's own upright, as a tangent."""
NOISE_MM = 0.004
SIDES = np.array([[1.0] * 12, [-1.0] * 12])


def seen(steps_mm: np.ndarray, side: float, lean: float = LEAN, seed: int = 1) -> Measurement:
    """Closed joints of 0.1 mm as a camera sees them that leans to the side given.

    The segment after each joint stands ``steps_mm`` higher than the one before it. Seen from clockwise of
    the joint (side 1) the higher face moves away from the camera, anticlockwise: the gap looks narrower.
    """
    noise = np.random.default_rng(seed).normal(0.0, NOISE_MM, 12)
    standard = float(np.sqrt(2.0)) * HEIGHT_STANDARD_MM * lean
    joints = {}
    for number, (step, error) in enumerate(zip(steps_mm, noise, strict=True), 1):
        gap = measured(0.1 - side * lean * step + error, {"edge fit": NOISE_MM, HEIGHTS: standard})
        joints[number] = {"gap_inside_mm": gap, "gap_middle_mm": gap, "gap_outside_mm": gap}
    return make_measurement(PLAN, joints=joints)


def both_sides(steps_mm: np.ndarray) -> list[Measurement]:
    return [seen(steps_mm, 1.0, seed=1), seen(steps_mm, -1.0, seed=2)]


def test_steps_come_out_as_they_are() -> None:
    true = np.random.default_rng(7).normal(0.0, 0.2, 12)
    found = find_steps(both_sides(true), SIDES)
    assert sorted(found.by_joint) == list(range(1, 13))
    for joint, step in found.by_joint.items():
        assert abs(step.value - true[joint - 1]) < step.u95
    # 0.2 mm is twice what every single photo allows for, root 2 times 0.07 mm.
    assert found.ratio == pytest.approx(2.0, abs=0.7)


def test_a_flat_ring_is_taken_as_usual_not_as_flatter() -> None:
    assert find_steps(both_sides(np.zeros(12)), SIDES).ratio == 1.0


def test_one_joint_that_a_photo_got_wrong_does_not_make_the_ring_uneven() -> None:
    photos = both_sides(np.zeros(12))
    wrong = replace(photos[0].joints[4], gap_middle_mm=measured(0.9, {"edge fit": NOISE_MM, HEIGHTS: 0.015}))
    joints = (*photos[0].joints[:4], wrong, *photos[0].joints[5:])
    assert find_steps([replace(photos[0], joints=joints), photos[1]], SIDES).ratio == 1.0


def test_photos_from_one_position_tell_nothing_of_heights() -> None:
    true = np.random.default_rng(7).normal(0.0, 0.2, 12)
    same = [seen(true, 1.0, seed=1), seen(true, 1.0, seed=2)]
    found = find_steps(same, np.ones((2, 12)))
    assert (found.by_joint, found.ratio) == ({}, 1.0)
    nearly = [seen(true, 1.0, seed=1), seen(true, 1.0, LEAN * 1.02, seed=2)]
    assert all(step.u95 > 1.0 for step in find_steps(nearly, np.ones((2, 12))).by_joint.values())


def test_joints_that_one_photo_alone_shows_are_passed_over() -> None:
    photos = both_sides(np.zeros(12))
    hidden = replace(photos[0].joints[0], gap_middle_mm=Unknown("covered"))
    photos[0] = replace(photos[0], joints=(hidden, *photos[0].joints[1:]))
    assert 1 not in find_steps(photos, SIDES).by_joint


def test_a_high_segment_is_named_at_both_of_its_joints() -> None:
    """Segment 5 stands 0.6 mm high: a step up at joint 5 and one down at joint 6."""
    true = np.zeros(12)
    true[4], true[5] = 0.6, -0.6
    (said,) = say_steps(find_steps(both_sides(true), SIDES))
    assert said.startswith("The top is not flat: segment 5 stands 0.")
    assert "mm above segment 4" in said and "mm above segment 6" in said
    assert "sand the ring flat" in said


def test_the_step_at_joint_1_lies_between_the_last_segment_and_the_first() -> None:
    true = np.zeros(12)
    true[0] = -0.6
    (said,) = say_steps(find_steps(both_sides(true), SIDES))
    assert "segment 12 stands 0." in said and "above segment 1." in said


def test_of_a_flat_ring_nothing_is_said() -> None:
    assert say_steps(find_steps(both_sides(np.zeros(12)), SIDES)) == []


def test_only_the_heights_part_of_a_gap_grows() -> None:
    photo = seen(np.zeros(12), 1.0)
    grown = with_heights(photo, 3.0).joints[0].gap_middle_mm
    before, after = photo.joints[0].gap_middle_mm.budget, grown.budget
    assert [part.name for part in before] == [part.name for part in after]
    ratios = {part.name: part.standard / old.standard for part, old in zip(after, before, strict=True)}
    assert ratios == pytest.approx({"edge fit": 1.0, HEIGHTS: 3.0})


def test_a_bound_rises_with_its_uncertainty() -> None:
    """What was measured stays: 0.06 mm less U of 0.04."""
    photo = seen(np.zeros(12), 1.0)
    bound = Below(0.06, measured(0.0, {HEIGHTS: 0.02}).budget)
    joints = (replace(photo.joints[0], gap_middle_mm=bound), *photo.joints[1:])
    grown = with_heights(replace(photo, joints=joints), 2.0).joints[0].gap_middle_mm
    assert isinstance(grown, Below)
    assert grown.below == pytest.approx(0.10)
    assert not isinstance(grown, Value)
