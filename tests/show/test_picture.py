"""The annotated picture and the enlarged joints."""

import cv2
import numpy as np
import pytest
from PIL import ImageColor

from lightgap.judge import Verdict
from lightgap.measure import JointMeasure
from lightgap.photo import Photo
from lightgap.report import Report
from lightgap.show.inset import inset
from lightgap.show.labels import WIDTH, frame
from lightgap.show.picture import draw
from lightgap.show.words import SIGNS
from made_ring import PHOTO_SIZE, PX_PER_MM, faulty_report, make_measurement, make_plan, make_report_of

WOOD, SLOT, BENCH = (180, 140, 100), (255, 0, 255), (210, 210, 215)


def photo_of(report: Report) -> Photo:
    """Wood all over the ring's annulus, and every joint as a bright line that no annotation has."""
    codes = np.full((PHOTO_SIZE[1], PHOTO_SIZE[0], 3), BENCH, np.uint8)
    centre = tuple(int(x) for x in report.measurement.ring.centre_px)
    inner, outer = (int(radius * PX_PER_MM) for radius in report.plan.joint_radii_mm)
    cv2.circle(codes, centre, (inner + outer) // 2, WOOD, outer - inner)
    for joint in report.measurement.joints:
        ends = [tuple(round(x) for x in end) for end in joint.place_px]
        cv2.line(codes, ends[0], ends[1], SLOT, 5)
    return Photo(codes)


def amount(pixels: np.ndarray, colour: tuple[int, ...]) -> int:
    low, high = (tuple(min(max(code + step, 0), 255) for code in colour) for step in (-40, 40))
    return int(np.count_nonzero(cv2.inRange(pixels, low, high)))


def test_it_is_one_picture_of_a_phones_column() -> None:
    report = faulty_report()
    picture = draw(photo_of(report), report)
    assert picture.dtype == np.uint8
    assert picture.shape[1] == WIDTH
    assert WIDTH < picture.shape[0] < 2 * WIDTH


def test_what_is_drawn_does_not_hide_the_joints() -> None:
    report = faulty_report()
    photo = photo_of(report)
    before = amount(photo.codes, SLOT)
    picture = draw(photo, report)
    view, (_, tall) = frame(report)
    insets = 700  # pixels of the three enlarged joints and the legend, below the ring
    ring = picture[-insets - round(tall * view.scale) : -insets]
    assert amount(ring, SLOT) > 0.85 * before * view.scale**2


def test_each_verdict_has_its_colour_in_proportion_to_its_joints() -> None:
    plan = make_plan()
    joints = {number: {"gap": (0.3, 0.3, 0.3)} for number in range(1, 7)}
    few, many = (make_report_of(plan, make_measurement(plan, joints=some)) for some in ({}, joints))
    orange = ImageColor.getrgb(SIGNS[Verdict.OUT].colour)
    drawn = [amount(draw(photo_of(report), report), orange) for report in (few, many)]
    assert drawn[1] > 20 * drawn[0]


def test_a_ring_at_the_photos_border_is_still_drawn_whole() -> None:
    report = faulty_report()
    photo = photo_of(report)
    assert draw(Photo(photo.codes[60:-60, 160:-160]), report).shape[1] == WIDTH


@pytest.mark.parametrize("segments", [6, 48])
def test_missing_segments_and_joints_without_faces_can_be_drawn(segments: int) -> None:
    plan = make_plan(segments=segments, joint="spaced")
    measurement = make_measurement(
        plan,
        joints={2: {"found": False, "faces_px": None}, 3: {"blocked_mm": (95.0, 105.0)}},
        segments={4: {"present": False}},
    )
    report = make_report_of(plan, measurement)
    assert draw(photo_of(report), report, "inch").shape[1] == WIDTH


def enlarged(report: Report, number: int) -> tuple[np.ndarray, JointMeasure]:
    joint, judged = report.measurement.joints[number - 1], report.verdicts.joints[number - 1]
    return np.asarray(inset(photo_of(report), joint, judged, 1.0 / PX_PER_MM, (560, 620))), joint


@pytest.mark.parametrize("number", range(1, 13))
def test_a_joint_is_enlarged_upright_with_the_outside_up(number: int) -> None:
    plan = make_plan()
    report = make_report_of(plan, make_measurement(plan, joints={number: {"gap": (0.0, 0.2, 0.4)}}))
    pixels, _ = enlarged(report, number)
    slot = np.abs(pixels.astype(int) - SLOT).max(axis=2) < 60
    columns = np.nonzero(slot)[1]
    assert np.median(columns) == pytest.approx(279.5, abs=4.0)
    top = pixels[60:110, 40:120].reshape(-1, 3).mean(axis=0)
    bottom = pixels[-200:-150, 40:120].reshape(-1, 3).mean(axis=0)
    assert np.abs(top - BENCH).max() < 12
    assert np.abs(bottom - WOOD).max() < 12


def test_an_inside_that_is_open_is_enlarged_at_the_inside() -> None:
    plan = make_plan()
    report = make_report_of(plan, make_measurement(plan, joints={4: {"gap": (0.4, 0.2, 0.0)}}))
    pixels, _ = enlarged(report, 4)
    assert np.abs(pixels[-80:-50, 300:330].reshape(-1, 3).mean(axis=0) - BENCH).max() < 12


def test_a_wide_gap_fits_into_its_enlargement() -> None:
    plan = make_plan(joint="spaced", gap_mm=6.0)
    report = make_report_of(plan, make_measurement(plan, joints={1: {"gap": (6.0, 6.5, 7.0)}}))
    pixels, joint = enlarged(report, 1)
    assert joint.faces_px is not None
    faces = [
        np.abs(pixels.astype(int) - ImageColor.getrgb(c)).max(axis=2) < 60 for c in ("#56B4E9", "#E8A0CB")
    ]
    first, second = (np.median(np.nonzero(face)[1]) for face in faces)
    assert 60 < first < second < 500
