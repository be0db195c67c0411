"""The ring's own centre and even comb, and the lines that values are made from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from exact_ring import ExactRing, outward
from lightgap.measure.place import (
    Place,
    centre_of,
    clockwise_deg,
    face_line,
    find_place,
    joint_line,
    wrapped_deg,
)
from lightgap.plan import Plan

PLAN = Plan(12, "spaced", 200.0, 32.0, 18.0, gap_mm=3.0)


def place_of(ring: ExactRing) -> Place:
    joints = tuple(ring.joint(number) for number in ring.numbers)
    return find_place(tuple(ring.edges(number) for number in ring.numbers), joints, ring.plan)


@pytest.mark.parametrize("outline", ["polygon", "round"])
def test_the_centre_is_where_all_edges_stand_equally_far(outline: str) -> None:
    ring = ExactRing(replace(PLAN, outline=outline), centre_mm=(0.7, -0.4))
    place = place_of(ring)
    np.testing.assert_allclose(place.centre_mm, [0.7, -0.4], atol=1e-5)
    assert place.apothem_mm == pytest.approx(100.0, abs=0.005)
    assert place.comb_deg == pytest.approx(7.0)


def test_one_segment_out_of_line_moves_the_centre_little() -> None:
    plain, off = (place_of(ExactRing(PLAN, radial_mm=radial)) for radial in ({}, {4: 2.0}))
    assert np.hypot(*(off.centre_mm - plain.centre_mm)) < 0.02
    assert off.apothem_mm == pytest.approx(100.0, abs=0.02)


def test_one_joint_out_of_place_does_not_move_the_comb() -> None:
    assert place_of(ExactRing(PLAN, pitch_deg={4: 0.8})).comb_deg == pytest.approx(7.0, abs=0.01)


def test_many_small_errors_leave_the_mean() -> None:
    rng = np.random.default_rng(3)
    errors = rng.normal(0.0, 0.05, 12)
    place = place_of(ExactRing(PLAN, pitch_deg=dict(enumerate(errors, 1))))
    assert place.comb_deg == pytest.approx(7.0 + errors.mean(), abs=0.02)


def test_a_rough_ring_has_a_less_certain_centre() -> None:
    rng = np.random.default_rng(3)
    radial, skew = (dict(enumerate(rng.normal(0.0, 0.3, 12), 1)) for _ in range(2))
    even, rough = (
        place_of(ring) for ring in (ExactRing(PLAN), ExactRing(PLAN, radial_mm=radial, skew_deg=skew))
    )
    assert rough.centre_standard_mm > 2.0 * even.centre_standard_mm > 0.0


def test_the_stated_centre_uncertainty_covers_its_error() -> None:
    """Radial errors of 0.15 mm and skews of 0.1 degrees, 40 rings: the centre's two coordinates."""
    rng = np.random.default_rng(8)
    share = []
    for _ in range(40):
        radial, skew = rng.normal(0.0, 0.15, 12), rng.normal(0.0, 0.1, 12)
        ring = ExactRing(PLAN, radial_mm=dict(enumerate(radial, 1)), skew_deg=dict(enumerate(skew, 1)))
        place = place_of(ring)
        share += list(place.centre_mm / place.centre_standard_mm)
    assert 0.6 < np.sqrt(np.mean(np.square(share))) < 1.4


def test_joints_that_are_askew_together_do_not_move_the_centre() -> None:
    """Cut angles add up round the ring: joints point 0.3 mm beside the centre; the edges know better."""
    around = np.radians(PLAN.pitch_deg * (np.arange(12) - 0.5))
    askew = np.degrees(0.3 / PLAN.middle_radius_mm) * np.cos(around)
    place = place_of(ExactRing(PLAN, skew_deg=dict(enumerate(askew, 1)), centre_mm=(0.2, 0.1)))
    assert np.hypot(*(place.centre_mm - [0.2, 0.1])) < 0.05


def test_joint_lines_alone_help_where_edges_do_not_tell() -> None:
    """Edges on one side only: the joint lines, which run through the centre, hold it."""
    ring = ExactRing(PLAN, radial_mm={1: 0.3, 2: 0.3, 3: 0.3}, centre_mm=(0.2, 0.1))
    outer = [edge for edge in (ring.edges(number).outer for number in (1, 2, 3, 4, 5)) if edge is not None]
    lines = [joint_line(ring.joint(number)) for number in ring.numbers]
    with_lines, _, _ = centre_of(outer, PLAN, lines)
    np.testing.assert_allclose(with_lines, [0.2, 0.1], atol=0.02)


def test_no_joint_measured_leaves_the_search_s_place() -> None:
    ring = ExactRing(PLAN)
    unmeasured = tuple(replace(ring.joint(number), face_a=None) for number in ring.numbers)
    place = find_place(tuple(ring.edges(number) for number in ring.numbers), unmeasured, PLAN)
    assert place.comb_deg == pytest.approx(clockwise_deg(unmeasured[0].middle_mm), abs=1e-6)


def test_the_joint_line_is_the_bisector() -> None:
    line = joint_line(ExactRing(PLAN, taper_deg={3: 1.0}, skew_deg={3: 0.4}).joint(3))
    assert 90.0 - line.direction_deg == pytest.approx(67.0 + 0.4)
    np.testing.assert_allclose(line.point_mm, PLAN.middle_radius_mm * outward(67.0), atol=1e-3)


def test_faces_stand_half_the_taper_off_the_joint_line() -> None:
    joint = ExactRing(PLAN, taper_deg={3: 1.0}).joint(3)
    a, b = face_line(joint, "a"), face_line(joint, "b")
    assert a is not None
    assert b is not None
    assert (90.0 - a.direction_deg, 90.0 - b.direction_deg) == (pytest.approx(66.5), pytest.approx(67.5))
    # What makes the taper unsure makes each face's direction unsure, too.
    loose = replace(joint, taper_budget=())
    assert face_line(loose, "a").direction_standard_deg < a.direction_standard_deg  # type: ignore[union-attr]
    assert face_line(replace(joint, face_a=None), "a") is None


def test_angles_run_clockwise_from_noon() -> None:
    assert clockwise_deg(np.array([0.0, 1.0])) == pytest.approx(0.0)
    assert clockwise_deg(np.array([1.0, 0.0])) == pytest.approx(90.0)
    assert [wrapped_deg(angle) for angle in (190.0, -190.0, 30.0, 390.0)] == [-170.0, 170.0, 30.0, 30.0]
