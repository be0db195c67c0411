"""The drawing of a plan has the plan's own geometry."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from lightgap.errors import PlanError
from lightgap.judge import outer_length_mm
from lightgap.plan import Plan, plan_from_mapping
from lightgap_web.drawing import ring_svg, segment_corners

SVG = "{http://www.w3.org/2000/svg}"


def plan(**keys: object) -> Plan:
    usual = {"segments": 12, "joint": "closed", "across_flats_mm": 240, "width_mm": 32, "thickness_mm": 19}
    return plan_from_mapping({**usual, **keys})


@pytest.mark.parametrize("outline", ["polygon", "round"])
@pytest.mark.parametrize(
    "joint",
    [
        {"joint": "closed"},
        {"joint": "spaced", "gap_mm": 3},
        {"joint": "tapered", "gap_deg": 2, "gap_mm": 5},
        {"joint": "tapered", "gap_deg": -1, "gap_mm": 4},
    ],
)
@pytest.mark.parametrize("segments", [3, 6, 7, 12, 48])
def test_segments_have_the_nominal_outer_edge(segments: int, joint: dict[str, object], outline: str) -> None:
    asked = plan(segments=segments, outline=outline, width_mm=12, **joint)
    for number in range(segments):
        corners = segment_corners(asked, number)
        assert np.hypot(*(corners[2] - corners[1])) == pytest.approx(outer_length_mm(asked), abs=1e-9)


def test_a_closed_hexagon_by_hand() -> None:
    """Six equilateral triangles: the outer edge is across flats / sqrt(3), the corner radius the same."""
    corners = segment_corners(plan(segments=6, width_mm=40), 0)
    assert np.hypot(*corners[1]) == pytest.approx(240 / math.sqrt(3))
    assert np.hypot(*(corners[2] - corners[1])) == pytest.approx(240 / math.sqrt(3))
    assert corners[1:3, 0] == pytest.approx([120, 120])  # this flat faces right


def test_closed_segments_touch_and_spaced_ones_stand_apart() -> None:
    for gap, keys in ((0.0, {}), (3.0, {"joint": "spaced", "gap_mm": 3})):
        asked = plan(**keys)
        first, second = segment_corners(asked, 0), segment_corners(asked, 1)
        assert np.hypot(*(second[1] - first[2])) == pytest.approx(gap, abs=1e-9)
        assert np.hypot(*(second[0] - first[3])) == pytest.approx(gap, abs=1e-9)


@given(
    segments=some.integers(3, 100),
    across=some.floats(10, 3000),
    width=some.floats(0.01, 0.999),
    joint=some.sampled_from(["closed", "spaced", "tapered"]),
    gap=some.floats(0.01, 0.3),
    taper=some.floats(-3, 3),
    outline=some.sampled_from(["polygon", "round"]),
)
def test_every_plan_that_is_accepted_can_be_drawn(
    segments: int, across: float, width: float, joint: str, gap: float, taper: float, outline: str
) -> None:
    keys: dict[str, object] = {"joint": joint, "outline": outline}
    if joint != "closed":
        keys["gap_mm"] = gap * across / segments
    if joint == "tapered":
        keys["gap_deg"] = taper
    try:
        asked = plan(segments=segments, across_flats_mm=across, width_mm=width * across / 2, **keys)
    except PlanError:
        return
    drawing = ring_svg(asked)
    assert "nan" not in drawing
    tree = ET.fromstring(drawing)
    assert len(tree.findall(f"{SVG}path")) == segments
    left, top, wide, high = (float(part) for part in tree.attrib["viewBox"].split())
    for number in range(segments):
        x, y = segment_corners(asked, number).T
        assert left <= x.min() and x.max() <= left + wide
        assert top <= y.min() and y.max() <= top + high


def test_each_dimension_bears_its_key() -> None:
    tree = ET.fromstring(ring_svg(plan(joint="spaced", gap_mm=3)))
    keys = {line.attrib["data-key"] for line in tree.findall(f"{SVG}line")}
    assert keys == {"across_flats_mm", "width_mm", "thickness_mm", "gap_mm"}
