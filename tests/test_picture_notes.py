"""What the person is told of gaps that are all wider than planned."""

from __future__ import annotations

from dataclasses import replace

import pytest

from exact_ring import ExactRing
from lightgap.picture_notes import wide_gaps_note
from lightgap.plan import Plan

SPACED = Plan(12, "spaced", 200.0, 30.0, 18.0, gap_mm=3.0)


def test_gaps_as_planned_are_not_worth_a_word() -> None:
    assert wide_gaps_note(ExactRing(SPACED).measured(), SPACED) == ()
    # One that slipped is no matter of all of them.
    assert wide_gaps_note(ExactRing(SPACED, gap_mm={4: 4.0}).measured(), SPACED) == ()


@pytest.mark.parametrize("over_mm", [0.1, 0.3])
def test_gaps_all_wider_than_planned_may_be_spacers_or_rounded_edges(over_mm: float) -> None:
    wide = replace(SPACED, gap_mm=3.0 + over_mm)
    (note,) = wide_gaps_note(ExactRing(wide).measured(), SPACED)
    assert f"{over_mm:.2f} mm wider" in note
    assert "measure a spacer" in note


def test_open_joints_that_should_be_closed_are_another_matter() -> None:
    closed = replace(SPACED, joint="closed", gap_mm=0.0)
    assert wide_gaps_note(ExactRing(SPACED).measured(), closed) == ()
