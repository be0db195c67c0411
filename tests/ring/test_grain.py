"""Where grain turns: at true joints, whatever polygon the ring was unrolled by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.plan import Plan
from lightgap.ring.grain import grain_features, grain_tensor, grain_weight
from lightgap.ring.plane import Array, Codes

EIGHT = Plan(8, "closed", 200.0, 40.0, 18.0)
APOTHEM_MM = 62.0 + 0.5 * np.arange(70)
COLUMNS = 2000
ANGLE = np.arange(COLUMNS) * (2 * np.pi / COLUMNS)


def stretch(segments: int) -> Array:
    """How much farther out a side lies in each direction, a corner being at 12 o'clock."""
    pitch = 2 * np.pi / segments
    return np.asarray(1.0 / np.cos(ANGLE % pitch - pitch / 2))


def lines(direction_rad: Array, sides: int) -> Codes:
    """Grain that runs in a direction of the plane (clockwise from 12 o'clock), unrolled along some sides."""
    radius = APOTHEM_MM[:, None] * stretch(sides)
    across = radius * np.sin(ANGLE - direction_rad)
    tone = 128.0 + 60.0 * np.sin(2 * np.pi * across / 4.0)
    return np.repeat(np.rint(tone).astype(np.uint8)[..., None], 3, axis=-1)


@pytest.mark.parametrize("entered", [7, 8, 9, 16])
def test_straight_grain_turns_nowhere_not_even_at_the_corners_of_the_plan(entered: int) -> None:
    tensor = grain_tensor(lines(np.full(COLUMNS, 0.4), entered), APOTHEM_MM, stretch(entered))
    direction = np.angle(tensor[..., 0] + 1j * tensor[..., 1]) / 2.0
    # The gradient stands square to the grain.
    off = (direction - 0.4) % np.pi - np.pi / 2
    assert np.abs(np.median(off, axis=0)).max() < np.radians(3.0)


@pytest.mark.parametrize("entered", [7, 8, 9])
def test_grain_turns_at_the_true_joints(entered: int) -> None:
    segment = np.floor(ANGLE / np.radians(EIGHT.pitch_deg))
    along = (segment + 0.5) * np.radians(EIGHT.pitch_deg) + np.pi / 2
    tensor = grain_tensor(lines(along, entered), APOTHEM_MM, stretch(entered)).mean(axis=0)
    step = np.hypot(*grain_features(tensor[None, None], 0.25)[0, 0].T)
    near_joint = np.abs((np.degrees(ANGLE) + 22.5) % 45.0 - 22.5) < 0.4
    far = np.abs((np.degrees(ANGLE) + 22.5) % 45.0 - 22.5) > 5.0
    # Twice a turn of 45 degrees: unit vectors that stand square to each other.
    assert step[near_joint].min() > 1.2
    assert step[far].max() < 0.3


def test_the_more_the_grain_turns_the_more_it_counts() -> None:
    weights = [grain_weight(replace(EIGHT, segments=count)) for count in (6, 8, 12, 24, 48)]
    assert weights[:3] == pytest.approx([2.0, 2.0, 1.0])
    assert weights[3] > 0.0
    assert weights[4] == 0.0
