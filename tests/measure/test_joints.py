"""Values of joints whose faces are known exactly: sizes, signs, order and uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exact_ring import FACE_STANDARD_MM, ExactRing
from lightgap.measure import JointMeasure
from lightgap.plan import Plan
from lightgap.values import Below, Contribution, Measured, Unknown, Value
from made_ring import make_reference

SPACED = Plan(12, "spaced", 200.0, 32.0, 18.0, gap_mm=3.0)
CLOSED = Plan(12, "closed", 200.0, 32.0, 18.0)
TAPERED = Plan(8, "tapered", 240.0, 44.0, 24.0, gap_mm=5.0, gap_deg=2.0)

few = settings(max_examples=25, deadline=None)


def number_of(value: Measured) -> float:
    assert isinstance(value, Value)
    return value.value


def u95_of(value: Measured) -> float:
    assert isinstance(value, Value)
    return value.u95


def gaps_of(joint: JointMeasure) -> list[float]:
    return [number_of(gap) for gap in (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm)]


def test_a_perfect_ring_reads_as_planned() -> None:
    for joint in ExactRing(SPACED).measured().joints:
        assert gaps_of(joint) == pytest.approx([3.0, 3.0, 3.0], abs=1e-4)
        for value in (joint.taper_deg, joint.pitch_error_deg, joint.skew_deg):
            assert number_of(value) == pytest.approx(0.0, abs=1e-4)
        assert joint.found
        assert joint.kind == "open"


def test_a_planned_taper_is_wider_outside() -> None:
    inner, outer = TAPERED.joint_radii_mm
    spread = np.tan(np.radians(1.0)) * (outer - inner)
    for joint in ExactRing(TAPERED).measured().joints:
        assert number_of(joint.taper_deg) == pytest.approx(2.0, abs=1e-4)
        assert gaps_of(joint) == pytest.approx([5.0 - spread, 5.0, 5.0 + spread], abs=1e-3)


@few
@given(st.floats(0.5, 5.0), st.floats(-1.5, 1.5), st.floats(-0.5, 0.5), st.floats(-1.0, 1.0))
def test_each_joints_faults_are_read_where_they_are(
    gap_mm: float, taper_deg: float, pitch_deg: float, skew_deg: float
) -> None:
    ring = ExactRing(
        SPACED, gap_mm={4: gap_mm}, taper_deg={4: taper_deg}, pitch_deg={4: pitch_deg}, skew_deg={4: skew_deg}
    )
    for joint in ring.measured().joints:
        here = joint.number == 4
        assert gaps_of(joint)[1] == pytest.approx(gap_mm if here else 3.0, abs=1e-4)
        assert number_of(joint.taper_deg) == pytest.approx(taper_deg if here else 0.0, abs=1e-4)
        # One joint out of twelve moves neither the comb nor the centre by more than a hair.
        assert number_of(joint.pitch_error_deg) == pytest.approx(pitch_deg if here else 0.0, abs=0.01)
        assert number_of(joint.skew_deg) == pytest.approx(skew_deg if here else 0.0, abs=0.01)


@few
@given(st.floats(-180.0, 180.0))
def test_a_turned_ring_keeps_its_values(turn_deg: float) -> None:
    ring = ExactRing(SPACED, gap_mm={2: 3.4}, taper_deg={2: 0.5}, pitch_deg={5: 0.3}, skew_deg={7: -0.4})
    for one, other in zip(
        ring.measured().joints,
        replace(ring, first_deg=ring.first_deg + turn_deg).measured().joints,
        strict=True,
    ):
        assert gaps_of(other) == pytest.approx(gaps_of(one), abs=1e-6)
        for name in ("taper_deg", "pitch_error_deg", "skew_deg"):
            assert number_of(getattr(other, name)) == pytest.approx(number_of(getattr(one, name)), abs=1e-6)
        away = other.angle_deg - one.angle_deg - turn_deg
        assert (away + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_where_the_ring_lies_in_its_frame_does_not_matter() -> None:
    ring = ExactRing(SPACED, pitch_deg={5: 0.3}, skew_deg={7: -0.4})
    moved = replace(ring, centre_mm=(1.5, -0.8))
    for one, other in zip(ring.measured().joints, moved.measured().joints, strict=True):
        for name in ("pitch_error_deg", "skew_deg"):
            assert number_of(getattr(other, name)) == pytest.approx(number_of(getattr(one, name)), abs=1e-6)


def test_an_even_comb_has_no_pitch_errors_wherever_it_starts() -> None:
    for first_deg in (0.0, 14.9, -8.0):
        joints = ExactRing(CLOSED, first_deg=first_deg).measured().joints
        assert [number_of(joint.pitch_error_deg) for joint in joints] == pytest.approx([0.0] * 12, abs=1e-6)


def test_joints_are_numbered_clockwise_as_seen() -> None:
    joints = ExactRing(SPACED).measured().joints
    assert [joint.number for joint in joints] == list(range(1, 13))
    steps = np.diff([joint.angle_deg for joint in joints])
    assert steps == pytest.approx([30.0] * 11, abs=1e-3)
    # In the photo, too: x to the right, y down, clockwise round the middle.
    places = np.array([np.mean(joint.place_px, axis=0) for joint in joints])
    x, y = (places - places.mean(axis=0)).T
    turns = np.diff(np.unwrap(np.arctan2(x, -y)))
    assert np.all((turns > np.radians(25.0)) & (turns < np.radians(35.0)))


def test_face_a_comes_before_face_b_going_clockwise_and_inner_ends_first() -> None:
    ring = ExactRing(SPACED)
    centre = np.array(ring.measured().ring.centre_px)
    for joint in ring.measured().joints:
        assert joint.faces_px is not None
        a, b = (np.array(face) - centre for face in joint.faces_px)
        for end in (0, 1):
            # Clockwise on a screen whose y runs down: a positive cross product.
            assert a[end, 0] * b[end, 1] - a[end, 1] * b[end, 0] > 0.0
        assert np.hypot(*a[0]) < np.hypot(*a[1])
        between = 0.5 * (a + b) + centre
        np.testing.assert_allclose(joint.place_px, between, atol=0.01)


class TestUncertainty:
    def gap(self, **changes: object) -> Value:
        ring = replace(ExactRing(SPACED), **changes)
        value = ring.measured().joints[0].gap_middle_mm
        assert isinstance(value, Value)
        return value

    def test_the_budget_is_named_and_adds_up(self) -> None:
        value = self.gap()
        parts = {part.name: part.standard for part in value.budget}
        assert set(parts) == {"edge fit", "scale", "along the joint", "tone curve"}
        assert parts["edge fit"] == pytest.approx(FACE_STANDARD_MM * np.sqrt(2.0), rel=0.02)
        assert parts["scale"] == pytest.approx(3.0 * 0.001)
        assert parts["tone curve"] == 0.015
        assert value.u95 == pytest.approx(2.0 * np.sqrt(sum(part**2 for part in parts.values())))

    def test_every_contribution_makes_it_wider(self) -> None:
        plain = self.gap().u95
        assert self.gap(noise=3.0).u95 > plain
        assert self.gap(gap_budget=(Contribution("tone curve", 0.03),)).u95 > plain
        assert self.gap(gap_mm={1: 30.0}).u95 > plain  # the scale's share grows with the gap

    def test_the_reference_widens_what_it_gives(self) -> None:
        ring = ExactRing(SPACED)
        plain = ring.measured().joints[0]
        for name, values in (
            ("scale", ("gap_inside_mm", "gap_middle_mm", "gap_outside_mm")),
            ("taper_deg", ("taper_deg",)),
            ("pitch_deg", ("pitch_error_deg",)),
            ("skew_deg", ("skew_deg",)),
        ):
            good = make_reference()
            poor = replace(good, uncertainty=replace(good.uncertainty, **{name: 0.2}))
            wider = ring.measured(poor).joints[0]
            for value in values:
                assert u95_of(getattr(wider, value)) > u95_of(getattr(plain, value))

    def test_the_ends_are_less_sure_than_the_middle(self) -> None:
        joint = ExactRing(SPACED).measured().joints[0]
        inside, middle, outside = (
            u95_of(gap) for gap in (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm)
        )
        assert inside > middle
        assert outside > middle

    def test_what_is_too_narrow_reads_below(self) -> None:
        joint = ExactRing(CLOSED, gap_mm={3: 0.01}, below_mm={3: 0.04}).measured().joints[2]
        for gap in (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm):
            assert isinstance(gap, Below)
            spread = 2.0 * np.sqrt(sum(part.standard**2 for part in gap.budget))
            assert gap.below == pytest.approx(0.01 + spread, abs=1e-3)
        # Its direction is still measured.
        assert isinstance(joint.skew_deg, Value)


def test_a_joint_beside_a_missing_segment_has_a_reason_and_a_place() -> None:
    measurement = ExactRing(SPACED, missing=(5,)).measured()
    for number in (5, 6):
        joint = measurement.joints[number - 1]
        assert not joint.found
        assert joint.faces_px is None
        assert joint.gap_middle_mm == Unknown("segment 5 beside it is missing")
        assert joint.reason == "segment 5 beside it is missing"
        assert joint.angle_deg == pytest.approx(7.0 + 30.0 * (number - 1), abs=0.2)
    assert all(measurement.joints[number - 1].found for number in (1, 2, 3, 4, 7, 8, 9, 10, 11, 12))
