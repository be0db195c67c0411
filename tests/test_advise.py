"""Each cause is found from its pattern, told once, with a repair that comes before the stack."""

import re
from typing import Any

import pytest

from lightgap.advise import Advice
from lightgap.plan import Plan, Tolerance
from lightgap.values import Unknown
from made_ring import deg, make_measurement, make_plan, make_report_of, mm

LAST = "Before this ring goes into the stack"


def advice(plan: Plan, **faults: Any) -> tuple[Advice, ...]:
    return make_report_of(plan, make_measurement(plan, **faults)).advice


def titles(plan: Plan, **faults: Any) -> list[str]:
    return [item.title for item in advice(plan, **faults)]


def closed(**changes: Any) -> Plan:
    return make_plan(**changes)


def spaced(**changes: Any) -> Plan:
    return make_plan(joint="spaced", **changes)


def all_cuts_off(error: float, segments: int = 12) -> dict[str, Any]:
    """Every face off by the same: all joints wider at one end, as a dry ring shows it."""
    taper = -2.0 * error
    wide = abs(taper) * 0.7  # about what a joint of 38 mm opens, mm
    gap = (0.0, wide / 2.0, wide) if taper > 0.0 else (wide, wide / 2.0, 0.0)
    return {
        "joints": {number: {"gap": gap, "taper_deg": deg(taper)} for number in range(1, segments + 1)},
        "segments": {number: {"start": error, "end": error} for number in range(1, segments + 1)},
    }


def test_a_good_ring_needs_only_what_a_photo_cannot_show() -> None:
    (only,) = advice(closed())
    assert only.title == LAST
    assert "sees one face of a joint" in only.cause
    assert "makers of the glue, the clamps and the lathe" in only.action
    assert only.caution is not None


def test_all_joints_open_at_one_end_is_the_saw_and_nothing_else() -> None:
    plan = closed()
    assert titles(plan, **all_cuts_off(-0.25)) == [
        "Joints wider at the outside all round: the saw is off by 0.250 ± 0.009°",
        LAST,
    ]


def test_the_saws_advice_says_which_way_and_what_it_adds_up_to() -> None:
    saw = advice(closed(), **all_cuts_off(0.25))[0]
    assert "wider at the inside" in saw.cause
    assert "the mitres measure 15.25° instead of 15.00°" in saw.cause
    assert "Over 24 cuts" in saw.cause
    assert "moisture" in saw.cause
    assert "Set the saw smaller by 0.250°" in saw.action
    assert saw.joints == tuple(range(1, 13))


def test_a_face_off_by_itself_is_told_beside_the_saw() -> None:
    faults = all_cuts_off(-0.1)
    faults["segments"][7] = {"start": -0.1, "end": -0.7}
    faults["joints"][8] = {"gap": (0.0, 0.25, 0.5), "taper_deg": deg(0.8)}
    assert titles(closed(), **faults)[:2] == [
        "Joints wider at the outside all round: the saw is off by 0.100 ± 0.009°",
        "Segment 7: end face off its angle",
    ]


@pytest.mark.parametrize(
    ("end", "off", "gap", "said", "trim"),
    [
        ("end", -0.5, (0.02, 0.19, 0.36), "too small, which opens joint 8 at the outside", "inner end"),
        ("end", 0.5, (0.36, 0.19, 0.02), "too large, which opens joint 8 at the inside", "outer end"),
        ("start", -0.5, (0.02, 0.19, 0.36), "too small, which opens joint 7 at the outside", "inner end"),
    ],
)
def test_one_face_off_its_angle(end: str, off: float, gap: Any, said: str, trim: str) -> None:
    joint = 8 if end == "end" else 7
    face, last = advice(closed(), joints={joint: {"gap": gap}}, segments={7: {end: off}})
    assert face.title == f"Segment 7: {end} face off its angle"
    assert said in face.cause
    assert f"the {trim} of segment 7's {end} face until its mitre measures 15.00°" in face.action
    assert (face.joints, face.segments) == ((joint,), (7,))
    assert face.caution is not None
    assert "lathe" in face.caution
    assert last.title == LAST


def test_several_faces_share_one_advice() -> None:
    faults = {
        "joints": {3: {"gap": (0.0, 0.2, 0.4)}, 8: {"gap": (0.0, 0.2, 0.3)}},
        "segments": {3: {"start": -0.6}, 7: {"end": -0.4}},
    }
    faces = advice(closed(), **faults)[0]
    assert faces.title == "2 faces are off their angle"
    assert faces.cause.startswith("Segment 3's start face is 0.60 ± 0.06° too small")
    assert faces.joints == (3, 8)


def test_an_angle_off_by_two_small_cuts_is_not_left_without_a_word() -> None:
    """Each face 0.25 degrees off is in tolerance; both together, the segment's angle is out."""
    found = advice(closed(), segments={5: {"start": 0.25, "end": 0.25}})
    (cut,) = [item for item in found if item.segments]
    assert cut.title == "Segment 5 cut to another angle"
    assert "angle between its faces 0.5" in cut.cause
    assert cut.joints == (5, 6)
    assert "before the ring goes into the stack" in cut.action


