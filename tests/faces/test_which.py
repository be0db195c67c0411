"""Which of several lines a face is, told by its wall and by the segments and gaps about it."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.faces.lamp import Lines
from lightgap.faces.which import JointPlaces, choose_lines, segment_lengths
from made_places import GAP_MM, SEGMENTS, ring

ONE = Lines(np.zeros(1), np.zeros(1))


def lines_of(joints: list[JointPlaces], others: dict[tuple[int, str], tuple[float, float]]) -> list[Lines]:
    """One line for each face, and a second (shift, cost) for some."""
    lines = []
    for joint in joints:
        for face in "ab":
            shift, cost = others.get((joint.number, face), (0.0, np.inf))
            lines.append(Lines(np.array([0.0, shift]), np.array([0.0, cost])) if cost < np.inf else ONE)
    return lines


def test_lengths_and_gaps_of_a_careful_ring() -> None:
    joints = ring()
    ends, lengths = segment_lengths(joints, SEGMENTS)
    assert ends[0] == (0, 1)
    assert ends[-1] == (SEGMENTS - 1, 0)
    assert np.ptp(lengths) < 0.01
    assert joints[0].gap_mm == pytest.approx(GAP_MM, abs=0.2)


@pytest.mark.parametrize(("face", "shift_mm"), [("b", -0.5), ("a", 0.6)])
def test_a_face_on_another_line_is_put_on_its_own(face: str, shift_mm: float) -> None:
    """Its own line looks less like an edge (5), but with it, segment and gap are like the others."""
    joints = ring({(5, face): shift_mm})
    lines = lines_of(joints, {(5, face): (-shift_mm, 5.0), (9, "a"): (0.5, 5.0), (2, "b"): (-0.4, 5.0)})
    choices = choose_lines(joints, lines, SEGMENTS)
    shifts = np.array([choice.shift_mm for choice in choices])
    moved = 2 * 4 + "ab".index(face)
    assert shifts[moved] == pytest.approx(-shift_mm, abs=0.02)
    assert np.abs(np.delete(shifts, moved)).max() < 0.02


def test_several_neighbours_on_other_lines_are_told_too() -> None:
    """As under one lamp: four faces side by side, each with its own line beside."""
    wrong = {(number, "b"): -0.45 for number in (3, 4, 5, 6)}
    joints = ring(wrong)
    choices = choose_lines(joints, lines_of(joints, dict.fromkeys(wrong, (0.45, 4.0))), SEGMENTS)
    for number, face in wrong:
        assert choices[2 * (number - 1) + "ab".index(face)].shift_mm == pytest.approx(0.45, abs=0.05)


def test_where_nothing_tells_the_uncertainty_covers_both() -> None:
    joints = ring()
    lines = lines_of(joints, {(5, "b"): (-0.08, 0.0)})
    choice = choose_lines(joints, lines, SEGMENTS)[9]
    assert 0.03 < choice.standard_mm < 0.06
    assert min(abs(choice.shift_mm), abs(choice.shift_mm + 0.08)) <= 2.0 * choice.standard_mm


def test_a_line_that_is_ruled_out_adds_nothing() -> None:
    joints = ring()
    choice = choose_lines(joints, lines_of(joints, {(5, "b"): (0.4, 60.0)}), SEGMENTS)[9]
    assert choice.shift_mm == pytest.approx(0.0, abs=1e-6)
    assert choice.standard_mm == pytest.approx(0.0, abs=1e-6)


def test_a_gap_that_is_truly_narrow_stays_where_its_wall_leaves_no_other_line() -> None:
    """A segment cut too long by 0.5 mm makes the same lengths as a misread face; only the picture tells."""
    joints = ring({(5, "b"): -0.5})
    assert choose_lines(joints, lines_of(joints, {}), SEGMENTS)[9].shift_mm == 0.0


def test_few_joints_and_joints_without_neighbours_go_by_their_walls() -> None:
    joints = ring({(5, "b"): -0.5})
    alone = [joints[4]]
    lines = lines_of(alone, {(5, "b"): (0.5, 5.0)})
    assert choose_lines(alone, lines, SEGMENTS)[1].shift_mm == pytest.approx(0.0, abs=0.02)
    apart = joints[::2]
    choices = choose_lines(apart, lines_of(apart, {}), SEGMENTS)
    assert all(choice.shift_mm == 0.0 for choice in choices)
    assert choose_lines([], [], SEGMENTS) == []
