"""The CSV as a spreadsheet or a script reads it."""

import csv
import io

from lightgap.report import Report
from lightgap.show.csv_table import csv_table
from lightgap.values import Below, Unknown
from made_ring import faulty_report, make_measurement, make_plan, make_report_of, mm


def rows(*reports: Report) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(csv_table(reports), newline="")))


def test_one_row_for_each_joint_then_one_for_each_segment() -> None:
    parts = [(row["part"], row["number"]) for row in rows(faulty_report())]
    numbers = [str(number) for number in range(1, 13)]
    assert parts == [("joint", number) for number in numbers] + [("segment", number) for number in numbers]


def test_a_value_stands_beside_its_uncertainty_with_the_unit_in_the_header() -> None:
    joint = rows(faulty_report())[7]
    assert (joint["gap_outside_mm"], joint["gap_outside_u95_mm"]) == ("0.36", "0.03")
    assert joint["verdict"] == "out of tolerance"
    assert joint["reasons"].startswith("open 0.360 ± 0.030 mm at the outside")
    segment = rows(faulty_report())[18]
    assert float(segment["mitre_end_deg"]) == 15.0 - 0.52
    assert segment["gap_outside_mm"] == ""


def test_a_bound_and_a_value_that_is_not_there_are_told_apart() -> None:
    plan = make_plan()
    joint = {"gap_inside_mm": Below(0.02), "gap_middle_mm": Unknown("a chip lies there")}
    row = rows(make_report_of(plan, make_measurement(plan, joints={1: joint})))[0]
    assert (row["gap_inside_mm"], row["gap_inside_below_mm"]) == ("", "0.02")
    assert (row["gap_middle_mm"], row["gap_middle_below_mm"]) == ("", "")
    assert row["reasons"] == "gap at the middle not measured: a chip lies there"


def test_joints_not_found_segments_missing_and_blocked_spans() -> None:
    plan = make_plan(joint="spaced")
    measurement = make_measurement(
        plan,
        joints={2: {"found": False}, 3: {"blocked_mm": (95.04, 105.0), "doubts": ("a spacer is left",)}},
        segments={4: {"present": False}},
    )
    table = rows(make_report_of(plan, measurement))
    assert table[1]["kind"] == "not found"
    assert (table[2]["blocked_from_mm"], table[2]["blocked_to_mm"]) == ("95.04", "105.0")
    assert table[2]["doubts"] == "a spacer is left"
    assert table[15]["kind"] == "missing"


def test_several_photos_share_one_header() -> None:
    table = rows(faulty_report(), faulty_report(segments=8))
    assert len(table) == 2 * 12 + 2 * 8
    assert {row["photo"] for row in table} == {"ring.jpg"}


def test_a_photos_name_cannot_become_a_formula() -> None:
    plan = make_plan()
    report = make_report_of(plan, make_measurement(plan, joints={1: {"gap_middle_mm": mm(0.3)}}))
    named = Report(**{**vars(report), "photo_name": "=1+1.jpg"})
    assert rows(named)[0]["photo"] == "'=1+1.jpg"
