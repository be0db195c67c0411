"""The lamp behind all lit strips: profiles of walls whose strips are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.faces.lamp import PLACES, Lines, WallSight, possible_lines

Array = NDArray[np.float64]

BLUR_PX = 0.9
WOOD, LIT, DARK = 0.40, 0.30, 0.02
REACH_PX, WALL_PX = 3.0, 18.0
"""Slope of view times gap, and times thickness: a 3 mm gap in 18 mm thick wood."""
LAMP_DEG, LAMP_SLOPE = 70.0, 0.7
"""Where the lamp stands, and the tangent of its height that makes a strip: width = reach x slope / cos."""


def profile(strip_px: float, seed: int, halo: float = 0.0, strip_light: float = LIT) -> Array:
    """Light across an edge with a strip below it, as the plain fit centres it: on the strip's far side.

    ``halo`` is the overshoot of a phone's sharpening, as a share of the contrast.
    """
    rest = PLACES + strip_px
    near, far = ndtr(rest / BLUR_PX), ndtr((rest - strip_px) / BLUR_PX)
    light = WOOD + (strip_light - WOOD) * near + (DARK - strip_light) * far
    light = light + halo * (WOOD - DARK) * np.exp(-(((PLACES + 2.0) / 1.3) ** 2))
    return light + 0.001 * np.random.default_rng(seed).standard_normal(PLACES.size)


def strip_width_px(normal_deg: float, slope: float = LAMP_SLOPE) -> float:
    facing = np.cos(np.radians(normal_deg - LAMP_DEG))
    return float(min(REACH_PX * slope / facing, WALL_PX)) if facing > 0.2 else 0.0


def ring_of_walls(
    lit: bool, halo: float = 0.0, slope: float = LAMP_SLOPE, strip_light: float = LIT
) -> list[WallSight]:
    """Twelve joints from above their middle: of every joint one wall is seen, the other hidden."""
    walls = []
    for joint in range(12):
        seen_deg, hidden_deg = 30.0 * joint + 90.0, 30.0 * joint - 90.0
        width = strip_width_px(seen_deg, slope) if lit else 0.0
        walls.append(WallSight(profile(width, joint, halo, strip_light), REACH_PX, WALL_PX, seen_deg))
        walls.append(WallSight(profile(0.0, 100 + joint, halo), 0.0, 0.0, hidden_deg))
    return walls


def likeliest(lines: Lines) -> float:
    """Where the edge would lie by its own wall and the lamp alone, px."""
    return float(lines.shift[np.argmin(lines.cost)])


def against(lines: Lines, shift_px: float) -> float:
    """What speaks against an edge there, over the likeliest."""
    near = np.abs(lines.shift - shift_px) < 0.5
    return float(np.min(lines.cost[near], initial=np.inf) - lines.cost.min())


def test_one_lamps_strips_are_found() -> None:
    walls = ring_of_walls(lit=True)
    found = 0
    for wall, lines in zip(walls, possible_lines(walls, BLUR_PX), strict=True):
        width = strip_width_px(wall.normal_deg) if wall.wall_px else 0.0
        if 1.5 < width < 6.5:
            found += 1
            # The edge lies a strip's width outside of the line that the plain fit took.
            assert likeliest(lines) == pytest.approx(-width, abs=0.4)
    assert found >= 4


def test_walls_turned_from_the_lamp_have_no_strip() -> None:
    walls = ring_of_walls(lit=True)
    for wall, lines in zip(walls, possible_lines(walls, BLUR_PX), strict=True):
        if not wall.wall_px or strip_width_px(wall.normal_deg) == 0.0:
            assert likeliest(lines) == 0.0


def test_a_hidden_wall_has_one_line() -> None:
    walls = ring_of_walls(lit=True)
    for wall, lines in zip(walls, possible_lines(walls, BLUR_PX), strict=True):
        assert (lines.shift.size == 1) == (wall.wall_px == 0.0)


def test_without_a_lamp_no_strip_is_likely_but_none_is_ruled_out() -> None:
    """A strip of just the wood's light would look like this: seldom, but not never."""
    walls = ring_of_walls(lit=False)
    for wall, lines in zip(walls, possible_lines(walls, BLUR_PX), strict=True):
        assert likeliest(lines) == 0.0
        if wall.wall_px:
            assert 4.0 < np.min(lines.cost[1:]) < 12.0


