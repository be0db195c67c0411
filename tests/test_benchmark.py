"""The yardsticks themselves: the bound, the dealing of the matrix, and the counting of right and wrong."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from accuracy.bound import row_variance
from accuracy.changed import CHANGES, changed, summary
from accuracy.maker import View, draw_ring
from accuracy.matrix import FACTORS, cases
from accuracy.photos import reference_of, run
from accuracy.scoring import Score, score
from accuracy.tables import errors_table, found_table, verdict_lines, worst_gaps
from accuracy.truth import Truth, read_truth
from lightgap.camera import Camera
from lightgap.judge import Verdict
from lightgap.measure import JointMeasure, Measurement, RingMeasure, SegmentMeasure
from lightgap.photo import read_photo
from lightgap.plan import Plan, Tolerance
from lightgap.reference.found import PoseUncertainty, Reference
from lightgap.report import Report, make_report
from lightgap.samples import read_samples
from lightgap.values import Below, Measured, Unknown, measured

PLAN = Plan(8, "spaced", 130.0, 26.0, 18.0, gap_mm=3.0, tolerance=Tolerance(gap_mm=0.25, mitre_deg=0.2))


class TestBound:
    def fisher_variance(
        self, levels: tuple[float, float, float], gap: float, blur: float, noise: float
    ) -> float:
        """The same from the model's own derivatives, summed over pixels."""
        x = np.arange(-60.0, 60.0)
        bell = [np.exp(-(((x - at) / blur) ** 2) / 2.0) / (np.sqrt(2.0 * np.pi) * blur) for at in (0.0, gap)]
        slopes = np.stack([(levels[0] - levels[1]) * bell[0], (levels[1] - levels[2]) * bell[1]])
        covariance = np.linalg.inv(slopes @ slopes.T / noise**2)
        return float(np.array([-1.0, 1.0]) @ covariance @ np.array([-1.0, 1.0]))

    @pytest.mark.parametrize("gap", [0.7, 2.0, 20.0])
    @pytest.mark.parametrize("levels", [(60.0, 0.0, 60.0), (60.0, 5.0, 25.0), (20.0, 90.0, 60.0)])
    def test_is_the_inverse_of_the_fisher_information(self, gap, levels):
        expected = self.fisher_variance(levels, gap, 1.5, 3.0)
        assert row_variance(levels, gap, 1.5, 3.0) == pytest.approx(expected, rel=1e-3)

    def test_two_edges_far_apart_and_one_thin_line(self):
        # C / n = 20, s = 0.8: one edge has a standard deviation of 0.0842 px per row; a wide gap has two
        # of them, a thin line of known darkness has that of one.
        wide = row_variance((60.0, 0.0, 60.0), 20.0, 0.8, 3.0)
        thin = row_variance((60.0, 0.0, 60.0), 0.05, 0.8, 3.0)
        assert np.sqrt(wide) == pytest.approx(0.0842 * np.sqrt(2.0), rel=2e-3)
        assert np.sqrt(thin) == pytest.approx(0.0842, rel=2e-3)

    def test_two_woods_hide_a_thin_gap(self):
        assert row_variance((60.0, 0.0, 30.0), 0.1, 0.8, 3.0) > 50.0 * row_variance(
            (60.0, 0.0, 60.0), 0.1, 0.8, 3.0
        )


class TestMatrix:
    def test_every_level_comes_up_as_often_as_it_stands(self):
        styles = Counter(case.factors["style"] for case in cases(3, 4 * len(FACTORS["style"])))
        assert styles == {style: 4 * often for style, often in Counter(FACTORS["style"]).items()}

    def test_the_seed_makes_the_matrix(self):
        assert [case.factors for case in cases(3, 12)] == [case.factors for case in cases(3, 12)]
        assert [case.factors for case in cases(3, 12)] != [case.factors for case in cases(4, 12)]

    def test_no_faces_cross(self):
        for case in cases(5, 40):
            ends = case.faults.gap_mm - np.radians(np.abs(case.faults.taper_deg)) * case.plan.width_mm / 2.0
            assert np.all(ends > 0.0)


