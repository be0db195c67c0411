"""The plan: what a ring can be, what it cannot, and the limits it is judged against."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.errors import PlanError
from lightgap.plan import Plan, Tolerance, default_tolerance, plan_from_mapping, read_plan, to_mapping

CLOSED: dict[str, Any] = {
    "segments": 12,
    "joint": "closed",
    "across_flats_mm": 240.0,
    "width_mm": 32.0,
    "thickness_mm": 19.0,
}
SPACED = {**CLOSED, "joint": "spaced", "gap_mm": 3.0}
TAPERED = {**CLOSED, "joint": "tapered", "gap_deg": 2.0}

RING_TOML = """
segments = 12
joint = "spaced"            # closed | spaced | tapered
gap_mm = 3.0
across_flats_mm = 240.0
width_mm = 32.0
thickness_mm = 19.0
outline = "polygon"         # polygon | round

[tolerance]
gap_mm = 0.2
skew_deg = 0.4
mitre_deg = false
"""


def refused(keys: dict[str, Any]) -> PlanError:
    with pytest.raises(PlanError) as raised:
        plan_from_mapping(keys)
    assert raised.value.message.endswith(".")
    assert raised.value.hint
    return raised.value


def test_a_plan_from_its_file(tmp_path: Path) -> None:
    path = tmp_path / "ring.toml"
    path.write_text(RING_TOML)
    plan = read_plan(path)
    assert (plan.segments, plan.joint, plan.gap_mm, plan.outline) == (12, "spaced", 3.0, "polygon")
    assert (plan.mitre_deg, plan.pitch_deg, plan.outer_mm, plan.inner_mm) == (15.0, 30.0, 120.0, 88.0)


def test_limits_that_the_plan_leaves_out_are_the_defaults_and_false_is_not_judged(tmp_path: Path) -> None:
    path = tmp_path / "ring.toml"
    path.write_text(RING_TOML)
    limits = read_plan(path).tolerance
    assert (limits.gap_mm, limits.skew_deg, limits.mitre_deg) == (0.2, 0.4, None)
    assert limits.taper_deg == default_tolerance("spaced").taper_deg


def test_a_closed_joint_may_stand_open_by_the_thickest_strong_glue_line() -> None:
    # PVA: 0.002 to 0.006 in (0.05 to 0.15 mm): G. Wengert, "Thick glue lines", woodworkingnetwork.com.
    limit = default_tolerance("closed").gap_mm
    assert limit is not None
    assert limit <= 0.006 * 25.4 < limit + 0.005
    assert plan_from_mapping(CLOSED).tolerance == default_tolerance("closed")


def test_a_tapered_gap_points_at_the_centre_unless_the_plan_says_otherwise() -> None:
    plan = plan_from_mapping(TAPERED)
    assert plan.gap_mm == pytest.approx(2.0 * plan.middle_radius_mm * math.tan(math.radians(1.0)))
    assert plan_from_mapping({**TAPERED, "gap_mm": 6.0}).gap_mm == 6.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"segments": 2}, "segments 2 is not possible"),
        ({"segments": 101}, "segments 101 is not possible"),
        ({"segments": 12.5}, "segments 12.5 is no whole number"),
        ({"segments": "12"}, "segments '12' is no whole number"),
        ({"segments": True}, "segments True is no whole number"),
        ({"segments": math.nan}, "segments nan is no whole number"),
        ({"width_mm": 120.0}, "width_mm 120 is not less than the ring's radius of 120 mm"),
        ({"width_mm": 150.0}, "width_mm 150 is not less than the ring's radius of 120 mm"),
        ({"width_mm": 0.0}, "width_mm 0.0 is not possible"),
        ({"width_mm": math.nan}, "width_mm nan is not a number"),
        ({"width_mm": math.inf}, "width_mm inf is not a number"),
        ({"width_mm": 10**400}, "width_mm 1000"),
        ({"width_mm": "32 mm"}, "width_mm '32 mm' is not a number"),
        ({"width_mm": [32.0]}, "width_mm [32.0] is not a number"),
        ({"width_mm": None}, "width_mm is missing"),
        ({"across_flats_mm": -240.0}, "across_flats_mm -240.0 is not possible"),
        ({"thickness_mm": 0.0}, "thickness_mm 0.0 is not possible"),
        ({"thickness_mm": 1900.0}, "thickness_mm 1900.0 is not possible"),
        ({"reference_height_mm": -5.0}, "reference_height_mm -5.0 is not possible"),
        ({"joint": "mitred"}, "joint cannot be 'mitred'"),
        ({"joint": 3}, "joint cannot be 3"),
        ({"outline": "square"}, "outline cannot be 'square'"),
        ({"joint": "spaced"}, "gap_mm must be above 0"),
        ({"joint": "spaced", "gap_mm": -3.0}, "gap_mm -3.0 is not possible"),
        ({"joint": "spaced", "gap_mm": 60.0}, "gap_mm 60 leaves no wood for 12 segments"),
        ({"joint": "spaced", "gap_mm": 3.0, "gap_deg": 2.0}, "gap_deg must be left out"),
        ({"joint": "tapered"}, "gap_deg is missing"),
        ({"joint": "tapered", "gap_deg": -2.0}, "gap_mm is missing"),
        ({"joint": "tapered", "gap_deg": 2.0, "gap_mm": 0.5}, "gap_mm 0.5 is too narrow"),
        ({"joint": "tapered", "gap_deg": 31.0}, "gap_deg 31 leaves no wood"),
        ({"gap_mm": 3.0}, "gap_mm 3 does not go with closed joints"),
        ({"gap_mm": -1.0}, "gap_mm -1.0 is not possible"),
        ({"tolerance": 0.2}, "tolerance is not a table"),
        ({"tolerance": {"gap_mm": -0.2}}, "gap_mm -0.2 is no tolerance"),
        ({"tolerance": {"gap_mm": 0}}, "gap_mm 0 is no tolerance"),
        ({"tolerance": {"gap_mm": True}}, "gap_mm True is no tolerance"),
        ({"tolerance": {"gap_mm": math.nan}}, "gap_mm nan is no tolerance"),
        ({"tolerance": {"gap_mm": "0.2"}}, "gap_mm '0.2' is no tolerance"),
    ],
)
def test_numbers_that_no_ring_can_have(change: dict[str, Any], said: str) -> None:
    assert refused({**CLOSED, **change}).message.startswith(said)


def test_all_that_is_missing_is_said_at_once() -> None:
    error = refused({"segments": 12, "joint": "closed"})
    assert error.message == "across_flats_mm, width_mm and thickness_mm are missing from the plan."


@pytest.mark.parametrize(
    ("change", "hint"),
    [
        ({"gap": 3.0}, "Did you mean gap_mm?"),
        ({"acros_flats_mm": 240.0}, "Did you mean across_flats_mm?"),
        ({"tolerance": {"mitre": 0.2}}, "Did you mean mitre_deg?"),
        ({"colour": "red"}, "The keys are segments, joint,"),
    ],
)
def test_an_unknown_key_is_named(change: dict[str, Any], hint: str) -> None:
    assert refused({**CLOSED, **change}).hint.startswith(hint)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"segments = \n", "not written as a plan"),
        (b"segments = 12\nsegments = 12\n", "line 2"),
        (b"\xff\xd8\xff\xe0 a photo", "it is no text"),
        (b"[" * 50_000, "not written as a plan"),
        (b"# " + b"x" * 200_000, "too large"),
        (b"", "segments, joint, across_flats_mm, width_mm and thickness_mm are missing"),
    ],
    ids=["broken", "twice", "photo", "nested", "large", "empty"],
)
def test_a_file_that_is_no_plan(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "ring.toml"
    path.write_bytes(content)
    with pytest.raises(PlanError) as raised:
        read_plan(path)
    assert said in raised.value.message
    assert "\n" not in raised.value.message


@pytest.mark.parametrize("name", ["none.toml", "."])
def test_a_plan_that_is_not_there(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        read_plan(tmp_path / name)


@pytest.mark.parametrize("keys", [CLOSED, SPACED, TAPERED, {**TAPERED, "outline": "round"}])
def test_a_plan_goes_out_and_comes_back_the_same(keys: dict[str, Any]) -> None:
    limits = {"gap_mm": 0.12, "pitch_error_deg": None}
    plan = plan_from_mapping({**keys, "reference_height_mm": 19.0, "tolerance": limits})
    assert plan_from_mapping(to_mapping(plan)) == plan


@given(
    segments=st.integers(3, 100),
    size=st.floats(50.0, 1000.0),
    width=st.floats(0.02, 0.45),
    gap=st.floats(0.001, 0.9),
)
def test_a_parallel_gap_takes_the_same_from_every_edge(
    segments: int, size: float, width: float, gap: float
) -> None:
    closed = Plan(segments, "closed", size, width * size, 20.0)
    mitre = math.radians(closed.mitre_deg)
    inner = closed.edge_length_mm(closed.inner_mm)
    assert inner == pytest.approx(2.0 * closed.inner_mm * math.tan(mitre))
    spaced = Plan(segments, "spaced", size, width * size, 20.0, gap_mm=gap * inner * math.cos(mitre))
    assert spaced.edge_length_mm(spaced.inner_mm) == pytest.approx((1.0 - gap) * inner)
    assert plan_from_mapping(to_mapping(spaced)) == spaced


def test_a_default_limit_is_never_missing_where_it_makes_the_joint() -> None:
    for style in ("closed", "spaced", "tapered"):
        limits = default_tolerance(style)
        assert limits.gap_mm and limits.taper_deg and limits.mitre_deg
        assert isinstance(limits, Tolerance)