def test_what_hidden_walls_show_too_is_the_phones_halo_and_no_strip() -> None:
    walls = ring_of_walls(lit=False, halo=0.08)
    assert all(likeliest(lines) == 0.0 for lines in possible_lines(walls, BLUR_PX))
    # Without the hidden walls as control, the same profiles speak for strips.
    seen_only = [wall for wall in walls if wall.wall_px]
    alone = possible_lines(seen_only, BLUR_PX)
    assert sum(likeliest(lines) != 0.0 for lines in alone) > 0


@pytest.mark.parametrize("width", [3.0, 8.0, 11.0])
def test_one_odd_wall_makes_no_lamp(width: float) -> None:
    walls = ring_of_walls(lit=False)
    walls[6] = WallSight(profile(width, 6), REACH_PX, WALL_PX, walls[6].normal_deg)
    lines = possible_lines(walls, BLUR_PX)
    odd = lines.pop(6)
    assert against(odd, -width) < 6.0
    assert all(likeliest(other) == 0.0 for other in lines)


def test_a_wall_speaks_for_its_own_strip_too_where_a_lamp_makes_another() -> None:
    """The lamp makes a strip of 2.2 px below joint 1's wall; its profile shows one of 5 px."""
    walls = ring_of_walls(lit=True)
    agreed = possible_lines(walls, BLUR_PX)[0]
    walls[0] = WallSight(profile(5.0, 0), REACH_PX, WALL_PX, walls[0].normal_deg)
    doubted = possible_lines(walls, BLUR_PX)[0]
    assert against(doubted, -5.0) < against(agreed, -5.0)
    assert against(doubted, -5.0) < 4.0


@pytest.mark.parametrize(("slope", "is_lamp"), [(0.2, False), (0.5, True)])
def test_strips_too_narrow_to_be_seen_make_no_lamp(slope: float, is_lamp: bool) -> None:
    """What the phone does to every edge looks like a strip of half a pixel."""
    walls = ring_of_walls(lit=True, slope=slope, strip_light=0.36)
    seen_only = [wall for wall in walls if wall.wall_px and strip_width_px(wall.normal_deg, slope)]
    for lines in possible_lines(seen_only, BLUR_PX):
        assert (np.min(lines.cost[1:]) < 4.0) == is_lamp


@pytest.mark.parametrize(("share", "is_lamp"), [(0.0, True), (0.4, False)])
def test_what_hidden_walls_show_as_often_is_grain_and_no_lamp(share: float, is_lamp: bool) -> None:
    """Lines of grain along the joints, in some of the walls that no lamp could be seen to light."""
    walls = ring_of_walls(lit=True)
    hidden = [index for index, wall in enumerate(walls) if not wall.wall_px]
    for index in hidden[: round(share * len(hidden))]:
        walls[index] = replace(walls[index], profile=profile(2.0 + 0.4 * (index % 5), index))
    lit = [strip_width_px(wall.normal_deg) > 1.5 if wall.wall_px else False for wall in walls]
    lines = possible_lines(walls, BLUR_PX)
    speaks = [np.min(line.cost[1:]) < 4.0 for line, is_lit in zip(lines, lit, strict=True) if is_lit]
    assert all(speaks) if is_lamp else not any(speaks)


def test_three_walls_are_too_few_for_a_lamp() -> None:
    walls = [wall for wall in ring_of_walls(lit=True) if strip_width_px(wall.normal_deg) and wall.wall_px]
    few, many = possible_lines(walls[:3], BLUR_PX), possible_lines(walls, BLUR_PX)
    # Each wall still speaks for its own strip; no lamp confirms it.
    assert against(many[0], 0.0) > against(few[0], 0.0) > 0.0
    assert possible_lines([], BLUR_PX) == []


def test_a_strip_as_wide_as_the_window_does_not_matter() -> None:
    """A lamp nearly overhead lights the walls deep down: no edge is near that could be mistaken."""
    walls = [
        WallSight(profile(0.0, joint) + (LIT - DARK) * (PLACES > 0.0), 60.0, 60.0, 30.0 * joint)
        for joint in range(12)
    ]
    for lines in possible_lines(walls, BLUR_PX):
        assert abs(likeliest(lines)) < 0.3
