"""What a person is told about a verdict, sentence by sentence."""

from typing import Any

import pytest

from lightgap.judge import Verdict, Verdicts, judge
from lightgap.plan import Plan, Tolerance
from lightgap.show.words import SIGNS, counted, headline, joined, named, reasons, worst_first
from lightgap.values import Below, Unknown
from made_ring import deg, make_measurement, make_plan, mm

EVERYTHING = Tolerance(
    gap_mm=0.15,
    taper_deg=0.3,
    pitch_error_deg=0.2,
    skew_deg=0.3,
    included_angle_deg=0.3,
    mitre_deg=0.2,
    outer_length_mm=0.5,
    radial_offset_mm=0.4,
    twist_deg=0.3,
    across_flats_mm=1.0,
    out_of_round_mm=0.4,
    inner_offset_mm=0.5,
)


def verdicts(plan: Plan, **faults: Any) -> Verdicts:
    return judge(make_measurement(plan, **faults), plan)


def joint_reasons(plan: Plan, units: Any = "mm", **changes: Any) -> tuple[str, ...]:
    return reasons(verdicts(plan, joints={8: changes}).joints[7], units)


def segment_reasons(plan: Plan, **changes: Any) -> tuple[str, ...]:
    return reasons(verdicts(plan, segments={7: changes}).segments[6])


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"gap_outside_mm": mm(0.36)}, "open 0.360 ± 0.030 mm at the outside"),
        (
            {"gap_inside_mm": mm(0.14)},
            "open 0.140 ± 0.030 mm at the inside, too close to the limit of 0.15 mm to call",
        ),
        (
            {"gap_middle_mm": Below(0.2)},
            "open below 0.20 mm at the middle, too close to the limit of 0.15 mm to call",
        ),
        ({"taper_deg": deg(-0.5)}, "wider inside by 0.50 ± 0.06°"),
        ({"pitch_error_deg": deg(0.4)}, "stands 0.40 ± 0.06° too far clockwise"),
        ({"skew_deg": deg(-0.4)}, "leans 0.40 ± 0.06° from the line to the centre"),
        ({"found": False}, "not measured: nothing was seen where this joint should be"),
        ({"found": False, "reason": "a rule lies over it"}, "not measured: a rule lies over it"),
        (
            {"gap_inside_mm": Unknown("a chip lies there")},
            "gap at the inside not measured: a chip lies there",
        ),
        (
            {"gap_inside_mm": Unknown("a chip lies there"), "taper_deg": Unknown("a chip lies there")},
            "gap at the inside and taper not measured: a chip lies there",
        ),
    ],
)
def test_a_closed_joint(changes: dict[str, Any], said: str) -> None:
    assert joint_reasons(make_plan(tolerance=EVERYTHING), **changes) == (said,)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"gap_outside_mm": mm(3.36)}, "gap 3.360 ± 0.030 mm at the outside, 0.360 mm too wide"),
        ({"gap_middle_mm": mm(2.5)}, "gap 2.500 ± 0.030 mm at the middle, 0.500 mm too narrow"),
        (
            {"gap_middle_mm": mm(3.14)},
            "gap 3.140 ± 0.030 mm at the middle, too close to the limit of 0.15 mm to call",
        ),
    ],
)
def test_a_spaced_joint(changes: dict[str, Any], said: str) -> None:
    assert joint_reasons(make_plan(joint="spaced", tolerance=EVERYTHING), **changes) == (said,)


def test_a_tapered_joint() -> None:
    plan = make_plan(joint="tapered", gap_mm=5.0, gap_deg=2.0, tolerance=EVERYTHING)
    assert joint_reasons(plan, taper_deg=deg(1.5)) == ("tapers by 1.50 ± 0.06°, 0.50° too little",)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"mitre_end_deg": deg(15.35)}, "end face 0.35 ± 0.06° off"),
        ({"mitre_start_deg": deg(14.55)}, "start face 0.45 ± 0.06° off"),
        ({"included_angle_deg": deg(29.5)}, "angle between its faces 0.50 ± 0.06° too small"),
        ({"outer_length_mm": mm(60.0, 0.1)}, "1.05 ± 0.10 mm too long at its outer edge"),
        ({"radial_offset_mm": mm(-0.8, 0.1)}, "stands 0.80 ± 0.10 mm too far in"),
        ({"twist_deg": deg(0.5)}, "turned 0.50 ± 0.06° in its place"),
        ({"present": False}, "missing"),
        (
            {
                "mitre_start_deg": Unknown("joint 7 was not found"),
                "outer_length_mm": Unknown("joint 7 was not found"),
            },
            "start face and outer length not measured: joint 7 was not found",
        ),
    ],
)
def test_a_segment(changes: dict[str, Any], said: str) -> None:
    assert segment_reasons(make_plan(tolerance=EVERYTHING), **changes) == (said,)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"size_mm": mm(222.0, 0.3)}, "2.00 ± 0.30 mm too large"),
        ({"out_of_round_mm": mm(0.8, 0.1)}, "0.80 ± 0.10 mm out of round"),
        ({"inner_offset_mm": mm(0.8, 0.1)}, "hole 0.80 ± 0.10 mm off centre"),
    ],
)
def test_the_ring(changes: dict[str, Any], said: str) -> None:
    judged = verdicts(make_plan(tolerance=EVERYTHING), ring=changes)
    assert reasons(judged.ring) == (said,)
    assert headline(judged) == f"The ring: {said}"


