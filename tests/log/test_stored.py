"""A report that was kept says the same as the one that was made."""

from __future__ import annotations

import json

import pytest

from lightgap.errors import LogError
from lightgap.log.stored import read_report
from lightgap.report import Report
from lightgap.show.table import table
from lightgap.values import Below, Unknown
from made_ring import faulty_report, make_measurement, make_plan, make_report_of, mm


def _every_case() -> Report:
    """Tapered joints: one unseen, one filled, one below; a segment missing; a round outline."""
    plan = make_plan(joint="tapered", gap_deg=1.5, outline="round")
    unseen = Unknown("a hand lies over it")
    measurement = make_measurement(
        plan,
        joints={
            2: {"found": False, "faces_px": None, "gap_middle_mm": unseen, "reason": "sawdust"},
            3: {"kind": "resin", "blocked_mm": (80.0, 91.5), "doubts": ("glossy",), "by_hand": True},
            4: {"gap_inside_mm": Below(0.05)},
        },
        segments={5: {"present": False}, 6: {"mitre_end_deg": unseen}},
        ring={"out_of_round_mm": unseen, "size_mm": mm(231.0, 0.2)},
        notes=("the light is low",),
    )
    return make_report_of(plan, measurement, notes=("card 3 left out",), untold=frozenset({"twist_deg"}))


@pytest.mark.parametrize("budgets", [True, False])
@pytest.mark.parametrize("report", [faulty_report(), _every_case()], ids=["closed", "every case"])
def test_a_report_comes_back_from_its_json_form(report: Report, budgets: bool) -> None:
    stored = json.loads(json.dumps(report.to_dict(budgets=budgets)))
    back = read_report(stored)
    # Only the fifth decimal of U may differ, where it is made up again from a rounded budget.
    assert _flat(back.to_dict()) == pytest.approx(_flat(report.to_dict()), abs=2e-5)


def test_a_report_that_was_kept_is_told_in_the_same_words() -> None:
    report = _every_case()
    kept = read_report(report.to_dict(budgets=True))
    assert table(kept) == table(report)
    assert table(kept, "inch") == table(report, "inch")


def test_the_verdict_is_the_one_given_then() -> None:
    stored = faulty_report().to_dict()
    stored["joints"][7]["verdict"] = "too close to call"
    stored["joints"][7]["findings"][2]["verdict"] = "too close to call"
    assert read_report(stored).verdicts.joints[7].verdict == "too close to call"


def test_a_report_of_another_form_is_refused() -> None:
    with pytest.raises(LogError, match="lightgap-check/9"):
        read_report({"format": "lightgap-check/9"})


def test_a_damaged_report_is_refused() -> None:
    stored = faulty_report().to_dict()
    del stored["joints"][3]["gap_mm"]
    with pytest.raises(LogError, match="damaged"):
        read_report(stored)


def _flat(value: object, path: str = "") -> dict[str, object]:
    if isinstance(value, dict):
        return {k: v for key, item in value.items() for k, v in _flat(item, f"{path}.{key}").items()}
    if isinstance(value, list):
        return {k: v for i, item in enumerate(value) for k, v in _flat(item, f"{path}.{i}").items()}
    return {path: value}
