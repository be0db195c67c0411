"""Where the grain of the top face ends, also where the wall below is as bright as the wood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from lightgap.faces.grain_end import GrainEnd, follow_grain, grain_costs
from lightgap.faces.strip import Strip
from made_strip import MadeJoint

Array = NDArray[np.float64]

JOINT = MadeJoint(3.0, noise=0.004)
STRIP_PX = 3.0
"""Below face b: a strip of wall as bright as the wood, then the dark slot."""
GRAIN_DEG = 15.0
SHIFTS = np.array([0.0, -1.5, -3.0, 1.5])


def pattern(seed: int) -> Array:
    """Lines of grain some 3 px apart, 8 % deep, over 80 mm."""
    noise = gaussian_filter1d(np.random.default_rng(seed).standard_normal(2000), 3.0)
    return 0.08 * noise / noise.std()


def lit_joint(wall_seed: int, strip_px: float = STRIP_PX) -> Strip:
    """A joint whose wood, right of face b, has grain; its lit wall has one of its own, or goes on with it."""
    strip = JOINT.strip(3)
    inside = (strip.v - JOINT.face_b.offset_mm) * JOINT.px_per_mm
    u = strip.u + np.tan(np.radians(GRAIN_DEG)) * inside / JOINT.px_per_mm
    place = np.round((u + 40.0) * 25.0).astype(int)
    wood, wall = (1.0 + pattern(seed)[place] for seed in (1, wall_seed))
    is_wood = ndtr(inside / JOINT.blur_px)
    is_wall = ndtr((inside + strip_px) / JOINT.blur_px) - is_wood
    light = 0.35 * (is_wood * wood + is_wall * wall) + 0.02 * (1.0 - is_wood - is_wall)
    light += JOINT.noise * np.random.default_rng(9).standard_normal(light.size)
    return replace(strip, light=np.repeat(light[:, None], 3, axis=1).astype(np.float32))


def end_about(strip: Strip, shift_px: float) -> GrainEnd | None:
    """The grain about a line that lies so far from face b, into the gap."""
    line = JOINT.face_b.offset_mm - shift_px / JOINT.px_per_mm, 0.0
    return follow_grain(strip, "b", line, JOINT.u_range, GRAIN_DEG)


def test_grain_tells_the_edge_where_light_shows_the_end_of_a_strip() -> None:
    # Light alone takes the strip's far side for the edge; about that line the edge lies at -3 px.
    [cost] = grain_costs([end_about(lit_joint(2), STRIP_PX)], np.array([False]), JOINT.blur_px, [SHIFTS])
    assert SHIFTS[np.argmin(cost)] == -3.0
    assert cost[0] == pytest.approx(9.2)


def test_without_a_strip_the_edge_is_where_it_seems() -> None:
    [cost] = grain_costs([end_about(lit_joint(2, 0.0), 0.0)], np.array([False]), JOINT.blur_px, [SHIFTS])
    assert SHIFTS[np.argmin(cost)] == 0.0


def test_a_pattern_that_goes_on_down_the_wall_says_less() -> None:
    # As in quarter-sawn wood: it may be one face, or the edge may lie within it.
    [cost] = grain_costs([end_about(lit_joint(1), STRIP_PX)], np.array([False]), JOINT.blur_px, [SHIFTS])
    assert SHIFTS[np.argmin(cost)] == 0.0
    assert cost[2] == pytest.approx(4.6)


def test_how_grain_ends_in_this_photo_is_seen_at_sure_edges() -> None:
    # Noise reduction takes the grain away beside dark slots: there, too, the usual edge is no strip.
    sure = [end_about(lit_joint(seed, 0.0), 1.0) for seed in (2, 3, 4, 5)]
    ends = [*sure, end_about(lit_joint(6, 0.0), 1.0)]
    known = np.array([True] * 4 + [False])
    cost = grain_costs(ends, known, JOINT.blur_px, [np.zeros(1)] * 4 + [SHIFTS])[-1]
    assert SHIFTS[np.argmin(cost)] == 0.0


def test_plain_wood_tells_nothing() -> None:
    [cost] = grain_costs([end_about(JOINT.strip(3), 0.0)], np.array([False]), JOINT.blur_px, [SHIFTS])
    assert cost.max() < 3.0