def test_a_joint_in_tolerance_needs_no_reason() -> None:
    assert joint_reasons(make_plan()) == ()


def test_only_the_worst_station_of_a_gap_is_told_but_every_quantity_that_is_out() -> None:
    said = joint_reasons(make_plan(), gap=(0.25, 0.36, 0.5), taper_deg=deg(0.4))
    assert said == ("open 0.500 ± 0.030 mm at the outside", "wider outside by 0.40 ± 0.06°")


def test_in_inches_if_so_chosen() -> None:
    said = joint_reasons(make_plan(), "inch", gap_outside_mm=mm(0.36))
    assert said == ("open 0.0142 ± 0.0012 in (1/64) at the outside",)


HEADLINES: list[tuple[dict[str, Any], str]] = [
    (
        {"joints": {8: {"gap_outside_mm": mm(0.36, 0.04)}}, "segments": {7: {"end": -0.35}}},
        "Segment 7: end face 0.35 ± 0.06° off, joint 8 open 0.36 ± 0.04 mm at the outside",
    ),
    (
        {"joints": {8: {"gap_outside_mm": mm(0.36, 0.04)}}},
        "Joint 8 open 0.36 ± 0.04 mm at the outside",
    ),
    (
        {
            "joints": {1: {"gap_outside_mm": mm(0.8, 0.04)}, 5: {"gap_inside_mm": mm(0.3)}},
            "segments": {12: {"end": 0.4}},
        },
        "Segment 12: end face 0.40 ± 0.06° off, joint 1 open 0.80 ± 0.04 mm at the outside; "
        "1 more joint out of tolerance",
    ),
    (
        {"joints": {2: {"gap_outside_mm": mm(0.36)}}, "segments": {7: {"end": 0.35}, 8: {"start": -0.30}}},
        "Joint 2 open 0.360 ± 0.030 mm at the outside; segment 7: end face 0.35 ± 0.06° off; "
        "1 more segment out of tolerance",
    ),
    ({"segments": {4: {"present": False}}}, "Segment 4 is missing"),
    (
        {"joints": {3: {"gap_middle_mm": mm(0.14)}}},
        "Nothing is out of tolerance; joint 3 open 0.140 ± 0.030 mm at the middle, "
        "too close to the limit of 0.15 mm to call",
    ),
    (
        {"joints": {3: {"gap_middle_mm": mm(0.14)}, 9: {"gap_middle_mm": mm(0.15)}}},
        "Nothing is out of tolerance; joints 3 and 9 are too close to call",
    ),
    (
        {"joints": {9: {"found": False, "reason": "squeeze-out covers it"}}},
        "Nothing measured is out of tolerance; joint 9 could not be measured: squeeze-out covers it",
    ),
    (
        {"joints": {2: {"found": False}, 9: {"found": False}}},
        "Nothing measured is out of tolerance; joints 2 and 9 could not be measured",
    ),
    (
        {"joints": {6: {"gap_middle_mm": mm(0.08)}}},
        "All 12 joints and 12 segments are in tolerance; "
        "the widest is joint 6, open 0.080 ± 0.030 mm at the middle",
    ),
    ({}, "All 12 joints and 12 segments are in tolerance"),
]


@pytest.mark.parametrize(("faults", "said"), HEADLINES)
def test_the_headline_says_what_is_wrong_first(faults: dict[str, Any], said: str) -> None:
    assert headline(verdicts(make_plan(), **faults)) == said


def test_the_worst_comes_first() -> None:
    judged = verdicts(
        make_plan(),
        joints={
            2: {"gap_middle_mm": mm(0.3)},
            4: {"gap_middle_mm": mm(0.5)},
            6: {"gap_middle_mm": mm(0.15)},
            8: {"found": False},
            10: {"gap_middle_mm": mm(0.1)},
        },
    )
    assert [item.number for item in worst_first(judged.joints)] == [4, 2, 6, 8, 10, 1, 3, 5, 7, 9, 11, 12]


def test_every_verdict_has_its_own_mark_word_shape_and_colour() -> None:
    assert set(SIGNS) == set(Verdict)
    for name in ("mark", "short", "shape", "colour"):
        assert len({getattr(sign, name) for sign in SIGNS.values()}) == len(Verdict)


def test_counts_and_lists_read_as_said_aloud() -> None:
    assert (counted(1, "joint"), counted(2, "joint")) == ("1 joint", "2 joints")
    assert joined([1, 2, 3, 4]) == "1, 2, 3 and 4"


@pytest.mark.parametrize(
    ("numbers", "told"),
    [
        ([7], "joint 7"),
        ([1, 2, 3], "joints 1, 2 and 3"),
        (list(range(1, 49)), "joints 1 to 48"),
        ([1, 2, 4, 5, 6, 7, 12], "joints 1, 2, 4 to 7 and 12"),
        ([9, 8, 7, 6], "joints 9, 8, 7 and 6"),
    ],
)
def test_a_long_run_of_numbers_is_told_by_its_ends(numbers: list[int], told: str) -> None:
    assert named("joint", numbers) == told
