"""The stack: to scale, in order, each ring marked by word and shape."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest

from lightgap.judge import Verdict
from lightgap.show.elevation import WIDTH, Elevation, Storey, elevation, svg
from made_ring import make_plan

SVG = "{http://www.w3.org/2000/svg}"


def _stack(*sizes: tuple[float, float], verdict: Verdict | None = Verdict.IN) -> Elevation:
    return elevation(
        [
            Storey(number, f"ring {number}", make_plan(across_flats_mm=width, thickness_mm=height), verdict)
            for number, (width, height) in enumerate(sizes, 1)
        ]
    )


def test_rings_stand_one_upon_the_other_to_one_scale() -> None:
    sizes = [(220.0, 20.0), (180.0, 30.0), (240.0, 15.0)]
    courses = _stack(*sizes).courses
    scale = courses[0].width / 220.0
    for course, (width, height) in zip(courses, sizes, strict=True):
        assert course.width == pytest.approx(scale * width)
        assert course.height == pytest.approx(scale * height)
        assert course.left + course.width / 2 == pytest.approx(courses[0].left + courses[0].width / 2)
    for lower, upper in pairwise(courses):
        assert upper.top + upper.height == pytest.approx(lower.top)


def test_joints_stand_where_the_plan_has_them() -> None:
    """Six of twelve joints face the reader; the next ring's stand half a pitch on, like bricks."""
    lower, upper = _stack((200.0, 20.0), (200.0, 20.0)).courses
    axis, scale = lower.left + lower.width / 2, lower.width / 200.0
    wanted = [100.0 * math.sin(math.radians(angle)) for angle in (-60, -30, 0, 30, 60)]
    assert [(left - axis) / scale for left, _ in lower.slots] == pytest.approx(wanted)
    wanted = [100.0 * math.sin(math.radians(angle)) for angle in (-75, -45, -15, 15, 45, 75)]
    assert [(left - axis) / scale for left, _ in upper.slots] == pytest.approx(wanted)


def test_an_open_joint_is_drawn_as_wide_as_it_is() -> None:
    plan = make_plan(joint="spaced", gap_mm=4.0)
    (course,) = elevation([Storey(1, "ring 1", plan, None)]).courses
    left, right = course.slots[2]
    assert (right - left) / (course.width / plan.across_flats_mm) == pytest.approx(4.0)


@pytest.mark.parametrize("count", [1, 2, 12, 60])
def test_no_two_names_overlap_and_all_lie_in_the_drawing(count: int) -> None:
    drawing = _stack(*[(240.0, 4.0)] * count)
    levels = [course.label[1] for course in drawing.courses]
    assert all(lower - upper >= 22.0 - 1e-6 for lower, upper in pairwise(levels))
    assert min(levels) > 0.0 and max(levels) < drawing.height
    assert drawing.courses[0].top + drawing.courses[0].height < drawing.height


def test_each_ring_says_its_verdict_by_word_and_shape_and_leads_somewhere() -> None:
    verdicts = [Verdict.IN, Verdict.OUT, Verdict.CLOSE, Verdict.UNMEASURED, None]
    storeys = [Storey(7 + n, f"<ring> {n}", make_plan(), verdict) for n, verdict in enumerate(verdicts)]
    drawn = svg(elevation(storeys, "inch"), link="/rings/{}")
    root = ET.fromstring(drawn)
    groups = {g.get("data-ring"): g for g in root.iter(f"{SVG}g")}
    for storey in storeys:
        group = groups[str(storey.key)]
        assert "".join(group.find(f"{SVG}text").itertext()) == f"{storey.name} {storey.said}"  # type: ignore[union-attr]
    shapes = [len(list(group.iter(f"{SVG}circle"))) for group in groups.values()]
    assert sum(shapes) == 1
    corners = {
        key: [p.get("points", "").count(",") for p in g.iter(f"{SVG}polygon")] for key, g in groups.items()
    }
    assert corners == {"7": [], "8": [4], "9": [3], "10": [4], "11": []}
    assert [a.get("href") for a in root.iter(f"{SVG}a")] == [f"/rings/{key}" for key in (11, 10, 9, 8, 7)]
    assert "8.661 in across, 3.937 in high" in drawn
    assert root.get("viewBox", "").split()[2] == f"{WIDTH:g}"


def test_a_stack_of_no_rings_is_not_drawn() -> None:
    with pytest.raises(ValueError, match="no rings"):
        elevation([])
