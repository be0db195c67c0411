"""A face taken for another line gives itself away: its segment is too long by what the gap lacks."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.faces.odd import odd_faces
from made_places import SEGMENTS, ring


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


def test_joints_without_neighbours_say_nothing() -> None:
    joints = ring({(5, "b"): -1.5})
    assert not odd_faces(joints[::2], SEGMENTS).any()
    assert odd_faces([], SEGMENTS).shape == (0, 2)
