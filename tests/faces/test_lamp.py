"""The lamp behind all lit strips: profiles of walls whose strips are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.faces.lamp import PLACES, LitStrip, WallSight, find_strips

Array = NDArray[np.float64]

BLUR_PX = 0.9
WOOD, LIT, DARK = 0.40, 0.30, 0.02
REACH_PX, WALL_PX = 3.0, 18.0
"""Slope of view times gap, and times thickness: a 3 mm gap in 18 mm thick wood."""
LAMP_DEG, LAMP_SLOPE = 70.0, 0.7
"""Where the lamp stands, and the tangent of its height that makes a strip: width = reach x slope / cos."""


def profile(strip_px: float, seed: int, halo: float = 0.0) -> Array:
    """Light across an edge with a strip below it, as the plain fit centres it: on the strip's far side.

    ``halo`` is the overshoot of a phone's sharpening, as a share of the contrast.
    """
    rest = PLACES + strip_px
    light = WOOD + (LIT - WOOD) * ndtr(rest / BLUR_PX) + (DARK - LIT) * ndtr((rest - strip_px) / BLUR_PX)
    light = light + halo * (WOOD - DARK) * np.exp(-(((PLACES + 2.0) / 1.3) ** 2))
    return light + 0.001 * np.random.default_rng(seed).standard_normal(PLACES.size)


def strip_width_px(normal_deg: float) -> float:
    facing = np.cos(np.radians(normal_deg - LAMP_DEG))
    return float(min(REACH_PX * LAMP_SLOPE / facing, WALL_PX)) if facing > 0.2 else 0.0


def ring_of_walls(lit: bool, halo: float = 0.0) -> list[WallSight]:
    """Twelve joints from above their middle: of every joint one wall is seen, the other hidden."""
    walls = []
    for joint in range(12):
        seen_deg, hidden_deg = 30.0 * joint + 90.0, 30.0 * joint - 90.0
        width = strip_width_px(seen_deg) if lit else 0.0
        walls.append(WallSight(profile(width, joint, halo), REACH_PX, WALL_PX, seen_deg))
        walls.append(WallSight(profile(0.0, 100 + joint, halo), 0.0, 0.0, hidden_deg))
    return walls


def test_one_lamps_strips_are_found() -> None:
    walls = ring_of_walls(lit=True)
    strips = find_strips(walls, BLUR_PX)
    found = 0
    for wall, strip in zip(walls, strips, strict=True):
        width = strip_width_px(wall.normal_deg) if wall.wall_px else 0.0
        if not 1.5 < width < 6.5:
            continue
        found += 1
        assert strip is not None
        assert strip.width_px == pytest.approx(width, rel=0.25)
        # The edge lies a strip's width outside of the line that the plain fit took.
        assert strip.shift_px == pytest.approx(-width, abs=0.3)
        assert strip.either_px > 0.0
    assert found >= 4


def test_walls_turned_from_the_lamp_have_no_strip() -> None:
    walls = ring_of_walls(lit=True)
    for wall, strip in zip(walls, find_strips(walls, BLUR_PX), strict=True):
        if not wall.wall_px or strip_width_px(wall.normal_deg) == 0.0:
            assert strip is None or strip.shift_px == 0.0


def test_no_strip_is_found_where_none_is() -> None:
    assert find_strips(ring_of_walls(lit=False), BLUR_PX) == [None] * 24


def test_what_hidden_walls_show_too_is_the_phones_halo_and_no_strip() -> None:
    strips = find_strips(ring_of_walls(lit=False, halo=0.08), BLUR_PX)
    assert all(strip is None or strip.shift_px == 0.0 for strip in strips)
    # Without the hidden walls as control, the same profiles would be taken for strips.
    seen_only = [wall for wall in ring_of_walls(lit=False, halo=0.08) if wall.wall_px]
    alone = find_strips(seen_only, BLUR_PX)
    assert sum(strip is not None for strip in alone) > sum(strip is not None for strip in strips)


def test_one_odd_wall_makes_no_lamp_but_a_doubt() -> None:
    walls = ring_of_walls(lit=False)
    walls[6] = WallSight(profile(3.0, 6), REACH_PX, WALL_PX, walls[6].normal_deg)
    strips = find_strips(walls, BLUR_PX)
    odd = strips.pop(6)
    assert odd is not None
    assert odd.shift_px == 0.0
    assert odd.either_px > 0.5
    assert strips == [None] * 23


def test_a_wall_that_speaks_against_the_lamp_is_doubted() -> None:
    """The lamp makes a strip of 2.2 px below joint 1's wall; its profile shows one of 5 px."""
    walls = ring_of_walls(lit=True)
    agreed = find_strips(walls, BLUR_PX)[0]
    walls[0] = WallSight(profile(5.0, 0), REACH_PX, WALL_PX, walls[0].normal_deg)
    doubted = find_strips(walls, BLUR_PX)[0]
    assert agreed is not None
    assert doubted is not None
    true_px = -5.0
    assert abs(doubted.shift_px - true_px) < 2.0 * doubted.either_px
    assert doubted.either_px > 3.0 * agreed.either_px


def test_three_walls_are_too_few_for_a_lamp() -> None:
    walls = [wall for wall in ring_of_walls(lit=True) if strip_width_px(wall.normal_deg) and wall.wall_px][:3]
    assert find_strips(walls, BLUR_PX) == [None] * 3
    assert find_strips([], BLUR_PX) == []


def test_a_strip_as_wide_as_the_window_does_not_matter() -> None:
    """A lamp nearly overhead lights the walls deep down: no edge is near that could be mistaken."""
    walls = [
        WallSight(profile(0.0, joint) + (LIT - DARK) * (PLACES > 0.0), 60.0, 60.0, 30.0 * joint)
        for joint in range(12)
    ]
    for strip in find_strips(walls, BLUR_PX):
        assert strip is None or isinstance(strip, LitStrip)
        assert strip is None or abs(strip.shift_px) < 0.3
