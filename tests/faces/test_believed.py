"""Lines that can be no joint, and joints as they are cut, which can."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from exact_ring import ExactRing
from lightgap.faces.believed import believed
from lightgap.plan import Plan

CLOSED = Plan(6, "closed", 84.0, 18.0, 12.0)


@pytest.mark.parametrize("skew_deg", [-6.0, 4.0])
def test_a_line_that_no_saw_cuts_is_no_joint(skew_deg: float) -> None:
    joint = ExactRing(CLOSED, skew_deg={4: skew_deg}).joint(4)
    assert joint.face_a is not None
    (doubted,) = believed([joint], CLOSED)
    assert doubted.face_a is doubted.face_b is None
    assert doubted.reason is not None
    assert f"{abs(skew_deg):.0f} degrees askew" in doubted.reason


def test_a_mitre_cut_a_degree_off_is_a_joint() -> None:
    for skew_deg in (-1.5, 0.0, 1.0):
        joint = ExactRing(CLOSED, skew_deg={4: skew_deg}).joint(4)
        assert believed([joint], CLOSED) == (joint,)


@pytest.mark.parametrize("aside_mm", [-1.1, 1.2, 6.0])
def test_a_line_beside_the_joints_place_is_no_tight_joint(aside_mm: float) -> None:
    """Centred 0.3 mm off, every joint seems moved; only one is."""
    plan = Plan(12, "closed", 200.0, 30.0, 18.0)
    turned = {5: float(np.degrees(aside_mm / plan.middle_radius_mm))}
    ring = ExactRing(plan, pitch_deg=turned, centre_mm=(0.3, -0.2))
    doubted = believed([ring.joint(number) for number in ring.numbers], plan)
    assert [joint.number for joint in doubted if joint.face_a is None] == [5]
    assert f"{abs(aside_mm):.1f} mm beside" in str(doubted[4].reason)


def test_a_line_aside_is_told_also_where_its_neighbours_are_hidden() -> None:
    """Of few joints one lies 1.2 mm aside, beside two that dried glue hides: it would pull the ring along."""
    plan = Plan(12, "closed", 90.0, 21.0, 23.0)
    ring = ExactRing(plan, pitch_deg={12: float(np.degrees(-1.2 / plan.middle_radius_mm))})
    joints = [ring.joint(number) for number in ring.numbers]
    joints[8:10] = [replace(joint, face_a=None, face_b=None, reason="hidden") for joint in joints[8:10]]
    assert [joint.reason for joint in believed(joints, plan)[:8]] == [None] * 8
    assert "1.2 mm beside" in str(believed(joints, plan)[11].reason)


def test_of_six_joints_five_tell_where_the_sixth_is() -> None:
    ring = ExactRing(CLOSED, pitch_deg={3: float(np.degrees(-1.3 / CLOSED.middle_radius_mm))})
    doubted = believed([ring.joint(number) for number in ring.numbers], CLOSED)
    assert [joint.number for joint in doubted if joint.face_a is None] == [3]


def test_a_segment_cut_too_long_moves_its_neighbours_and_all_stay() -> None:
    """By 0.8 mm: the joints after it stand on, and fall back little by little."""
    plan = Plan(12, "closed", 200.0, 30.0, 18.0)
    step = np.degrees(0.8 / plan.middle_radius_mm)
    moved = {number: float(step * (0.5 - (number - 5) % 12 / 12.0)) for number in range(1, 13)}
    ring = ExactRing(plan, pitch_deg=moved)
    joints = [ring.joint(number) for number in ring.numbers]
    assert believed(joints, plan) == tuple(joints)


def test_too_few_joints_put_none_of_them_aside() -> None:
    ring = ExactRing(CLOSED, pitch_deg={2: 3.0})
    joints = [ring.joint(number) for number in (1, 2, 3, 4)]
    assert believed(joints, CLOSED) == tuple(joints)


@pytest.mark.parametrize("fault", [{"pitch_deg": {5: 2.0}}, {"skew_deg": {5: 5.0}}])
def test_what_a_person_set_by_hand_is_believed(fault: dict[str, dict[int, float]]) -> None:
    plan = Plan(12, "closed", 200.0, 30.0, 18.0)
    ring = ExactRing(plan, **fault)  # type: ignore[arg-type]
    joints = [ring.joint(number) for number in ring.numbers]
    assert believed(joints, plan)[4].face_a is None
    joints[4] = replace(joints[4], by_hand=True)
    assert believed(joints, plan)[4] is joints[4]


def test_an_open_gap_may_stand_anywhere() -> None:
    """Its two edges are seen: no line of grain looks like it."""
    plan = Plan(12, "spaced", 200.0, 30.0, 18.0, gap_mm=3.0)
    ring = ExactRing(plan, pitch_deg={5: 1.0})
    joints = [ring.joint(number) for number in ring.numbers]
    assert believed(joints, plan) == tuple(joints)
