"""A ring whose joints are gaps is not measured as one with closed joints: an edge would pass for a joint."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from accuracy.changed import coded, tones_by_place
from accuracy.maker import View
from accuracy.matrix import cases
from lightgap.check import find_reference
from lightgap.errors import RingError
from lightgap.photo import LINEAR_OF_CODE, read_photo
from lightgap.plan import Plan
from lightgap.ring.comb import find_comb
from lightgap.ring.outline import find_outline, find_outline_unscaled
from lightgap.samples import Sample, read_samples
from ring_scenes import ring

SAMPLES = {sample.name: sample for sample in read_samples()}


def entered_as_closed(sample: Sample) -> None:
    """Look for the joints of a sample's ring as if they were closed."""
    photo = read_photo(sample.photo)
    outline = find_outline(photo, find_reference(photo, sample.plan, sample.reference).camera, sample.plan)
    find_comb(photo, outline, replace(sample.plan, joint="closed", gap_mm=0.0, gap_deg=0.0))


@pytest.mark.parametrize(
    "name", ["walnut16_spaced", "cherry16_spaced_side_light", "ash16_resin", "wenge8_tapered_sheet"]
)
def test_gaps_that_were_entered_as_closed_joints_are_told(name: str) -> None:
    with pytest.raises(RingError, match="closed joints were entered") as told:
        entered_as_closed(SAMPLES[name])
    width = re.search(r"gaps of about ([\d.]+) mm", told.value.message)
    assert width is not None
    # Roughly: enough to see what is meant. A gap's shadowed wall counts as gap or as wood.
    assert float(width[1]) == pytest.approx(SAMPLES[name].plan.gap_mm, rel=0.4)
    assert "Choose spaced or tapered" in told.value.hint


@pytest.mark.parametrize("name", ["oak12_closed", "padauk8_glue_sheet", "cherry24_closed_clamped"])
def test_closed_joints_are_not_taken_for_gaps(name: str) -> None:
    """One with wide glue lines and one under clamps, pencil marks and sawdust among them."""
    entered_as_closed(SAMPLES[name])


def test_clear_thin_lines_are_no_gaps_though_a_rough_pose_smears_them() -> None:
    # The benchmark's seed 506, case 133: plain maple from 25 degrees aside; half of the joints under 0.1 mm.
    case = cases(506, 160)[133]
    drawn = case.draw()
    find_comb(drawn.photo, find_outline_unscaled(drawn.photo, case.plan), case.plan, rough=True)


def test_tones_mapped_by_place_make_no_gaps_of_the_joints_of_two_woods() -> None:
    """Each wood is made darker or brighter towards the other, over some 4 mm: a band of any width shows."""
    plan = Plan(24, "closed", 300.0, 38.0, 19.0)
    view = View(mm_per_px=0.18, tilt_deg=7.0, margin_mm=20.0)
    drawn = ring(plan, woods=("beech", "walnut"), view=view, figure=0.05)
    photo = drawn.photo
    mapped = replace(photo, codes=coded(tones_by_place(LINEAR_OF_CODE[photo.codes], 25.0)))
    find_comb(mapped, find_outline_unscaled(photo, plan), plan)
