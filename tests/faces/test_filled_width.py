"""The width of a narrow filling by its colour."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from lightgap.faces.filled_width import FillingColour, WideFilling, filled_width, filling_colour
from lightgap.faces.squeeze import Beside, look_beside
from made_strip import Array, MadeJoint

CHERRY, GLUE = np.array([0.38, 0.20, 0.11]), np.array([0.55, 0.45, 0.25])
BLACK = np.zeros(3)
MADE = MadeJoint(0.5, px_per_mm=8.0, length_mm=26.0, noise=0.0)


def beside(width_mm: float, within: Array, seed: int = 0, figure: float = 0.04) -> Beside:
    """What is seen about a joint of one wood with a line of one colour in it."""
    strip = MADE.strip(seed)
    at, half, blur = strip.v * strip.scale, 0.5 * width_mm * strip.scale, MADE.blur_px
    share = (ndtr((at + half) / blur) - ndtr((at - half) / blur))[:, None]
    grain = replace(MADE, woods=(1.0, 1.0), slot=1.0, figure=figure, noise=0.004)
    light = (CHERRY * (1.0 - share) + within * share) * grain.strip(seed).light
    strip = replace(strip, light=light.astype(np.float32))
    return look_beside(strip, (0.0, 0.0), width_mm, MADE.u_range, 0.0, 100.0)


def colour() -> FillingColour:
    wide = [
        WideFilling(beside(gap, GLUE, seed), 8.0 * gap, 0.05, MADE.blur_px)
        for seed, gap in enumerate((0.5, 0.6))
    ]
    found = filling_colour(wide)
    assert found is not None
    return found


@pytest.mark.parametrize("width_mm", [0.08, 0.12, 0.2])
def test_a_line_too_narrow_for_its_edges_is_as_wide_as_its_colour_tells(width_mm: float) -> None:
    found = filled_width(beside(width_mm, GLUE, seed=5), MADE.blur_px, 0.0, colour())
    assert found is not None
    assert found.is_sure
    assert found.width_px == pytest.approx(8.0 * width_mm, rel=0.25)
    assert abs(found.width_px - 8.0 * width_mm) < 2.0 * found.standard_px


@pytest.mark.parametrize("gap_mm", [0.0, 0.1, 0.25])
def test_a_slot_holds_none_of_it(gap_mm: float) -> None:
    found = filled_width(beside(gap_mm, BLACK, seed=7), MADE.blur_px, 0.0, colour())
    assert found is not None
    assert not found.is_sure
    assert found.widest_px < 8.0 * 0.1


def test_a_slot_with_a_trace_of_the_colour_stays_a_slot() -> None:
    found = filled_width(beside(0.25, 0.1 * GLUE, seed=3), MADE.blur_px, 0.0, colour())
    assert found is not None
    assert not found.is_sure
    assert found.slot_px > found.width_px


def test_glues_of_different_colours_make_the_width_less_sure() -> None:
    brown = np.array([0.20, 0.13, 0.07])
    mixed = [
        WideFilling(beside(0.5, glue, seed), 4.0, 0.05, MADE.blur_px)
        for seed, glue in enumerate((GLUE, brown))
    ]
    found = filling_colour(mixed)
    assert found is not None
    assert found.relative > 0.5
    assert colour().relative < 0.15


def test_without_a_wide_filling_its_colour_is_unknown() -> None:
    assert filling_colour([]) is None
