"""Values of the whole ring, from edges and joints that are known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from exact_ring import ExactRing
from lightgap.measure import RingMeasure
from lightgap.plan import Plan
from lightgap.values import Below, Measured, Unknown, Value
from made_ring import make_reference

SPACED = Plan(12, "spaced", 200.0, 32.0, 18.0, gap_mm=3.0)
CLOSED = Plan(12, "closed", 200.0, 32.0, 18.0)
TAPERED = Plan(8, "tapered", 240.0, 44.0, 24.0, gap_mm=5.0, gap_deg=2.0)


def number_of(value: Measured) -> float:
    assert isinstance(value, Value)
    return value.value


def u95_of(value: Measured) -> float:
    assert isinstance(value, Value)
    return value.u95


def ring_of(ring: ExactRing) -> RingMeasure:
    return ring.measured().ring


@pytest.mark.parametrize("outline", ["polygon", "round"])
def test_the_size_is_the_plans(outline: str) -> None:
    for plan, size in ((SPACED, 200.0), (TAPERED, 240.0)):
        ring = ring_of(ExactRing(replace(plan, outline=outline), centre_mm=(0.4, -0.3)))
        assert number_of(ring.size_mm) == pytest.approx(size, abs=1e-4)
        assert u95_of(ring.size_mm) > 2.0 * 0.001 * size  # the scale's share


def test_one_segment_set_outward_makes_it_out_of_round() -> None:
    ring = ring_of(ExactRing(SPACED, radial_mm={5: 0.6}))
    # Least squares spread the bump over size and centre; no circle has a narrower zone than this.
    assert number_of(ring.out_of_round_mm) == pytest.approx(0.6, abs=0.12)
    assert number_of(ring.out_of_round_minimum_zone_mm) <= number_of(ring.out_of_round_mm) + 1e-9
    assert number_of(ring_of(ExactRing(SPACED)).out_of_round_mm) == pytest.approx(0.0, abs=1e-6)


def test_an_oval_ring_is_out_of_round_by_its_two_radii() -> None:
    numbers = np.arange(12)
    oval = 0.25 * np.cos(np.radians(2.0 * 30.0 * (numbers + 0.5)))
    ring = ring_of(ExactRing(SPACED, radial_mm=dict(enumerate(oval, 1))))
    assert number_of(ring.out_of_round_mm) == pytest.approx(np.ptp(oval), abs=0.01)


def test_a_hole_off_centre_is_off_by_that() -> None:
    ring = ring_of(ExactRing(SPACED, inner_shift_mm=(0.3, -0.4)))
    assert number_of(ring.inner_offset_mm) == pytest.approx(0.5, abs=0.01)
    assert number_of(ring_of(ExactRing(SPACED)).inner_offset_mm) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("plan", "once_round"), [(CLOSED, 360.0), (SPACED, 360.0), (TAPERED, 360.0 - 8 * 2.0)]
)
def test_closure_is_what_the_tapers_leave_of_360(plan: Plan, once_round: float) -> None:
    assert number_of(ring_of(ExactRing(plan)).closure_deg) == pytest.approx(once_round, abs=1e-4)


def test_closure_tells_one_wedge() -> None:
    ring = ring_of(ExactRing(CLOSED, taper_deg={8: 0.7}))
    assert number_of(ring.closure_deg) == pytest.approx(359.3, abs=1e-4)


def test_closure_needs_every_segment() -> None:
    assert isinstance(ring_of(ExactRing(CLOSED, missing=(2,))).closure_deg, Unknown)


def test_the_mean_gap_is_surer_than_one_gap_but_not_than_what_all_share() -> None:
    measurement = ExactRing(SPACED, gap_mm={1: 3.3, 2: 2.7, 3: 3.6}).measured()
    mean = measurement.ring.mean_gap_mm
    assert number_of(mean) == pytest.approx(3.05, abs=1e-3)
    assert u95_of(mean) < u95_of(measurement.joints[0].gap_middle_mm)
    assert u95_of(mean) > 2.0 * 0.001 * 3.05


def test_joints_too_narrow_to_measure_are_no_part_of_the_mean() -> None:
    some = ExactRing(CLOSED, gap_mm={1: 0.2, 2: 0.4}, below_mm=dict.fromkeys(range(3, 13), 0.03))
    assert number_of(some.measured().ring.mean_gap_mm) == pytest.approx(0.3, abs=1e-3)
    none = ExactRing(CLOSED, below_mm=dict.fromkeys(range(1, 13), 0.03)).measured()
    assert all(isinstance(joint.gap_middle_mm, Below) for joint in none.joints)
    assert none.ring.mean_gap_mm == Unknown("no joint is wide enough to be measured")


def test_the_centre_is_told_in_the_photo() -> None:
    ring = ExactRing(SPACED, centre_mm=(2.0, 1.0))
    expected = ring.outline.camera.project_plane(np.array([2.0, 1.0]), SPACED.thickness_mm)
    np.testing.assert_allclose(ring.measured().ring.centre_px, expected, atol=0.01)


def test_mm_per_px_is_the_scale_on_the_top_face() -> None:
    ring = ExactRing(SPACED)
    camera = ring.outline.camera
    a, b = camera.project_plane([[-0.5, 0.0], [0.5, 0.0]], SPACED.thickness_mm)
    assert ring.measured().mm_per_px == pytest.approx(1.0 / np.hypot(*(b - a)), rel=0.02)


class TestWhatCannotBeTold:
    def test_the_rings_own_size_tells_neither_size_nor_roundness(self) -> None:
        untold = frozenset({"across_flats_mm", "out_of_round_mm", "inner_offset_mm"})
        reference = make_reference(untold=untold, name="across flats 200 mm")
        ring = ExactRing(SPACED).measured(reference).ring
        why = Unknown("cannot be told with across flats 200 mm as the reference")
        assert ring.size_mm == ring.out_of_round_mm == ring.out_of_round_minimum_zone_mm == why
        assert ring.inner_offset_mm == why
        assert isinstance(ring.closure_deg, Value)

    def test_three_edges_make_no_size(self) -> None:
        ring = ring_of(ExactRing(SPACED, missing=tuple(range(4, 13))))
        few = Unknown("too few of its outer edges could be fitted")
        assert ring.size_mm == ring.out_of_round_mm == few
        assert ring.inner_offset_mm == Unknown("too few inner edges were fitted")
