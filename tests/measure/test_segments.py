"""Values of segments whose faces and edges are known exactly, and the identities that hold among them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exact_ring import EDGE_STANDARD_DEG, ExactRing
from lightgap.measure import Measurement, SegmentMeasure
from lightgap.measure.measuring import measure
from lightgap.plan import Plan
from lightgap.values import Measured, Unknown, Value
from made_ring import make_reference

SPACED = Plan(12, "spaced", 200.0, 32.0, 18.0, gap_mm=3.0)
CLOSED = Plan(12, "closed", 200.0, 32.0, 18.0)
TAPERED = Plan(8, "tapered", 240.0, 44.0, 24.0, gap_mm=5.0, gap_deg=2.0)

few = settings(max_examples=15, deadline=None)
VALUES = (
    "included_angle_deg",
    "mitre_start_deg",
    "mitre_end_deg",
    "outer_length_mm",
    "radial_offset_mm",
    "twist_deg",
)


def number_of(value: Measured) -> float:
    assert isinstance(value, Value)
    return value.value


def u95_of(value: Measured) -> float:
    assert isinstance(value, Value)
    return value.u95


def values_of(segment: SegmentMeasure) -> list[float]:
    return [number_of(getattr(segment, name)) for name in VALUES]


def faults(plan: Plan, seed: int) -> dict[str, Any]:
    """Some error in everything."""
    rng = np.random.default_rng(seed)

    def by_number(middle: float, sigma: float) -> dict[int, float]:
        return dict(enumerate(middle + rng.normal(0.0, sigma, plan.segments), 1))

    return {
        "gap_mm": by_number(plan.gap_mm or 0.2, 0.05),
        "taper_deg": by_number(plan.gap_deg, 0.3),
        "pitch_deg": by_number(0.0, 0.1),
        "skew_deg": by_number(0.0, 0.3),
        "radial_mm": by_number(0.0, 0.2),
        "twist_deg": by_number(0.0, 0.3),
    }


@pytest.mark.parametrize("plan", [SPACED, CLOSED, TAPERED], ids=["spaced", "closed", "tapered"])
def test_a_perfect_segment_is_the_plans(plan: Plan) -> None:
    included = plan.pitch_deg - plan.gap_deg
    length = plan.edge_length_mm(plan.outer_mm)
    for segment in ExactRing(plan).measured().segments:
        expected = [included, included / 2.0, included / 2.0, length, 0.0, 0.0]
        assert values_of(segment) == pytest.approx(expected, abs=1e-3)


def test_the_outer_edge_of_a_closed_polygon() -> None:
    """Across flats x tan(180/N): the polygon table's S / r = 0.5359 for N = 12."""
    for segment in ExactRing(CLOSED).measured().segments:
        assert number_of(segment.outer_length_mm) == pytest.approx(100.0 * 0.5359, abs=0.005)


@few
@given(st.integers(0, 10_000), st.sampled_from([SPACED, CLOSED, TAPERED]))
def test_both_mitres_make_the_included_angle(seed: int, plan: Plan) -> None:
    for segment in ExactRing(plan, **faults(plan, seed)).measured().segments:
        included, start, end, *_ = values_of(segment)
        assert start + end == pytest.approx(included, abs=1e-9)


@few
@given(st.integers(0, 10_000), st.sampled_from([SPACED, CLOSED, TAPERED]))
def test_included_angles_and_tapers_go_once_round(seed: int, plan: Plan) -> None:
    measurement = ExactRing(plan, **faults(plan, seed)).measured()
    included = sum(number_of(segment.included_angle_deg) for segment in measurement.segments)
    tapers = sum(number_of(joint.taper_deg) for joint in measurement.joints)
    assert included + tapers == pytest.approx(360.0, abs=1e-6)