def reported(truth: Truth, shift_mm: float = 0.0, standard: float = 0.02) -> Report:
    """A report that says the truth but for a shift of every gap."""
    unknown = Unknown("not told")

    def value(number: float) -> Measured:
        return measured(number, {"edge fit": standard})

    joints = tuple(
        JointMeasure(
            number,
            0.0,
            "open",
            True,
            value(joint.gap_inside_mm + shift_mm),
            value(joint.gap_middle_mm + shift_mm),
            value(joint.gap_outside_mm + shift_mm),
            value(joint.taper_deg),
            value(joint.pitch_error_deg),
            value(joint.skew_deg),
            None,
            None,
            tuple(tuple(map(float, (joint.face_a_px + joint.face_b_px)[end] / 2.0)) for end in (0, 1)),
        )
        for number, joint in enumerate(truth.joints, 1)
    )
    segments = tuple(
        SegmentMeasure(
            number,
            True,
            value(item.included_angle_deg),
            value(item.mitre_start_deg),
            value(item.mitre_end_deg),
            value(item.outer_length_mm),
            value(item.radial_offset_mm),
            value(item.twist_deg),
            None,
        )
        for number, item in enumerate(truth.segments, 1)
    )
    ring = RingMeasure(value(truth.across_flats_mm), *([unknown] * 5), (0.0, 0.0))
    pose = PoseUncertainty(0.001, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    camera = Camera(1000.0, np.zeros(2), np.eye(3), np.zeros(3))
    reference = Reference("cards", camera, pose, 0.03, "2 cards")
    return make_report("drawn", (1, 1), truth.plan, reference, Measurement(ring, joints, segments, 0.1), 1.0)


@pytest.fixture(scope="module")
def truth() -> Truth:
    drawn = draw_ring(PLAN, 2, view=View(mm_per_px=0.4), reference="none")
    return replace(drawn.truth, plan=PLAN)


def gaps(result: Score) -> list:
    return [row for row in result.rows if row.quantity == "gap_mm"]


class TestScoring:
    def test_the_truth_has_no_error_and_is_covered(self, truth):
        result = score(truth, reported(truth))
        assert (result.joints, result.found, result.false) == (8, 8, 0)
        assert all(row.error == pytest.approx(0.0, abs=1e-9) and row.covered for row in result.rows)

    def test_a_shift_is_an_error_with_its_sign_and_is_not_covered(self, truth):
        rows = gaps(score(truth, reported(truth, shift_mm=-0.1)))
        assert [row.error for row in rows] == pytest.approx([-0.1] * 24)
        assert not any(row.covered for row in rows)

    def test_a_wrong_in_tolerance_is_counted(self, truth):
        widest = max(joint.gap_middle_mm for joint in truth.joints)
        shift = 3.0 - widest
        judged = replace(truth, plan=replace(PLAN, tolerance=Tolerance(gap_mm=widest - 3.0 - 0.02)))
        rows = gaps(score(judged, reported(judged, shift_mm=shift, standard=0.001)))
        wrong = [row for row in rows if row.verdict is Verdict.IN and not row.inside]
        assert wrong
        assert "wrong 'in tolerance' 0" not in verdict_lines([Score("drawn", 8, rows=tuple(rows))])

    def test_joints_are_matched_by_place_not_by_number(self, truth):
        report = reported(truth)
        turned = report.measurement.joints[3:] + report.measurement.joints[:3]
        verdicts = report.verdicts.joints[3:] + report.verdicts.joints[:3]
        moved = replace(
            report,
            measurement=replace(report.measurement, joints=turned),
            verdicts=replace(report.verdicts, joints=verdicts),
        )
        assert all(row.error == pytest.approx(0.0, abs=1e-9) for row in gaps(score(truth, moved)))

    def test_a_joint_elsewhere_is_missed_and_false(self, truth):
        report = reported(truth)
        first = report.measurement.joints[0]
        aside = replace(first, place_px=tuple((x + 40.0, y + 40.0) for x, y in first.place_px))
        moved = replace(
            report, measurement=replace(report.measurement, joints=(aside, *report.measurement.joints[1:]))
        )
        result = score(truth, moved)
        assert (result.found, result.false) == (7, 1)

    def test_below_is_covered_when_the_truth_is_below(self, truth):
        report = reported(truth)
        joints = tuple(
            replace(joint, gap_middle_mm=Below(3.0 if index else 0.1))
            for index, joint in enumerate(report.measurement.joints)
        )
        result = score(truth, replace(report, measurement=replace(report.measurement, joints=joints)))
        rows = [row for row in gaps(result) if row.place == "middle"]
        assert [row.covered for row in rows] == [
            joint.gap_middle_mm <= (3.0 if k else 0.1) for k, joint in enumerate(truth.joints)
        ]

    def test_a_below_that_hides_an_open_joint_is_among_the_worst(self, truth):
        report = reported(truth)
        first = replace(report.measurement.joints[0], gap_middle_mm=Below(0.1))
        joints = (first, *report.measurement.joints[1:])
        result = score(truth, replace(report, measurement=replace(report.measurement, joints=joints)))
        assert worst_gaps([result])[0].miss == pytest.approx(truth.joints[0].gap_middle_mm - 0.1)

    def test_the_tables_can_be_printed(self, truth):
        scores = [score(truth, reported(truth, 0.03)), Score("other.jpg", 12, failure="no ring was seen")]
        rows = [row for item in scores for row in item.rows]
        assert "+0.0300" in errors_table(rows)
        assert "failed: no ring was seen" in found_table(scores)
        assert len(worst_gaps(scores)) == 8


class TestChanged:
    """A photograph that was changed afterwards keeps its truth."""

    SOURCE = next(sample for sample in read_samples() if sample.name == "walnut12_closed_measured").truth

    @pytest.mark.parametrize("name", [name for name, change in CHANGES.items() if change.geometry])
    def test_the_truths_camera_turns_and_shrinks_with_the_picture(self, name: str, tmp_path: Path) -> None:
        truth, before = changed(self.SOURCE, name, tmp_path), read_truth(self.SOURCE)
        photo, height = read_photo(truth.photo), truth.plan.thickness_mm
        for joint in truth.joints:
            ends = truth.camera.to_plane(joint.face_a_px, height)
            nearest = min(
                np.abs(before.camera.to_plane(other.face_a_px, height) - ends).max()
                for other in before.joints
            )
            assert nearest < 1e-6
        assert np.all(truth.centre_px > 0.3 * np.array([photo.width, photo.height]))
        assert np.all(truth.centre_px < 0.7 * np.array([photo.width, photo.height]))

    def test_what_a_person_types_wrongly_is_in_the_plan(self, tmp_path: Path) -> None:
        truth, before = changed(self.SOURCE, "thickness_1_mm_over", tmp_path), read_truth(self.SOURCE)
        assert truth.plan.thickness_mm == before.plan.thickness_mm + 1.0
        assert read_photo(truth.photo).focal_px == pytest.approx(read_photo(before.photo).focal_px)

    def test_without_exif_nobody_knows_the_focal_length(self, tmp_path: Path) -> None:
        assert read_photo(changed(self.SOURCE, "no_exif", tmp_path).photo).focal_px is None

    def test_a_changed_photo_is_measured_as_truly(self, tmp_path: Path) -> None:
        truth = changed(self.SOURCE, "turned", tmp_path)
        score_, _ = run(truth, reference_of(truth))
        assert (score_.found, score_.false, score_.failure) == (score_.joints, 0, None)
        gaps = [row for row in score_.rows if row.quantity == "gap_mm" and row.told]
        assert np.mean([row.covered for row in gaps]) >= 0.9
        assert summary("turned", [score_]).startswith("turned                 12 of  12       0         0")
