"""The report as text for a terminal."""

from lightgap.report import Report
from lightgap.show.table import table
from lightgap.values import Below, Unknown, measured
from made_ring import deg, faulty_report, make_measurement, make_plan, make_report_of, mm


def hard_report(segments: int = 12) -> Report:
    plan = make_plan(joint="spaced", segments=segments)
    measurement = make_measurement(
        plan,
        joints={
            2: {"found": False, "gap_inside_mm": Unknown("nothing seen"), "reason": "a rule lies over it"},
            3: {"blocked_mm": (95.0, 105.0), "doubts": ("The gap is blocked between 95 and 105 mm.",)},
            5: {"gap": (3.14, 3.2, 3.3), "pitch_error_deg": deg(-0.5)},
            6: {"gap_inside_mm": Below(0.1)},
        },
        segments={4: {"present": False}, 7: {"outer_length_mm": Unknown("joint 8 was not found")}},
        notes=("Card 3 is bent and was left out.",),
    )
    return make_report_of(plan, measurement)


def test_the_first_line_says_what_is_wrong() -> None:
    first = table(faulty_report()).splitlines()[0]
    assert first == "Segment 7: end face 0.52 ± 0.06° off, joint 8 open 0.360 ± 0.030 mm at the outside"


def test_joints_stand_worst_first_under_their_verdict() -> None:
    lines = table(faulty_report()).splitlines()
    joints = lines[lines.index(next(line for line in lines if line.startswith("Joints"))) :]
    assert joints[4] == "out of tolerance:"
    assert joints[5].split()[:8] == [
        "x",
        "8",
        "0.020±0.030",
        "0.190±0.030",
        "x",
        "0.360±0.030",
        "x",
        "+0.50±0.06",
    ]
    assert joints[6] == "in tolerance:"
    assert [line.split()[1] for line in joints[7:18]] == [str(n) for n in range(1, 13) if n != 8]


def test_the_plan_and_its_limits_head_each_column() -> None:
    lines = table(faulty_report()).splitlines()
    plan, limit = (next(line for line in lines if line.startswith(name)) for name in ("plan", "limit"))
    assert plan.split() == ["plan", "0", "0", "0", "0"]
    assert limit.split() == ["limit", *["up", "to", "0.15"] * 3, "±0.30", *["not", "judged"] * 2]


def test_what_is_missing_not_found_or_doubtful_is_said() -> None:
    text = table(hard_report())
    assert "segment 4 is missing" in text
    assert "joint 2 could not be measured: a rule lies over it" in text
    assert "      The gap is blocked between 95 and 105 mm." in text
    assert "* Card 3 is bent and was left out." in text
    assert "<0.10" in text


def test_it_fits_a_terminal_in_either_unit() -> None:
    for units in ("mm", "inch"):
        for segments in (12, 48):
            text = table(hard_report(segments), units, budget=True)
            assert max(map(len, text.splitlines())) <= 100


def test_it_is_written_in_signs_that_every_terminal_has() -> None:
    for code_page in ("cp1252", "cp437"):
        assert table(hard_report(), budget=True).encode(code_page)


def test_inches() -> None:
    text = table(faulty_report(), "inch")
    assert "joint 8 open 0.0142 ± 0.0012 in (1/64) at the outside" in text
    assert "lengths in inches" in text


def test_many_faults_are_counted_after_the_first_dozen() -> None:
    plan = make_plan(segments=24)
    joints = {number: {"gap_middle_mm": mm(0.5)} for number in range(1, 25)}
    text = table(make_report_of(plan, make_measurement(plan, joints=joints)))
    assert "  and 12 more, below" in text


def test_the_budget_names_every_part_largest_first_and_only_when_asked() -> None:
    plan = make_plan()
    gap = measured(0.05, {"scale": 0.001, "edge fit": 0.012, "plane height": 0.004})
    report = make_report_of(plan, make_measurement(plan, joints={1: {"gap_inside_mm": gap}}))
    assert "edge fit 0.024, plane height 0.008, scale 0.0020" in table(report, budget=True)
    assert "plane height" not in table(report)


def test_the_advice_is_told_with_its_caution() -> None:
    report = faulty_report()
    flowed = " ".join(table(report).split())
    for advice in report.advice:
        assert advice.title in flowed
        assert advice.action in flowed
        assert advice.caution is None or f"Caution: {advice.caution}" in flowed
