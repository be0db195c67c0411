"""The report's JSON form, and what the command's exit status says."""

import json
from typing import Any

import pytest

from lightgap import __version__
from lightgap.values import Below, Unknown
from made_ring import faulty_report, make_measurement, make_plan, make_report_of, mm


def form(plan: Any = None, **faults: Any) -> dict[str, Any]:
    plan = plan or make_plan()
    return make_report_of(plan, make_measurement(plan, **faults)).to_dict()


def test_the_form_is_plain_json() -> None:
    shown = faulty_report().to_dict(budgets=True)
    assert json.loads(json.dumps(shown, allow_nan=False)) == shown


def test_its_head_names_the_form_the_program_and_the_photo() -> None:
    shown = faulty_report().to_dict()
    assert shown["format"] == "lightgap-check/1"
    assert shown["program"] == {"name": "lightgap", "version": __version__}
    assert shown["photo"] == {"name": "ring.jpg", "size_px": [1400, 1200]}
    assert shown["plan"]["segments"] == 12
    assert shown["tolerance"]["gap_mm"] == 0.15
    assert shown["seconds"] == 1.234


def test_a_joint() -> None:
    joint = faulty_report().to_dict()["joints"][7]
    assert joint["number"] == 8
    assert joint["gap_mm"]["outside"] == {"value": 0.36, "u95": 0.03}
    assert joint["angle_deg"] == 213.0
    assert (joint["kind"], joint["found"], joint["filled"], joint["by_hand"]) == ("closed", True, None, False)
    assert joint["verdict"] == "out of tolerance"
    assert joint["reasons"][0] == "open 0.360 ± 0.030 mm at the outside"
    assert joint["findings"][2] == {
        "quantity": "gap_mm",
        "place": "outside",
        "nominal": 0.0,
        "limit": 0.15,
        "verdict": "out of tolerance",
    }


def test_the_faces_are_given_inner_end_first() -> None:
    report = faulty_report()
    centre = report.measurement.ring.centre_px

    def distance(point: list[float]) -> float:
        return float((point[0] - centre[0]) ** 2 + (point[1] - centre[1]) ** 2)

    for joint in report.to_dict()["joints"]:
        for line in (*joint["faces_px"].values(), joint["place_px"]):
            assert distance(line[0]) < distance(line[1])


def test_what_could_not_be_measured_is_null_with_its_reason_beside_it() -> None:
    unknown = Unknown("squeeze-out covers it")
    shown = form(
        joints={1: {"gap_inside_mm": unknown, "gap_middle_mm": Below(0.02), "taper_deg": unknown}},
        segments={2: {"mitre_start_deg": unknown, "outer_length_mm": unknown}},
        ring={"size_mm": unknown},
    )
    joint = shown["joints"][0]
    assert joint["gap_mm"]["inside"] is None
    assert joint["gap_mm"]["inside_reason"] == "squeeze-out covers it"
    assert joint["gap_mm"]["middle"] == {"below": 0.02}
    assert (joint["taper_deg"], joint["taper_deg_reason"]) == (None, "squeeze-out covers it")
    segment = shown["segments"][1]
    assert segment["mitre_deg"] == [None, {"value": 15.0, "u95": 0.06}]
    assert segment["mitre_deg_reason"] == ["squeeze-out covers it", None]
    assert segment["outer_length_mm_reason"] == "squeeze-out covers it"
    assert (shown["ring"]["across_flats_mm"], shown["ring"]["across_flats_mm_reason"]) == (
        None,
        "squeeze-out covers it",
    )


def test_a_joint_that_was_not_found_keeps_its_place_and_has_no_faces() -> None:
    joint = form(joints={4: {"found": False, "faces_px": None, "reason": "a rule lies over it"}})["joints"][3]
    assert (joint["found"], joint["faces_px"], joint["reason"]) == (False, None, "a rule lies over it")
    assert joint["verdict"] == "not measured"
    assert len(joint["place_px"]) == 2


@pytest.mark.parametrize(("kind", "filled"), [("resin", "resin"), ("glue", "glue"), ("open", None)])
def test_what_fills_a_joint(kind: str, filled: str | None) -> None:
    assert form(joints={1: {"kind": kind}})["joints"][0]["filled"] == filled


def test_a_missing_segment() -> None:
    segment = form(segments={4: {"present": False}})["segments"][3]
    assert (segment["present"], segment["verdict"], segment["reasons"]) == (
        False,
        "out of tolerance",
        ["missing"],
    )


@pytest.mark.parametrize(("outline", "key"), [("polygon", "across_flats_mm"), ("round", "diameter_mm")])
def test_the_rings_size_is_called_by_its_outline(outline: str, key: str) -> None:
    assert form(make_plan(outline=outline))["ring"][key]["value"] == 220.0


def test_the_reference_and_its_notes() -> None:
    plan = make_plan()
    measurement = make_measurement(plan, notes=("The light comes from the side.",))
    report = make_report_of(plan, measurement, notes=("Card 2 is bent.",), untold=frozenset({"twist_deg"}))
    shown = report.to_dict()
    assert shown["notes"] == ["Card 2 is bent.", "The light comes from the side."]
    assert shown["reference"]["kind"] == "cards"
    assert shown["reference"]["mm_per_px"] == 0.25
    assert shown["reference"]["tilt_deg"] == 0.0
    assert shown["reference"]["cannot_tell"] == ["twist_deg"]
    assert shown["reference"]["cards"][1]["number"] == 1


def test_budgets_are_given_only_when_asked_for() -> None:
    report = faulty_report()
    assert "budget" not in json.dumps(report.to_dict())
    value = report.to_dict(budgets=True)["joints"][7]["gap_mm"]["outside"]
    assert [part["name"] for part in value["budget"]] == ["edge fit", "tone curve"]


@pytest.mark.parametrize(
    ("faults", "verdict", "exit_status"),
    [
        ({}, "in tolerance", 0),
        ({"joints": {1: {"gap_middle_mm": mm(0.3)}}}, "out of tolerance", 1),
        ({"joints": {1: {"gap_middle_mm": mm(0.14)}}}, "too close to call", 3),
        ({"joints": {1: {"found": False}}}, "not measured", 3),
    ],
)
def test_the_exit_status_follows_the_verdict(faults: Any, verdict: str, exit_status: int) -> None:
    plan = make_plan()
    report = make_report_of(plan, make_measurement(plan, **faults))
    assert (report.verdict, report.exit_status) == (verdict, exit_status)
    assert report.to_dict()["verdict"] == verdict
    assert report.to_dict()["headline"] == report.headline
