"""How many segments the joints make: where grain runs like joints, and where gaps are all that shows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from accuracy.maker import View
from lightgap.plan import Plan
from lightgap.ring.count import JointCount, count_joints
from ring_scenes import CLOSED, SPACED, ring

EIGHT = Plan(8, "closed", 120.0, 22.0, 18.0, outline="round")
TAPERED = Plan(48, "tapered", 300.0, 40.0, 18.0, gap_mm=2.0, gap_deg=1.0, outline="round")


@pytest.mark.parametrize("wood", ["oak", "maple"])
def test_grain_that_runs_inward_is_not_taken_for_joints(wood: str) -> None:
    # In the middle of a segment each line of grain looks like a joint; but only at a joint the grain turns.
    view = View(mm_per_px=0.08, tilt_deg=7.0, margin_mm=10.0)
    drawn = ring(EIGHT, woods=(wood,), figure=0.2, grain_turn_deg=90.0, view=view)
    assert count_joints(drawn.photo, EIGHT, drawn.truth.outline()).vouches_for(EIGHT)


@pytest.mark.parametrize("plan", [SPACED, TAPERED], ids=["spaced", "tapered"])
def test_gaps_all_alike_are_all_counted(plan: Plan) -> None:
    # Here no weaker peaks are left from which the joints could be split off.
    drawn = ring(plan, woods=("maple",), figure=0.05)
    count = count_joints(drawn.photo, plan, drawn.truth.outline())
    assert count.segments == plan.segments
    assert count.clear > 0.7


def test_woods_in_turn_are_not_counted_as_pairs() -> None:
    drawn = ring(CLOSED, woods=("ash", "padauk"))
    for entered in (6, 12):
        count = count_joints(drawn.photo, replace(CLOSED, segments=entered), drawn.truth.outline())
        assert count.segments == 12


def test_joints_vouch_for_their_own_number_only_and_not_by_chance() -> None:
    assert JointCount(12, 0.48, 0.99).vouches_for(CLOSED)
    assert not JointCount(11, 0.90, 0.95).vouches_for(CLOSED)
    # Reached in a pose that was 26 degrees wrong.
    assert not JointCount(12, 0.56, 0.56).vouches_for(CLOSED)


def test_a_very_faint_outline_needs_joints_beyond_doubt() -> None:
    assert JointCount(12, 0.48, 0.99).vouches_for(CLOSED)
    assert not JointCount(12, 0.48, 0.99).vouches_for(CLOSED, surely=True)
    assert JointCount(12, 0.62, 0.99).vouches_for(CLOSED, surely=True)
