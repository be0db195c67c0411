"""The page says what the command says, in both units."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

import made_ring
from lightgap.show.words import headline
from lightgap.values import Below, Unknown
from lightgap_web.telling import told


def values_of(shown: dict[str, Any]) -> list[dict[str, Any]]:
    """Every value that the page shows of a report."""
    rows = [*shown["joints"], *shown["segments"], shown["ring"]]
    return [value for row in rows for value in row["values"].values()]


def test_the_sentences_are_the_commands() -> None:
    report = made_ring.faulty_report()
    shown = told(report)
    assert shown["mm"]["headline"] == report.headline
    assert shown["inch"]["headline"] == headline(report.verdicts, "inch")
    assert shown["mm"]["joints"][7]["reasons"][0] == "open 0.360 ± 0.030 mm at the outside"
    assert shown["mm"]["advice"] == [item.to_dict() for item in report.advice]
    assert shown["inch"]["advice"] == [item.to_dict() for item in report.advice_in("inch")]
    assert shown["mm"]["joint_order"][0] == 8
    assert shown["mm"]["segment_order"][0] == 7


def test_every_value_carries_its_uncertainty_or_its_reason() -> None:
    plan = made_ring.make_plan()
    joints = {
        2: {"gap_middle_mm": Below(0.12), "gap_inside_mm": Unknown("a shadow lies over it")},
        5: {"found": False, "faces_px": None, "reason": "nothing was seen here"},
    }
    report = made_ring.make_report_of(plan, made_ring.make_measurement(plan, joints))
    for shown in told(report).values():
        for value in values_of(shown):
            assert "±" in value["full"] or "below" in value["full"] or value["reason"]
    second = told(report)["mm"]["joints"][1]["values"]
    assert second["middle"]["full"] == "below 0.12 mm"
    assert second["inside"]["reason"] == "a shadow lies over it"


def test_a_budget_lists_each_cause_against_the_largest() -> None:
    value = told(made_ring.faulty_report())["mm"]["joints"][7]["values"]["outside"]
    assert [part["name"] for part in value["budget"]] == ["edge fit", "tone curve"]
    assert [part["share"] for part in value["budget"]] == [1.0, 1.0]
    assert value["budget"][0]["shown"] == "0.021 mm"  # U of 0.030 mm from two equal causes


def test_a_blocked_joint_is_said_in_either_unit() -> None:
    plan = made_ring.make_plan(joint="spaced")
    report = made_ring.make_report_of(
        plan, made_ring.make_measurement(plan, {4: {"blocked_mm": (76.2, 101.6)}})
    )
    assert told(report)["mm"]["joints"][3]["blocked"] == "Blocked from 76.20 mm to 101.60 mm from the centre."
    assert "3.000 in to 4.000 in" in told(report)["inch"]["joints"][3]["blocked"]
    assert told(report)["mm"]["joints"][4]["blocked"] is None


def test_a_plan_is_looked_at_while_it_is_typed(client: TestClient) -> None:
    keys = {"segments": 12, "joint": "closed", "across_flats_mm": 240, "width_mm": 32, "thickness_mm": 19}
    answer = client.post("/api/plan", json=keys).json()
    assert answer["words"]["mm"].startswith("12 segments, closed joints")
    # 240 tan(15 degrees) = 64.308
    assert answer["figures"]["mm"]["outer_length"] == "64.308 mm"
    assert answer["figures"]["mm"]["mitre"] == "15°"
    assert answer["figures"]["mm"]["tolerance"]["gap_mm"]
    assert answer["drawing"].startswith("<svg")
    assert answer["plan"]["tolerance"] == {}


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"segments": 2}, "segments"),
        ({"width_mm": 130}, "width_mm"),
        ({"thickness_mm": -1}, "thickness_mm"),
        ({"joint": "spaced", "gap_mm": -2}, "gap_mm"),
        ({"across_flats_mm": "wide"}, "across_flats_mm"),
        ({"tolerance": {"gap_mm": 0}}, "tolerance"),
    ],
)
def test_a_wrong_number_is_named(client: TestClient, change: dict[str, Any], key: str) -> None:
    keys = {"segments": 12, "joint": "closed", "across_flats_mm": 240, "width_mm": 32, "thickness_mm": 19}
    answer = client.post("/api/plan", json={**keys, **change})
    assert answer.status_code == 400
    assert key in answer.json()["error"]["message"]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_cards_can_be_printed(client: TestClient, paper: str) -> None:
    answer = client.get(f"/api/cards.pdf?paper={paper}")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")


def test_a_paper_that_there_is_none_of(client: TestClient) -> None:
    answer = client.get("/api/cards.pdf?paper=wall")
    assert answer.status_code == 400
    assert "wall" in answer.json()["error"]["message"]
