"""In, out, or too close to call."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from lightgap.judge import Judged, Verdict, judge, judge_value, outer_length_mm, worst
from lightgap.plan import Plan, Tolerance
from lightgap.values import Below, Measured, Unknown, Value
from made_ring import deg, make_joint, make_measurement, make_plan, mm

SQUEEZED = Unknown("squeeze-out covers the joint")


def judged_joint(plan: Plan, untold: frozenset[str] = frozenset(), **changes: object) -> Judged:
    return judge(make_measurement(plan, joints={5: changes}), plan, untold).joints[4]


def judged_segment(plan: Plan, **changes: object) -> Judged:
    return judge(make_measurement(plan, segments={5: changes}), plan).segments[4]


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (mm(0.05, 0.03), Verdict.IN),
        (mm(0.12, 0.03), Verdict.IN),  # 0.12 + 0.03 just reaches the limit of 0.15
        (mm(0.13, 0.03), Verdict.CLOSE),
        (mm(0.15, 0.03), Verdict.CLOSE),
        (mm(0.17, 0.03), Verdict.CLOSE),
        (mm(0.19, 0.03), Verdict.OUT),
        (mm(0.05, 0.20), Verdict.CLOSE),  # too unsure to be called in
        (mm(-0.05, 0.03), Verdict.IN),  # a closed joint cannot be too tight
        (Below(0.02), Verdict.IN),
        (Below(0.15), Verdict.IN),
        (Below(0.16), Verdict.CLOSE),
        (Value(math.nan), Verdict.UNMEASURED),
        (SQUEEZED, Verdict.UNMEASURED),
    ],
)
def test_a_closed_joints_gap(value: Measured, verdict: Verdict) -> None:
    assert judged_joint(make_plan(), gap_outside_mm=value).verdict is verdict


@pytest.mark.parametrize(
    ("gap", "verdict"),
    [
        (3.0, Verdict.IN),
        (3.22, Verdict.CLOSE),
        (3.25, Verdict.OUT),
        (2.78, Verdict.CLOSE),
        (2.7, Verdict.OUT),
    ],
)
def test_a_spaced_joints_gap_has_a_limit_on_both_sides(gap: float, verdict: Verdict) -> None:
    assert judged_joint(make_plan(joint="spaced"), gap_middle_mm=mm(gap)).verdict is verdict


def test_a_spaced_joint_that_is_closed_up_is_out() -> None:
    assert judged_joint(make_plan(joint="spaced"), gap_inside_mm=Below(0.05)).verdict is Verdict.OUT


def test_a_tapered_joint_is_judged_against_the_gap_planned_at_each_station() -> None:
    plan = make_plan(joint="tapered", gap_mm=5.0, gap_deg=2.0)
    verdicts = judge(make_measurement(plan), plan)
    inside, middle, outside = verdicts.joints[0].findings[:3]
    length = plan.joint_radii_mm[1] - plan.joint_radii_mm[0]
    assert outside.nominal - inside.nominal == pytest.approx(2.0 * math.tan(math.radians(1.0)) * length)
    assert middle.nominal == 5.0
    assert verdicts.overall is Verdict.IN


def test_the_worst_station_decides() -> None:
    joint = judged_joint(make_plan(), gap=(0.02, 0.14, 0.36))
    assert joint.verdict is Verdict.OUT
    assert joint.deciding[0].place == "outside"


def test_of_two_that_are_out_the_one_further_beyond_its_limit_comes_first() -> None:
    joint = judged_joint(make_plan(), gap_outside_mm=mm(0.36), taper_deg=deg(0.4))
    assert [item.quantity for item in joint.deciding] == ["gap_mm", "taper_deg"]


def test_a_joint_that_was_not_found_is_not_measured_and_says_why() -> None:
    joint = judged_joint(make_plan(), found=False, gap_outside_mm=SQUEEZED, reason="a rule lies over it")
    assert (joint.verdict, joint.reason) == (Verdict.UNMEASURED, "a rule lies over it")


def test_a_joint_that_was_not_found_is_never_in_tolerance_whatever_figures_it_carries() -> None:
    assert judged_joint(make_plan(), found=False).verdict is Verdict.UNMEASURED


def test_one_station_not_measured_forbids_in_tolerance() -> None:
    assert judged_joint(make_plan(), gap_inside_mm=SQUEEZED).verdict is Verdict.UNMEASURED


def test_one_station_out_is_out_even_when_another_is_not_measured() -> None:
    joint = judged_joint(make_plan(), gap_inside_mm=SQUEEZED, gap_outside_mm=mm(0.4))
    assert joint.verdict is Verdict.OUT


def test_a_blocked_joint_is_judged_by_its_open_part() -> None:
    plan = make_plan(joint="spaced")
    assert judged_joint(plan, blocked_mm=(95.0, 105.0)).verdict is Verdict.IN


def test_a_quantity_without_a_limit_is_not_judged() -> None:
    plan = make_plan(tolerance=Tolerance(gap_mm=0.15))
    joint = judged_joint(plan, taper_deg=deg(5.0), skew_deg=SQUEEZED)
    assert joint.verdict is Verdict.IN
    assert {item.quantity for item in joint.findings} == {"gap_mm"}


def test_a_joint_without_any_limit_is_not_called_in_tolerance() -> None:
    plan = make_plan(tolerance=Tolerance())
    assert judged_joint(plan).verdict is Verdict.UNMEASURED


def test_what_the_reference_cannot_tell_is_not_judged() -> None:
    plan = make_plan(tolerance=Tolerance(gap_mm=0.15, across_flats_mm=0.5, out_of_round_mm=0.3))
    measurement = make_measurement(plan, ring={"size_mm": mm(225.0), "out_of_round_mm": Unknown("untold")})
    assert judge(measurement, plan).ring.verdict is Verdict.OUT
    untold = frozenset({"across_flats_mm", "out_of_round_mm"})
    assert judge(measurement, plan, untold).ring.verdict is Verdict.IN


def test_a_turned_ring_is_not_judged_by_flats_that_it_has_not() -> None:
    no_flat = Unknown("a turned outer edge has no flat to measure from")
    plan = make_plan(outline="round")
    segment = judged_segment(plan, mitre_start_deg=no_flat, mitre_end_deg=no_flat, twist_deg=no_flat)
    assert segment.verdict is Verdict.IN
    assert {item.quantity for item in segment.findings} == {"included_angle_deg", "radial_offset_mm"}


def test_a_missing_segment_is_out_of_tolerance() -> None:
    segment = judged_segment(make_plan(), present=False)
    assert (segment.verdict, segment.absent, segment.severity) == (Verdict.OUT, True, math.inf)


@pytest.mark.parametrize("end", ["start", "end"])
def test_a_segments_face_is_judged_by_its_mitre(end: str) -> None:
    segment = judged_segment(make_plan(), **{end: 0.35})
    assert [(item.quantity, item.place) for item in segment.deciding] == [("mitre_deg", end)]
    assert segment.deciding[0].deviation == pytest.approx(0.35)


def test_a_tapered_rings_mitre_is_smaller_by_half_the_taper() -> None:
    plan = make_plan(joint="tapered", gap_mm=5.0, gap_deg=2.0)
    start = next(item for item in judged_segment(plan).findings if item.quantity == "mitre_deg")
    assert start.nominal == pytest.approx(15.0 - 1.0)


def test_the_whole_is_as_bad_as_its_worst_part() -> None:
    plan = make_plan()
    close = make_measurement(plan, joints={3: {"gap_middle_mm": mm(0.14)}, 4: {"gap_middle_mm": SQUEEZED}})
    assert judge(close, plan).overall is Verdict.CLOSE
    out = make_measurement(plan, joints={3: {"gap_middle_mm": mm(0.14)}}, segments={1: {"present": False}})
    assert judge(out, plan).overall is Verdict.OUT
    assert judge(make_measurement(plan), plan).overall is Verdict.IN


def test_worst_ranks_out_then_close_then_not_measured_then_in() -> None:
    ranked = [Verdict.OUT, Verdict.CLOSE, Verdict.UNMEASURED, Verdict.IN]
    assert [worst(ranked[index:]) for index in range(4)] == ranked


@given(
    value=st.floats(-1.0, 1.0),
    u95=st.floats(0.001, 0.5),
    lower=st.floats(-0.5, 0.0),
    width=st.floats(0.0, 1.0),
)
def test_what_is_called_in_or_out_is_so_with_at_least_95_percent(
    value: float, u95: float, lower: float, width: float
) -> None:
    """The guard band of U = 2 u leaves less than 2 x 2.28 % beyond two limits, whatever their distance."""
    upper = lower + width
    normal = norm(value, u95 / 2.0)
    inside = normal.cdf(upper) - normal.cdf(lower)
    verdict = judge_value(mm(value, u95), lower, upper)
    if verdict is Verdict.IN:
        assert inside > 0.95
    if verdict is Verdict.OUT:
        assert inside < 0.05


@given(below=st.floats(0.0, 1.0), truth=st.floats(0.0, 1.0), limit=st.floats(0.0, 1.0))
def test_a_bound_is_never_called_in_where_the_value_may_lie_beyond(
    below: float, truth: float, limit: float
) -> None:
    if judge_value(Below(below), -math.inf, limit) is Verdict.IN and truth <= below:
        assert truth <= limit


def test_the_outer_length_of_a_closed_ring_and_of_one_with_spacers() -> None:
    """Against the identities D tan(180/N) and D tan(180/N) - g / cos(180/N): 50.4840 at N 12, D 200, g 3."""
    closed = make_plan(across_flats_mm=200.0)
    spaced = make_plan(across_flats_mm=200.0, joint="spaced", gap_mm=3.0)
    assert outer_length_mm(closed) == pytest.approx(53.5898, abs=5e-5)
    assert outer_length_mm(spaced) == pytest.approx(50.4840, abs=5e-5)


def test_the_outer_length_of_a_round_ring_is_the_chord() -> None:
    closed = make_plan(across_flats_mm=200.0, outline="round")
    assert outer_length_mm(closed) == pytest.approx(200.0 * math.sin(math.radians(15.0)))


@given(gap_deg=st.floats(0.5, 4.0), segments=st.integers(6, 24))
def test_the_outer_length_of_a_tapered_ring_is_that_between_its_faces_outer_ends(
    gap_deg: float, segments: int
) -> None:
    """Against the corners found by intersecting the outer flat with the two faces."""
    plan = make_plan(joint="tapered", gap_mm=4.0, gap_deg=gap_deg, segments=segments)
    mitre, half = math.radians(plan.mitre_deg), math.radians(gap_deg / 2.0)
    # In the segment's frame (x along its outer edge, y outward) the face passes through `foot` and
    # turns away from the joint's centre line by half the taper, into the segment.
    radius, gap = plan.middle_radius_mm, plan.gap_mm / 2.0
    foot_x = -radius * math.sin(mitre) + gap * math.cos(mitre)
    foot_y = radius * math.cos(mitre) + gap * math.sin(mitre)
    x = foot_x - (plan.outer_mm - foot_y) * math.tan(mitre - half)
    assert outer_length_mm(plan) == pytest.approx(-2.0 * x)


def test_a_joint_made_for_these_tests_tapers_as_its_gaps_say() -> None:
    plan = make_plan()
    joint = make_joint(plan, 1, gap=(0.0, 0.1, 0.2))
    length = plan.joint_radii_mm[1] - plan.joint_radii_mm[0]
    assert isinstance(joint.taper_deg, Value)
    assert joint.taper_deg.value == pytest.approx(math.degrees(0.2 / length), rel=1e-4)
