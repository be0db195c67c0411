"""Patterns round a ring, each made with a known cause."""

import math
from typing import Any

import numpy as np
import pytest

from lightgap.advice.pattern import (
    CutError,
    common_gap_error,
    cut_error,
    dressed_halves,
    moisture_deg,
    slid_segments,
    wedge_mm,
)
from lightgap.measure import Measurement
from lightgap.plan import Plan
from lightgap.values import Unknown, Value
from made_ring import deg, make_measurement, make_plan, mm


def cut_off_by(plan: Plan, error: float, spread: float = 0.0, seed: int = 0, **faces: Any) -> Measurement:
    """A dry ring whose every cut is off by ``error``, the wedge shared by all joints.

    ``spread`` is added to each cut at random; ``faces`` {"7": (start, end)} adds to one segment's cuts.
    """
    cuts = error + spread * np.random.default_rng(seed).standard_normal((plan.segments, 2))
    for number, extra in faces.items():
        cuts[int(number) - 1] += extra
    segments = {k + 1: {"start": float(cuts[k, 0]), "end": float(cuts[k, 1])} for k in range(plan.segments)}
    # The face before joint k ends segment k - 1: what both are too wide, the joint is too narrow outside.
    tapers = [-(cuts[k - 1, 1] + cuts[k, 0]) for k in range(plan.segments)]
    joints = {k + 1: {"taper_deg": deg(plan.gap_deg + float(tapers[k]))} for k in range(plan.segments)}
    return make_measurement(plan, joints=joints, segments=segments)


@pytest.mark.parametrize("segments", [6, 8, 12, 24])
@pytest.mark.parametrize("error", [-0.1, 0.05, 0.2])
def test_the_saws_error_is_read_from_the_mean_angle(segments: int, error: float) -> None:
    plan = make_plan(segments=segments)
    found = cut_error(cut_off_by(plan, error), plan)
    assert found is not None
    assert found.error_deg.value == pytest.approx(error)
    assert len(found.joints) == segments


def test_the_mean_is_surer_than_one_segment_by_the_root_of_their_number() -> None:
    plan = make_plan(segments=12)
    found = cut_error(cut_off_by(plan, 0.1), plan)
    assert found is not None
    assert found.error_deg.u95 == pytest.approx(0.06 / 2.0 / math.sqrt(12.0))


def test_its_uncertainty_covers_it_as_often_as_it_says() -> None:
    plan = make_plan(segments=12)
    found = [cut_error(cut_off_by(plan, 0.1, spread=0.05, seed=seed), plan) for seed in range(300)]
    held = [item for item in found if item is not None]
    assert len(held) > 250
    covered = np.mean([abs(item.error_deg.value - 0.1) <= item.error_deg.u95 for item in held])
    assert 0.92 < covered < 0.98


def test_a_good_saw_is_rarely_blamed() -> None:
    plan = make_plan(segments=12)
    found = [cut_error(cut_off_by(plan, 0.0, spread=0.05, seed=seed), plan) for seed in range(300)]
    blamed = sum(item is not None for item in found)
    assert blamed <= 3


@pytest.mark.parametrize("off", [0.5, -0.5])
@pytest.mark.parametrize("segments", [8, 12, 24])
def test_one_face_off_its_angle_is_not_taken_for_the_saw(segments: int, off: float) -> None:
    plan = make_plan(segments=segments)
    assert cut_error(cut_off_by(plan, 0.0, **{"5": (0.0, off)}), plan) is None


def test_the_saws_error_is_read_past_one_face_that_is_off_by_itself() -> None:
    plan = make_plan(segments=12)
    found = cut_error(cut_off_by(plan, 0.1, spread=0.01, **{"5": (0.0, -0.8)}), plan)
    assert found is not None
    assert found.error_deg.value == pytest.approx(0.1, abs=0.01)
    assert 6 not in found.joints


def test_without_most_of_the_angles_nothing_is_said_of_the_saw() -> None:
    plan = make_plan(segments=12)
    hidden = {number: {"included_angle_deg": Unknown("hidden")} for number in range(1, 5)}
    assert cut_error(make_measurement(plan, segments=hidden), plan) is None


@pytest.mark.parametrize(
    ("error", "segments", "wedge"),
    [
        (0.01, 12, 0.105),
        (0.05, 8, 0.35),
        (0.05, 12, 0.52),
        (0.05, 24, 1.05),
        (0.10, 12, 1.05),
        (0.10, 24, 2.10),
    ],
)
def test_the_wedge_of_all_cuts_over_a_25_mm_joint(error: float, segments: int, wedge: float) -> None:
    """Against a table of 2 N e over 25 mm; ts-aligner.com "Accurate Miters" has the octagon's 16 cuts."""
    plan = make_plan(segments=segments, width_mm=25.0, outline="round")
    assert wedge_mm(CutError(deg(error), ()), plan).value == pytest.approx(wedge, abs=0.006)