def test_a_joint_open_along_its_length_was_not_brought_together() -> None:
    joint = advice(closed(), joints={5: {"gap": (0.25, 0.27, 0.30)}})[0]
    assert joint.title == "Joint 5 open along the whole length"
    assert "did not come together" in joint.cause
    assert "0.15 mm" in joint.action
    assert "1.60 mm" in joint.action


def test_a_tapered_joint_whose_faces_are_not_off_is_told_as_open_at_one_end() -> None:
    assert titles(closed(), joints={5: {"gap": (0.0, 0.15, 0.30)}})[0] == "Joint 5 open at one end"


def test_glue_in_the_gap() -> None:
    found = titles(closed(), joints={3: {"gap": (0.3, 0.3, 0.3), "kind": "glue"}})
    assert "Joint 3 filled with glue" in found


def test_a_segment_that_slid_explains_both_its_joints() -> None:
    faults = {"joints": {4: {"gap": (3.45,) * 3}, 5: {"gap": (2.55,) * 3}}}
    slid, last = advice(spaced(), **faults)
    assert slid.title == "Segment 4 slid sideways"
    assert "segment 4 by 0.450 ± 0.021 mm towards joint 5" in slid.cause
    assert last.title == LAST


def test_all_gaps_wide_are_the_spacers() -> None:
    faults = {
        "joints": {number: {"gap": (3.3,) * 3} for number in range(1, 13)},
        "ring": {"mean_gap_mm": mm(3.3, 0.02)},
    }
    assert titles(spaced(), **faults) == ["All gaps too wide by about 0.300 ± 0.020 mm", LAST]


def test_one_odd_gap_is_its_spacer() -> None:
    assert titles(spaced(), joints={6: {"gap": (3.0, 3.2, 3.4)}})[0] == "Joint 6 not spaced as planned"


def test_a_blocked_gap_is_to_be_cleared() -> None:
    blocked = advice(spaced(), joints={9: {"blocked_mm": (95.3, 104.8)}})[0]
    assert blocked.title == "Joint 9 blocked"
    assert "between 95 mm and 105 mm from the ring's centre" in blocked.cause


@pytest.mark.parametrize(
    ("changes", "title"),
    [
        ({"radial_offset_mm": mm(0.8, 0.1)}, "Segment 9 too far out"),
        ({"radial_offset_mm": mm(-0.8, 0.1)}, "Segment 9 too far in"),
        ({"twist_deg": deg(0.5)}, "Segment 9 turned in its place"),
        ({"outer_length_mm": mm(60.0, 0.1)}, "Segment 9 too long"),
        ({"present": False}, "Segment 9 missing"),
    ],
)
def test_segments_out_of_place(changes: dict[str, Any], title: str) -> None:
    limits = Tolerance(gap_mm=0.15, radial_offset_mm=0.4, twist_deg=0.3, outer_length_mm=0.5)
    assert titles(closed(tolerance=limits), segments={9: changes})[0] == title


def test_a_turned_segment_explains_the_joints_on_both_its_sides() -> None:
    faults = {
        "joints": {9: {"gap": (3.3, 3.0, 2.7)}, 10: {"gap": (2.7, 3.0, 3.3)}},
        "segments": {9: {"twist_deg": deg(0.5)}},
    }
    plan = spaced(tolerance=Tolerance(gap_mm=0.2, taper_deg=0.3, twist_deg=0.3))
    assert titles(plan, **faults) == ["Segment 9 turned in its place", LAST]


def test_joints_beside_a_missing_segment_are_not_told_again() -> None:
    joints = {number: {"found": False, "reason": "the segment beside it is missing"} for number in (9, 10)}
    assert titles(closed(), joints=joints, segments={9: {"present": False}}) == ["Segment 9 missing", LAST]


def test_what_squeeze_out_hides_is_not_called_sound() -> None:
    hidden = {"found": False, "reason": "squeeze-out covers it"}
    unseen = advice(closed(), joints={9: hidden})[0]
    assert unseen.title == "Joint 9 not measured"
    assert unseen.cause.startswith("Squeeze-out covers it. Nothing is known of such a joint")
    assert "Scrape glue off flush" in unseen.action


def test_too_close_to_call_asks_for_a_feeler_gauge_of_the_limit() -> None:
    close = advice(closed(), joints={3: {"gap_middle_mm": mm(0.14)}, 6: {"gap_middle_mm": mm(0.16)}})[0]
    assert close.title == "Joints 3 and 6 too close to call"
    assert "feeler gauge of 0.15 mm" in close.action


