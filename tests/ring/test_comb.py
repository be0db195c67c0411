"""Where the joints lie: each within 0.5 mm and a degree, numbered, missing ones told and none invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from accuracy.maker import View
from accuracy.shape import Faults, no_faults
from accuracy.truth import Truth, read_folder
from lightgap.errors import RingError
from lightgap.photo import Photo, read_photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, find_comb
from lightgap.ring.features import RunningMeans, t_squared
from lightgap.ring.outline import Outline, find_outline
from ring_scenes import CLOSED, SPACED, TURNED, joint_errors, ring, rough_camera

SAMPLES = read_folder(Path(__file__).parents[2] / "sample_images")
TAPERED = Plan(10, "tapered", 230.0, 36.0, 20.0, gap_mm=4.0, gap_deg=1.5)


def found(photo: Photo, truth: Truth) -> tuple[Outline, Comb]:
    outline = find_outline(photo, rough_camera(truth), truth.plan)
    return outline, find_comb(photo, outline, truth.plan)


def clockwise_deg(outline: Outline, pixels: tuple[float, float] | np.ndarray, height_mm: float) -> float:
    x, y = outline.camera.to_plane(pixels, height_mm)
    return float(np.degrees(np.arctan2(x, y)) % 360.0)


@pytest.mark.parametrize("truth", SAMPLES, ids=lambda truth: truth.photo.stem)
def test_every_joint_of_every_sample_is_found(truth: Truth) -> None:
    photo = read_photo(truth.photo)
    outline, comb = found(photo, truth)
    assert len(comb.teeth) == truth.plan.segments
    assert comb.missing_segments == ()
    for tooth in comb.teeth:
        place_mm, turn_deg = joint_errors(tooth, outline, truth)
        assert tooth.found
        assert place_mm < 0.5
        assert turn_deg < 1.1


@pytest.mark.parametrize(
    "plan", [CLOSED, SPACED, TAPERED, TURNED], ids=lambda plan: plan.joint + plan.outline
)
def test_every_style_of_joint_is_found(plan: Plan) -> None:
    drawn = ring(plan, woods=("cherry",), bench="white")
    outline, comb = found(drawn.photo, drawn.truth)
    errors = np.array([joint_errors(tooth, outline, drawn.truth) for tooth in comb.teeth])
    assert errors[:, 0].max() < 0.5
    assert errors[:, 1].max() < 1.1
    if plan.joint != "closed":
        assert all(abs(tooth.gap_mm - plan.gap_mm) < 1.0 for tooth in comb.teeth)


def test_joints_are_numbered_clockwise_from_twelve_o_clock() -> None:
    drawn = ring(SPACED)
    outline, comb = found(drawn.photo, drawn.truth)
    angles = [np.degrees(np.arctan2(*tooth.middle_mm)) % 360.0 for tooth in comb.teeth]
    assert [tooth.number for tooth in comb.teeth] == list(range(1, 17))
    assert angles == sorted(angles)
    assert angles[0] < SPACED.pitch_deg
    # The truth counts in the same way, in the photo itself.
    first_px = outline.camera.project_plane(comb.teeth[0].middle_mm, SPACED.thickness_mm)
    assert np.hypot(*(first_px - drawn.truth.joints[0].middle_px)) * 0.18 < 1.0


def test_the_marked_joint_is_number_one() -> None:
    drawn = ring(SPACED)
    outline, plain = found(drawn.photo, drawn.truth)
    mark = drawn.truth.joints[5].middle_px + np.array([8.0, -12.0])
    marked = find_comb(drawn.photo, outline, SPACED, (float(mark[0]), float(mark[1])))
    assert [tooth.number for tooth in marked.teeth] == list(range(1, 17))
    for number, tooth in enumerate(marked.teeth):
        assert np.allclose(tooth.middle_mm, plain.teeth[(number + 5) % 16].middle_mm)


def test_a_missing_segment_is_told_and_its_two_joints_are_not_invented() -> None:
    drawn = ring(SPACED, faults=replace(no_faults(SPACED), missing=frozenset({4})))
    _, comb = found(drawn.photo, drawn.truth)
    gone = {number for number, joint in enumerate(drawn.truth.joints, 1) if joint.missing_neighbour}
    assert {tooth.number for tooth in comb.teeth if not tooth.found} == gone
    (missing,) = comb.missing_segments
    assert gone == {missing, missing % 16 + 1}


def test_a_joint_of_which_nothing_shows_is_not_found_and_stands_where_the_comb_says() -> None:
    # Wood without figure, joints open 0.25 mm, but one closed so tight that not a line is left of it.
    gaps = np.full(12, 0.25)
    gaps[7] = 0.0
    drawn = ring(CLOSED, faults=replace(no_faults(CLOSED), gap_mm=gaps), figure=0.0)
    outline, comb = found(drawn.photo, drawn.truth)
    (unseen,) = (tooth for tooth in comb.teeth if not tooth.found)
    place_mm, turn_deg = joint_errors(unseen, outline, drawn.truth)
    assert place_mm < 0.5
    assert turn_deg < 1.0
    tightest = np.argmin([joint.gap_middle_mm for joint in drawn.truth.joints])
    assert unseen.number == tightest + 1


def moved_along(plan: Plan, segment: int, by_mm: float) -> Faults:
    """One segment moved anticlockwise round the ring: the gap before it widens, that after it narrows."""
    faults = no_faults(plan)
    gaps, pitch = faults.gap_mm.copy(), faults.pitch_deg.copy()
    gaps[segment] += by_mm
    gaps[segment + 1] -= by_mm
    pitch[segment : segment + 2] += np.degrees(0.5 * by_mm / plan.middle_radius_mm)
    return replace(faults, gap_mm=gaps, pitch_deg=pitch)


def test_a_segment_moved_two_millimetres_keeps_its_own_joints() -> None:
    drawn = ring(SPACED, faults=moved_along(SPACED, 5, 2.0), woods=("maple",), bench="green")
    outline, comb = found(drawn.photo, drawn.truth)
    gaps = sorted(tooth.gap_mm for tooth in comb.teeth)
    assert gaps[0] == pytest.approx(1.0, abs=0.5)
    assert gaps[-1] == pytest.approx(5.0, abs=0.5)
    assert max(joint_errors(tooth, outline, drawn.truth)[0] for tooth in comb.teeth) < 0.5


def test_a_segment_popped_out_two_millimetres_is_not_missing() -> None:
    radial = np.zeros(16)
    radial[9] = 2.0
    drawn = ring(SPACED, faults=replace(no_faults(SPACED), radial_mm=radial))
    outline, comb = found(drawn.photo, drawn.truth)
    assert comb.missing_segments == ()
    assert all(tooth.found for tooth in comb.teeth)
    assert max(joint_errors(tooth, outline, drawn.truth)[0] for tooth in comb.teeth) < 0.5


@pytest.mark.parametrize("entered", [8, 15, 17, 32])
def test_a_wrong_number_of_segments_is_told_by_the_joints(entered: int) -> None:
    drawn = ring(SPACED)
    wrong = replace(SPACED, segments=entered)
    outline = replace(drawn.truth.outline(), score=4.0)
    with pytest.raises(RingError, match=f"looks like 16 segments, but {entered} were entered"):
        find_comb(drawn.photo, outline, wrong)


def test_the_round_ring_too_tells_a_wrong_number() -> None:
    drawn = ring(TURNED, woods=("cherry",), bench="white")
    wrong = replace(TURNED, segments=17)
    outline = find_outline(drawn.photo, drawn.truth.camera, wrong)
    with pytest.raises(RingError, match="looks like 18 segments, but 17 were entered"):
        find_comb(drawn.photo, outline, wrong)


@pytest.mark.parametrize("entered", [47, 49])
def test_that_many_teeth_meet_something_by_chance_makes_no_comb(entered: int) -> None:
    # Looked at 3 mm beside its centre, no number is clear, and chance alone fits by 0.6.
    plan = Plan(48, "closed", 300.0, 40.0, 18.0)
    drawn = ring(plan, woods=("beech", "walnut"), view=View(mm_per_px=0.2, tilt_deg=4.0, margin_mm=20.0))
    outline = drawn.truth.outline()
    askew = replace(outline, camera=outline.camera.moved([2.5, 1.5], 0.0))
    with pytest.raises(RingError):
        find_comb(drawn.photo, askew, replace(plan, segments=entered))


def test_an_outline_beside_the_ring_has_no_comb() -> None:
    drawn = ring(CLOSED)
    outline = drawn.truth.outline()
    aside = replace(outline, camera=outline.camera.moved([60.0, 0.0], 0.0))
    with pytest.raises(RingError):
        find_comb(drawn.photo, aside, CLOSED)


def test_running_means_are_plain_means() -> None:
    values = np.random.default_rng(1).normal(size=(2, 3, 40, 3)).astype(np.float32)
    beside = RunningMeans(values, step_mm=0.5, reach_mm=3.0, wrap=True).beside(0.9, 2.6)
    # Columns 2 to 5 lie from 0.9 to 2.6 mm beside.
    expected = np.mean([np.roll(values, -shift, axis=2) for shift in (2, 3, 4, 5)], axis=0)
    np.testing.assert_allclose(beside, expected, atol=1e-5)


def test_t_squared_is_the_textbooks_form() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.5.4.3: T^2 = n m' S^-1 m, here with the prior in S.
    features = np.random.default_rng(2).normal(size=(9, 5, 3)).astype(np.float32)
    usual = np.array([0.5, 2.0, 1.0], dtype=np.float32)
    mean = features.mean(axis=0)
    about = features - mean
    for column in range(5):
        scatter = (about[:, column].T @ about[:, column] + 6.0 * np.diag(usual)) / (9 + 6.0)
        expected = 9 * mean[column] @ np.linalg.inv(scatter) @ mean[column]
        assert t_squared(features, usual)[column] == pytest.approx(expected, rel=1e-4)
