"""Labels cover neither each other nor a joint, from 6 to 48 segments."""

from itertools import combinations

import numpy as np
import pytest

from lightgap.report import Report
from lightgap.show.ink import Box
from lightgap.show.labels import WIDTH, View, frame, joint_labels, overlap, segment_labels
from made_ring import make_measurement, make_plan, make_report_of


def mixed_report(segments: int) -> Report:
    """A ring with joints of every verdict."""
    plan = make_plan(segments=segments)
    joints = {number: {"gap": (0.0, 0.1, 0.2)} for number in range(1, segments, 3)}
    joints |= {
        2: {"found": False, "faces_px": None},
        4: {"blocked_mm": (95.0, 105.0)},
        5: {"gap": (0.5, 0.4, 0.3)},
    }
    return make_report_of(
        plan, make_measurement(plan, joints=joints, segments={3: {"present": False}, 6: {"end": -0.5}})
    )


def covers(box: Box, line: np.ndarray) -> bool:
    points = line[0] + np.linspace(0.0, 1.0, 200)[:, None] * (line[1] - line[0])
    left, top, right, bottom = box
    inside = (points > (left, top)) & (points < (right, bottom))
    return bool(inside.all(axis=1).any())


@pytest.mark.parametrize("segments", [6, 12, 16, 24, 36, 48])
def test_no_label_covers_another_or_a_joint_and_all_lie_in_the_picture(segments: int) -> None:
    report = mixed_report(segments)
    view, (_, tall) = frame(report)
    labels = joint_labels(report, view)
    assert len(labels) == segments
    assert not any(overlap(first.box, second.box) for first, second in combinations(labels, 2))
    lines = [view.to_picture(joint.place_px) for joint in report.measurement.joints]
    assert not any(covers(label.box, line) for label in labels for line in lines)
    boxes = np.array([label.box for label in labels])
    assert boxes[:, :2].min() >= 0.0
    assert boxes[:, 2].max() <= WIDTH
    assert boxes[:, 3].max() <= tall * view.scale


@pytest.mark.parametrize("segments", [6, 12, 24])
def test_the_ring_keeps_most_of_the_pictures_width(segments: int) -> None:
    report = mixed_report(segments)
    view, _ = frame(report)
    ends = np.array([view.to_picture(joint.place_px[1]) for joint in report.measurement.joints])
    assert np.ptp(ends[:, 0]) > 0.65 * WIDTH


def test_a_joint_in_tolerance_keeps_its_word_until_the_ring_is_crowded() -> None:
    words = {}
    for segments in (24, 48):
        report = mixed_report(segments)
        labels = joint_labels(report, frame(report)[0])
        words[segments] = (labels[2].words, labels[0].words)
    assert words == {24: (("in",), ("out",)), 48: ((), ("out",))}


def test_a_blocked_joint_says_so() -> None:
    report = mixed_report(12)
    assert joint_labels(report, frame(report)[0])[3].words == ("in", "blocked")


def test_only_segments_not_in_tolerance_are_named_inside_the_ring() -> None:
    report = mixed_report(12)
    view, _ = frame(report)
    labels = segment_labels(report, view)
    assert [(label.name, label.words) for label in labels] == [("seg 3", ("missing",)), ("seg 6", ("out",))]
    assert not overlap(labels[0].box, labels[1].box)
    lines = [view.to_picture(joint.place_px) for joint in report.measurement.joints]
    assert not any(covers(label.box, line) for label in labels for line in lines)


def test_the_view_keeps_pixel_centres_at_whole_numbers() -> None:
    """The first shown pixel's left edge lies on the picture's left edge, whatever the scale."""
    view = View((10, 20), 0.5)
    assert view.to_picture([10.0 - 0.5, 20.0 - 0.5]).tolist() == [-0.5, -0.5]
    assert View((10, 20), 1.0).to_picture([13.0, 24.0]).tolist() == [3.0, 4.0]
