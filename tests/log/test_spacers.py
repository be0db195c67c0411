"""The gaps of spaced joints: one ring, a build's rings, and the spacer they were made with."""

from __future__ import annotations

import pytest

from lightgap.errors import LogError
from lightgap.log.spacers import build_spread, ring_spread, say, spread
from lightgap.report import Report
from lightgap.values import Below, Contribution, Unknown, Value
from made_ring import make_measurement, make_plan, make_report_of, mm

PLAN = make_plan(joint="spaced", gap_mm=3.0)


def _ring(*middles: float, u95: float = 0.04) -> Report:
    """A spaced ring whose joints' middles are as given, the rest 3.00 mm."""
    joints = {number: {"gap_middle_mm": mm(middle, u95)} for number, middle in enumerate(middles, 1)}
    return make_report_of(PLAN, make_measurement(PLAN, joints))


def test_a_ring_of_equal_gaps_shows_no_spread_of_its_own() -> None:
    result = ring_spread(_ring(3.01, 2.99, 3.01, 2.99))
    assert not result.beyond_measuring and result.own_mm.value == 0.0
    assert not result.off_is_real
    told = " ".join(say(result))
    assert "not to be told from the spacer of 3 mm" in told
    assert "no more than measuring explains" in told


def test_one_wide_gap_is_named() -> None:
    result = ring_spread(_ring(3.0, 3.0, 3.4))
    assert result.beyond_measuring
    assert result.labels[result.worst] == "joint 3"
    assert [result.labels[place] for place in result.limits.beyond] == ["joint 3"]
    told = " ".join(say(result))
    assert "Worst: joint 3, 3.40 ± 0.04 mm" in told
    assert "differ among themselves" in told and "less than 0.1 %" in told


def test_what_all_gaps_share_is_kept_out_of_the_test_and_in_the_mean() -> None:
    parts = (Contribution("edge fit", 0.01), Contribution("scale", 0.5))
    values = tuple(Value(length, parts) for length in (2.9, 3.1, 2.9, 3.1))
    result = spread(("a", "b", "c", "d"), values, 3.0)
    assert result.beyond_measuring
    assert result.mean.standard == pytest.approx((0.01**2 / 4 + 0.5**2) ** 0.5)


def test_the_spacer_measured_by_hand_stands_in_for_the_plans_gap() -> None:
    result = ring_spread(_ring(*[3.2] * 12), spacer=mm(3.18, 0.02))
    assert result.nominal_mm == 3.18
    assert result.mean.standard >= 0.01
    assert not result.off_is_real
    assert ring_spread(_ring(*[3.2] * 12)).off_is_real


def test_a_tapered_ring_is_held_against_the_gap_planned_at_each_station() -> None:
    plan = make_plan(joint="tapered", gap_mm=3.0, gap_deg=1.5)
    report = make_report_of(plan, make_measurement(plan))
    for place in ("inside", "middle", "outside"):
        assert ring_spread(report, place).off_nominal.value == pytest.approx(0.0, abs=1e-9)  # type: ignore[arg-type]


def test_joints_without_a_value_are_left_out_and_named() -> None:
    joints = {2: {"gap_middle_mm": Unknown("sawdust")}, 5: {"gap_middle_mm": Below(0.05)}}
    result = ring_spread(make_report_of(PLAN, make_measurement(PLAN, joints)))
    assert result.left_out == ("joint 2", "joint 5")
    assert len(result.values) == 10
    assert "Left out, not measured: joint 2 and joint 5." in say(result)


def test_the_rings_of_a_build_are_compared_by_their_means() -> None:
    rings = [(f"ring {n}", ring_spread(_ring(*[gap] * 12))) for n, gap in enumerate((3.0, 3.0, 3.3), 1)]
    result = build_spread(rings)
    assert result.beyond_measuring and result.labels[result.worst] == "ring 3"
    assert not build_spread(rings[:2]).beyond_measuring


def test_rings_of_different_spacers_are_not_compared() -> None:
    other = make_plan(joint="spaced", gap_mm=2.0)
    rings = [("a", ring_spread(_ring())), ("b", ring_spread(make_report_of(other, make_measurement(other))))]
    with pytest.raises(LogError, match="different gaps"):
        build_spread(rings)


def test_closed_joints_and_single_gaps_have_no_spread() -> None:
    closed = make_plan()
    with pytest.raises(LogError, match="no spacer"):
        ring_spread(make_report_of(closed, make_measurement(closed)))
    joints = {number: {"gap_middle_mm": Unknown("dark")} for number in range(2, 13)}
    with pytest.raises(LogError, match="at least two"):
        ring_spread(make_report_of(PLAN, make_measurement(PLAN, joints)))


def test_inches() -> None:
    assert "in (" in say(ring_spread(_ring()), "inch")[0]