def test_a_face_cut_off_angle_shows_in_its_segment_alone() -> None:
    """Joint 4's faces turned apart by 0.6: segment 3 ends, and segment 4 starts, 0.3 degrees short."""
    segments = ExactRing(CLOSED, taper_deg={4: 0.6}).measured().segments
    mitres = {
        segment.number: (number_of(segment.mitre_start_deg), number_of(segment.mitre_end_deg))
        for segment in segments
    }
    assert mitres[3] == pytest.approx((15.0, 14.7), abs=1e-4)
    assert mitres[4] == pytest.approx((14.7, 15.0), abs=1e-4)
    assert mitres[5] == pytest.approx((15.0, 15.0), abs=1e-4)


def test_a_skewed_joint_takes_from_one_neighbour_what_it_gives_the_other() -> None:
    """Clockwise by 0.4: the segment before it is wider by that, the one after it narrower."""
    segments = ExactRing(CLOSED, skew_deg={4: 0.4}).measured().segments
    assert number_of(segments[2].included_angle_deg) == pytest.approx(30.4, abs=1e-4)
    assert number_of(segments[3].included_angle_deg) == pytest.approx(29.6, abs=1e-4)


def test_a_twisted_segment_shows_in_twist_and_both_mitres() -> None:
    """Turned clockwise by 0.5, its edge leaves its start face's normal and nears its end's."""
    segment = ExactRing(CLOSED, twist_deg={6: 0.5}).measured().segments[5]
    included, start, end, _, _, twist = values_of(segment)
    assert twist == pytest.approx(0.5, abs=0.01)
    assert included == pytest.approx(30.0, abs=1e-4)
    assert start == pytest.approx(15.5, abs=1e-4)
    assert end == pytest.approx(14.5, abs=1e-4)


def test_a_segment_set_outward_stands_off_by_that() -> None:
    segments = ExactRing(CLOSED, radial_mm={6: 0.8}).measured().segments
    assert number_of(segments[5].radial_offset_mm) == pytest.approx(0.8, abs=0.02)
    assert number_of(segments[1].radial_offset_mm) == pytest.approx(0.0, abs=0.02)


@few
@given(st.floats(-180.0, 180.0), st.floats(-2.0, 2.0), st.floats(-2.0, 2.0))
def test_neither_turn_nor_place_of_the_frame_matters(turn_deg: float, x: float, y: float) -> None:
    ring = ExactRing(SPACED, **faults(SPACED, 5))
    moved = replace(ring, first_deg=ring.first_deg + turn_deg, centre_mm=(x, y))
    for one, other in zip(ring.measured().segments, moved.measured().segments, strict=True):
        assert values_of(other) == pytest.approx(values_of(one), abs=1e-5)


def segment_of(measurement: Measurement, number: int = 1) -> SegmentMeasure:
    return measurement.segments[number - 1]


def with_edges(*, outer_turn_deg: float = 0.0, without: str | None = None) -> SegmentMeasure:
    """Segment 1 of a perfect ring, its outer edge seen askew or one of its edges not at all."""
    ring = ExactRing(CLOSED)
    first, *others = (ring.edges(number) for number in ring.numbers)
    assert first.outer is not None
    first = replace(
        first, outer=replace(first.outer, direction_deg=first.outer.direction_deg + outer_turn_deg)
    )
    if without:
        first = replace(first, **{without: None})
    joints = tuple(ring.joint(number) for number in ring.numbers)
    measurement = measure(ring.outline, ring.comb, (first, *others), joints, CLOSED, make_reference())
    return segment_of(measurement)


