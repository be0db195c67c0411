"""A closed joint's line sought again in short sections of its length."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.faces.closed import ClosedView, fit_closed
from lightgap.faces.sections import Spread, open_in_parts_mm, spread_of_sections
from lightgap.faces.strip import Strip
from made_strip import MadeJoint

TIGHT = MadeJoint(0.06, px_per_mm=8.0, length_mm=26.0, figure=0.05, noise=0.004)


def spread(strip: Strip) -> Spread:
    fit = fit_closed(ClosedView(strip, TIGHT.u_range, TIGHT.blur_px, 0.0, 0.0, 0.0))
    assert fit is not None
    return spread_of_sections(strip, fit, TIGHT.u_range, TIGHT.blur_px, 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_line_that_is_seen_all_along_is_not_doubted(seed: int) -> None:
    assert spread(TIGHT.strip(seed)) == Spread(0.0, 0.0, 0.0)


def test_grain_that_is_darker_in_part_of_the_length_makes_its_place_unsure() -> None:
    strip = TIGHT.strip()
    streak = np.exp(-0.5 * ((strip.v - 0.6) / 0.1) ** 2) * (strip.u > 0.15 * TIGHT.length_mm)
    grained = replace(strip, light=(strip.light * (1.0 - 0.6 * streak)[:, None]).astype(np.float32))
    found = spread(grained)
    assert 0.05 < found.place_mm < 0.6
    assert found.slope == pytest.approx(found.place_mm * np.sqrt(12.0) / np.ptp(TIGHT.u_range))


def test_a_joint_with_too_few_pixels_tells_nothing() -> None:
    strip = TIGHT.strip()
    fit = fit_closed(ClosedView(strip, TIGHT.u_range, TIGHT.blur_px, 0.0, 0.0, 0.0))
    assert fit is not None
    empty = strip.part(strip.u < 0.0)
    assert spread_of_sections(empty, fit, TIGHT.u_range, TIGHT.blur_px, 0.0) == Spread(0.0, 0.0, 0.0)


def test_a_slot_that_glue_bridges_in_half_of_its_length_is_seen_in_the_other_parts() -> None:
    """Five pixels wide; the fit followed the edge of what bridges it, and found a tight joint."""
    made = replace(TIGHT, gap_mm=0.6)
    strip = made.strip()
    bridged = (np.abs(strip.v) < 0.45) & (np.abs(strip.u) < 0.22 * made.length_mm)
    light = np.where(bridged[:, None], np.float32(0.34), strip.light)
    tight = fit_closed(ClosedView(TIGHT.strip(), TIGHT.u_range, TIGHT.blur_px, 0.0, 0.0, 0.0))
    assert tight is not None
    wider = open_in_parts_mm(replace(strip, light=light), replace(tight, centre_mm=-0.3), made.u_range)
    assert wider == pytest.approx(0.6 - tight.gap_mm, abs=0.15)


@pytest.mark.parametrize("gap_mm", [0.02, 0.1, 0.3])
def test_a_joint_as_wide_as_its_fit_stands_open_nowhere_else(gap_mm: float) -> None:
    made = replace(TIGHT, gap_mm=gap_mm, woods=(0.35, 0.3))
    strip = made.strip()
    fit = fit_closed(ClosedView(strip, made.u_range, made.blur_px, 0.0, 0.0, 0.0))
    assert fit is not None
    assert open_in_parts_mm(strip, fit, made.u_range) == 0.0