def dressed(plan: Plan, error: float, joint: int, spread: float = 0.0, seed: int = 0) -> Measurement:
    """Two halves, every cut off by ``error``, their ends dressed flat at ``joint`` and opposite it.

    Half of N e, which makes each half too long or too short of 180 degrees, is taken from its two end
    faces in equal parts.
    """
    count = plan.segments
    angles = np.full(count, 2.0 * error) + spread * np.random.default_rng(seed).standard_normal(count)
    for first in (joint - 1, joint - 1 + count // 2):
        angles[[(first - 1) % count, first % count]] -= count * error / 2.0
    segments = {k + 1: {"start": angles[k] / 2.0, "end": angles[k] / 2.0} for k in range(count)}
    return make_measurement(plan, segments=segments)


@pytest.mark.parametrize("segments", [10, 12, 24])
@pytest.mark.parametrize("joint", [1, 4])
def test_dressed_halves_show_the_cut_error_that_they_hid(segments: int, joint: int) -> None:
    plan = make_plan(segments=segments)
    measurement = dressed(plan, 0.1, joint, spread=0.03)
    angles = [item.included_angle_deg for item in measurement.segments]
    found = dressed_halves(measurement, plan)
    assert found is not None
    assert found.error_deg.value == pytest.approx(0.1, abs=0.02)
    assert found.joints == (joint, joint + segments // 2)
    assert len(found.segments) == 4
    assert {joint, joint + segments // 2} <= set(found.segments)
    # The sum stays 360 degrees: such a ring shows no taper at all.
    assert sum(angle.value for angle in angles if isinstance(angle, Value)) == pytest.approx(360.0, abs=0.6)


@pytest.mark.parametrize("segments", [10, 12, 24])
def test_a_ring_with_random_errors_or_one_bad_face_shows_no_dressed_halves(segments: int) -> None:
    plan = make_plan(segments=segments)
    random = [dressed_halves(dressed(plan, 0.0, 1, spread=0.1, seed=seed), plan) for seed in range(100)]
    assert sum(found is not None for found in random) <= 6
    assert dressed_halves(cut_off_by(plan, 0.0, spread=0.02, **{"3": (0.5, 0.0)}), plan) is None


def test_rings_that_cannot_be_halved_so_are_left_alone() -> None:
    for segments in (6, 8, 11):
        plan = make_plan(segments=segments)
        assert dressed_halves(dressed(plan, 0.1, 1), plan) is None


def test_a_segment_that_slid_is_named_with_the_way_it_went() -> None:
    plan = make_plan(joint="spaced")
    joints = {4: {"gap_middle_mm": mm(3.45)}, 5: {"gap_middle_mm": mm(2.55)}}
    found = slid_segments(make_measurement(plan, joints=joints), plan)
    assert [(item.segment, item.towards) for item in found] == [(4, 5)]
    assert found[0].moved_mm.value == pytest.approx(0.45)


def test_the_last_segment_lies_between_the_last_joint_and_the_first() -> None:
    plan = make_plan(joint="spaced")
    joints = {12: {"gap_middle_mm": mm(2.6)}, 1: {"gap_middle_mm": mm(3.4)}}
    assert [
        (item.segment, item.towards) for item in slid_segments(make_measurement(plan, joints=joints), plan)
    ] == [(12, 12)]


def test_a_joint_is_explained_by_the_segment_that_slid_farthest() -> None:
    plan = make_plan(joint="spaced")
    joints = {4: {"gap_middle_mm": mm(3.4)}, 5: {"gap_middle_mm": mm(2.5)}, 6: {"gap_middle_mm": mm(3.3)}}
    assert [item.segment for item in slid_segments(make_measurement(plan, joints=joints), plan)] == [4]


def test_gaps_well_within_their_tolerance_are_not_called_sliding() -> None:
    plan = make_plan(joint="spaced")
    joints = {4: {"gap_middle_mm": mm(3.09)}, 5: {"gap_middle_mm": mm(2.91)}}
    assert slid_segments(make_measurement(plan, joints=joints), plan) == ()


def test_one_wide_gap_alone_is_no_sliding() -> None:
    plan = make_plan(joint="spaced")
    assert slid_segments(make_measurement(plan, joints={4: {"gap_middle_mm": mm(3.45)}}), plan) == ()


def test_gaps_that_are_all_wide_by_the_same_are_seen_together() -> None:
    plan = make_plan(joint="spaced")
    joints = {number: {"gap_middle_mm": mm(3.3)} for number in range(1, 13)}
    ring = {"mean_gap_mm": mm(3.3, 0.02)}
    found = common_gap_error(make_measurement(plan, joints=joints, ring=ring), plan)
    assert found is not None
    assert found.value == pytest.approx(0.3)
    one = {"mean_gap_mm": mm(3.05, 0.02)}
    assert (
        common_gap_error(make_measurement(plan, joints={4: {"gap_middle_mm": mm(3.6)}}, ring=one), plan)
        is None
    )


@pytest.mark.parametrize(
    ("shrinkage", "turned"), [(0.00353, 0.20), (0.00274, 0.16), (0.00248, 0.14), (0.00431, 0.24)]
)
def test_moisture_turns_a_mitre(shrinkage: float, turned: float) -> None:
    """0.5 sin(2b) C dMC at N = 12, 4 %: maple, walnut, cherry, beech of USDA Wood Handbook table 13-5."""
    least, most = moisture_deg(15.0, 4.0)
    angle = least + (most - least) * (shrinkage - 0.00248) / (0.00431 - 0.00248)
    assert angle == pytest.approx(turned, abs=0.01)