EVERY_LENGTH: list[tuple[Plan, dict[str, Any]]] = [
    (closed(), {"joints": {5: {"gap": (0.25, 0.27, 0.30)}}}),
    (closed(), {"joints": {3: {"gap": (0.3, 0.3, 0.3), "kind": "glue"}}}),
    (closed(), {"joints": {3: {"gap_middle_mm": mm(0.14)}}}),
    (closed(), all_cuts_off(0.25)),
    (spaced(), {"joints": {4: {"gap": (3.45,) * 3}, 5: {"gap": (2.55,) * 3}}}),
    (spaced(), {"joints": {6: {"gap": (3.0, 3.2, 3.4)}}}),
    (spaced(), {"joints": {9: {"blocked_mm": (95.3, 104.8)}}}),
    (
        spaced(),
        {
            "joints": {number: {"gap": (3.3,) * 3} for number in range(1, 13)},
            "ring": {"mean_gap_mm": mm(3.3, 0.02)},
        },
    ),
    (
        closed(tolerance=Tolerance(radial_offset_mm=0.4)),
        {"segments": {9: {"radial_offset_mm": mm(0.8, 0.1)}}, "ring": {"out_of_round_mm": mm(2.0, 0.1)}},
    ),
]


@pytest.mark.parametrize(("plan", "faults"), EVERY_LENGTH)
def test_all_lengths_are_in_the_units_that_were_chosen(plan: Plan, faults: dict[str, Any]) -> None:
    report = make_report_of(plan, make_measurement(plan, **faults))
    metric, inches = (
        " ".join(f"{item.title} {item.cause} {item.action}" for item in report.advice_in(units))
        for units in ("mm", "inch")
    )
    assert re.search(r"\d mm\b", metric)
    assert not re.search(r"\d in\b", metric)
    assert re.search(r"\d in\b", inches)
    assert not re.search(r"\d mm\b", inches)
    # Nothing else differs: the same causes and repairs, of the same joints.
    assert [item.joints for item in report.advice_in("inch")] == [item.joints for item in report.advice]


def test_a_feeler_gauge_is_named_in_inches_to_whom_measures_in_inches() -> None:
    plan = closed()
    report = make_report_of(plan, make_measurement(plan, {3: {"gap_middle_mm": mm(0.14)}}))
    assert "feeler gauge of 0.006 in " in report.advice_in("inch")[0].action


def test_segments_too_close_to_call_are_told_apart_from_joints() -> None:
    close, _ = advice(closed(), segments={3: {"mitre_end_deg": deg(15.1, 0.2)}})
    assert close.title == "Segment 3 too close to call"
    assert "less surely than a joint" in close.cause


def test_two_dressed_halves_tell_of_the_saw_even_when_all_is_in_tolerance() -> None:
    plan = closed(tolerance=Tolerance(gap_mm=0.15))
    angles = dict.fromkeys(range(1, 13), 0.1) | dict.fromkeys((1, 12, 6, 7), -0.2)
    segments = {number: {"start": off, "end": off} for number, off in angles.items()}
    halves = advice(plan, segments=segments)[0]
    assert halves.title == "Two halves dressed at joints 1 and 7"
    assert "Set the saw smaller by 0.100°" in halves.action


def test_the_ring_as_a_whole() -> None:
    limits = Tolerance(gap_mm=0.15, out_of_round_mm=0.4)
    whole = advice(closed(tolerance=limits), ring={"out_of_round_mm": mm(0.8, 0.1)})[0]
    assert whole.cause == "The ring: 0.80 ± 0.10 mm out of round."


EVERY_FAULT: list[tuple[Plan, dict[str, Any]]] = [
    (closed(), all_cuts_off(-0.25)),
    (closed(), {"joints": {8: {"gap": (0.02, 0.19, 0.36)}}, "segments": {7: {"end": -0.5}}}),
    (closed(), {"joints": {5: {"gap": (0.3, 0.3, 0.3), "kind": "glue"}, 7: {"found": False}}}),
    (
        spaced(),
        {"joints": {4: {"gap": (3.45,) * 3}, 5: {"gap": (2.55,) * 3}, 9: {"blocked_mm": (95.0, 105.0)}}},
    ),
    (closed(), {"joints": {2: {"gap_inside_mm": Unknown("a chip lies there")}}}),
    (closed(), {"segments": {9: {"present": False}}}),
]


@pytest.mark.parametrize(("plan", "faults"), EVERY_FAULT)
def test_every_repair_says_that_it_comes_before_the_stack(plan: Plan, faults: dict[str, Any]) -> None:
    found = advice(plan, **faults)
    assert len(found) > 1
    for item in found[:-1]:
        assert re.search("[Bb]efore (the ring|it) goes into the stack", item.action)
        for text in (item.title, item.cause, item.action, item.caution or ""):
            assert "None" not in text
            assert "  " not in text
            assert ".." not in text


@pytest.mark.parametrize(("plan", "faults"), EVERY_FAULT[:3])
def test_a_closed_joint_that_is_open_brings_a_warning_about_the_lathe(
    plan: Plan, faults: dict[str, Any]
) -> None:
    assert any("come apart on the lathe" in (item.caution or "") for item in advice(plan, **faults))