class TestUncertainty:
    def test_every_value_has_one(self) -> None:
        for segment in ExactRing(SPACED).measured().segments:
            assert all(u95_of(getattr(segment, name)) > 0.0 for name in VALUES)

    def test_noisier_fits_make_every_value_wider(self) -> None:
        plain, loud = (segment_of(ExactRing(SPACED, noise=noise).measured()) for noise in (1.0, 3.0))
        for name in VALUES:
            assert u95_of(getattr(loud, name)) > u95_of(getattr(plain, name))

    @pytest.mark.parametrize(
        ("part", "names"),
        [
            ("scale", ("outer_length_mm",)),
            ("mitre_deg", ("mitre_start_deg", "mitre_end_deg", "twist_deg")),
            ("included_deg", ("included_angle_deg",)),
            ("radial_mm", ("radial_offset_mm",)),
        ],
    )
    def test_the_reference_widens_what_it_gives(self, part: str, names: tuple[str, ...]) -> None:
        good = make_reference()
        poor = replace(good, uncertainty=replace(good.uncertainty, **{part: 0.2}))
        ring = ExactRing(SPACED)
        plain, wider = segment_of(ring.measured(good)), segment_of(ring.measured(poor))
        for name in VALUES:
            grown = u95_of(getattr(wider, name)) > u95_of(getattr(plain, name))
            assert grown == (name in names)

    def test_a_mitre_carries_the_direction_of_its_boards_edges(self) -> None:
        """Two edges of one board: the weighted mean of two equal values, but for how parallel they are."""
        mitre = segment_of(ExactRing(SPACED).measured()).mitre_start_deg
        assert isinstance(mitre, Value)
        parts = {part.name: part.standard for part in mitre.budget}
        alone, aside = EDGE_STANDARD_DEG, np.hypot(EDGE_STANDARD_DEG, 0.03)
        assert parts["outer and inner edge"] == pytest.approx((alone**-2 + aside**-2) ** -0.5)

    @pytest.mark.parametrize("without", ["outer", "inner"])
    def test_a_mitre_is_told_by_either_edge_alone(self, without: str) -> None:
        mitre = with_edges(without=without).mitre_start_deg
        assert number_of(mitre) == pytest.approx(15.0, abs=1e-3)
        assert u95_of(mitre) > u95_of(with_edges().mitre_start_deg)

    @pytest.mark.parametrize("turn_deg", [-0.9, 0.9])
    def test_edges_that_contradict_each_other_make_the_mitre_unsure(self, turn_deg: float) -> None:
        agreed, askew = with_edges().mitre_start_deg, with_edges(outer_turn_deg=turn_deg).mitre_start_deg
        assert 0.1 < abs(number_of(askew) - 15.0) < u95_of(askew)
        assert u95_of(askew) > 3.0 * u95_of(agreed)


class TestWhatCannotBeTold:
    def test_a_missing_segment_is_absent(self) -> None:
        segment = segment_of(ExactRing(SPACED, missing=(5,)).measured(), 5)
        assert not segment.present
        assert all(getattr(segment, name) == Unknown("the segment is missing") for name in VALUES)

    def test_its_neighbours_lack_a_face(self) -> None:
        measurement = ExactRing(SPACED, missing=(5,)).measured()
        before, after = segment_of(measurement, 4), segment_of(measurement, 6)
        assert isinstance(before.mitre_start_deg, Value)
        assert isinstance(before.mitre_end_deg, Unknown)
        assert isinstance(after.mitre_start_deg, Unknown)
        assert isinstance(after.mitre_end_deg, Value)
        assert isinstance(before.included_angle_deg, Unknown)
        assert isinstance(before.radial_offset_mm, Value)

    def test_a_turned_outline_has_no_flat(self) -> None:
        segment = segment_of(ExactRing(replace(SPACED, outline="round")).measured())
        assert number_of(segment.included_angle_deg) == pytest.approx(30.0, abs=1e-4)
        assert number_of(segment.radial_offset_mm) == pytest.approx(0.0, abs=1e-4)
        for name in ("mitre_start_deg", "mitre_end_deg", "outer_length_mm", "twist_deg"):
            value = getattr(segment, name)
            assert isinstance(value, Unknown)
            assert "no flat" in value.reason

    def test_a_reference_that_cannot_tell_is_named(self) -> None:
        reference = make_reference(untold=frozenset({"radial_offset_mm"}), name="across flats 200 mm")
        segment = segment_of(ExactRing(SPACED).measured(reference))
        assert segment.radial_offset_mm == Unknown("cannot be told with across flats 200 mm as the reference")
