"""A face taken for another line gives itself away: its segment is too long by what the gap lacks."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.faces.odd import JointPlaces, length_scatter_mm, odd_faces

SEGMENTS, RADIUS_MM, GAP_MM = 12, 100.0, 3.0


def ring(shift_mm: dict[tuple[int, str], float] | None = None, seed: int = 1) -> list[JointPlaces]:
    """A ring cut to one stop, placed by hand to 0.05 mm; ``shift_mm`` moves faces clockwise."""
    shift_mm = shift_mm or {}
    rng = np.random.default_rng(seed)
    aside = rng.normal(0.0, 0.05, SEGMENTS)
    joints = []
    for index in range(SEGMENTS):
        angle = np.radians(90.0 - 360.0 / SEGMENTS * index)
        middle = RADIUS_MM * np.array([np.cos(angle), np.sin(angle)])
        clockwise = np.array([np.sin(angle), -np.cos(angle)])
        number = index + 1
        a = -GAP_MM / 2.0 + aside[index - 1] + shift_mm.get((number, "a"), 0.0)
        b = GAP_MM / 2.0 + aside[index] + shift_mm.get((number, "b"), 0.0)
        joints.append(JointPlaces(number, middle + a * clockwise, middle + b * clockwise))
    return joints


def test_nothing_speaks_against_a_careful_ring() -> None:
    assert not odd_faces(ring(), SEGMENTS).any()


@pytest.mark.parametrize("shift_mm", [-1.5, -0.6, 0.8])
def test_a_face_on_another_line_is_doubted_and_no_other(shift_mm: float) -> None:
    either = odd_faces(ring({(5, "b"): shift_mm}), SEGMENTS)
    assert either[4, 1] == pytest.approx(abs(shift_mm) / np.sqrt(2.0), abs=0.15)
    assert np.count_nonzero(either) == 1


def test_a_face_at_a_segments_end_is_told_from_one_at_its_start() -> None:
    either = odd_faces(ring({(5, "a"): 0.9}), SEGMENTS)
    assert either[4, 0] > 0.4
    assert np.count_nonzero(either) == 1


def test_a_segment_that_slipped_is_no_misread_face() -> None:
    """It keeps its length: one gap is wider, the other narrower."""
    assert not odd_faces(ring({(5, "b"): 0.6, (6, "a"): 0.6}), SEGMENTS).any()


def test_a_segment_cut_too_long_is_no_misread_face() -> None:
    """Laid in the middle of its place, it takes half of its excess from either gap."""
    assert not odd_faces(ring({(5, "b"): -0.4, (6, "a"): 0.4}), SEGMENTS).any()


def test_a_wrong_lamp_makes_the_lengths_differ_more() -> None:
    before = length_scatter_mm(ring(), SEGMENTS)
    moved = length_scatter_mm(ring({(2, "b"): -0.3, (3, "b"): -0.2, (9, "a"): 0.3}), SEGMENTS)
    assert before == pytest.approx(0.0, abs=0.05)
    assert moved > before + 0.05
    # One badly cut segment says little.
    assert length_scatter_mm(ring({(5, "a"): 9.0}), SEGMENTS) < 0.15
    assert length_scatter_mm([], SEGMENTS) == 0.0


def test_joints_without_neighbours_say_nothing() -> None:
    joints = ring({(5, "b"): -1.5})
    assert not odd_faces(joints[::2], SEGMENTS).any()
    assert odd_faces([], SEGMENTS).shape == (0, 2)
