"""A ring is known again by its wood, turned or turned over, and no other ring is taken for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.again import pencil_numbers
from accuracy.look import Bench, Light, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.phone import Phone
from accuracy.shape import no_faults, usual_faults
from lightgap.again.matching import Match, match
from lightgap.again.renumber import first_joint_px, renumber
from lightgap.again.ring_print import LEVELS, RingPrint, fingerprint, read_print
from lightgap.errors import LightgapError
from made_ring import make_measurement, make_plan, make_report_of

PLAN = make_plan(segments=10, across_flats_mm=150.0, width_mm=28.0, thickness_mm=18.0)
OAK = Wood(("oak",), figure=0.1, seed=11)
FAULTS = usual_faults(PLAN, np.random.default_rng(5))
LATER = View(mm_per_px=0.16, margin_mm=20.0, tilt_deg=9.0, tilt_from_deg=200.0, roll_deg=140.0)


def draw(seed: int, wood: Wood, view: View | None = None, **options) -> Drawn:
    look = Look(wood, options.pop("light", Light()), Bench("grey"), options.pop("pencil", ()))
    view = view or View(mm_per_px=0.14, margin_mm=12.0)
    return draw_ring(PLAN, seed, faults=FAULTS, look=look, view=view, reference="none", **options)


def print_of(drawn: Drawn) -> RingPrint:
    """Its print, with every joint measured exactly where the truth has it."""

    def line(ends):
        return tuple(tuple(map(float, end)) for end in ends)

    joints = {}
    for number, joint in enumerate(drawn.truth.joints, 1):
        faces = line(joint.face_a_px), line(joint.face_b_px)
        joints[number] = {"faces_px": faces, "place_px": faces[0]}
    measurement = replace(make_measurement(PLAN, joints=joints), mm_per_px=drawn.raw["view"]["mm_per_px"])
    return fingerprint(drawn.photo, measurement, PLAN)


@pytest.fixture(scope="module")
def before() -> Drawn:
    return draw(1, OAK, pencil=pencil_numbers(PLAN, 20.0, np.random.default_rng(1)), first_deg=20.0)


@pytest.fixture(scope="module")
def after() -> Drawn:
    """The same ring: turned, sanded, the pencil gone, in other light, by a phone that smears grain."""
    lamp = Light(from_deg=250.0, slope=1.2, share=0.4, uneven=0.25)
    phone = Phone(denoise=0.06, sharpen=0.6, contrast=0.3, quality=75)
    return draw(2, replace(OAK, sanded_mm=0.2), LATER, light=lamp, phone=phone)


@pytest.fixture(scope="module")
def first(before) -> RingPrint:
    return print_of(before)


@pytest.fixture(scope="module")
def second(after) -> RingPrint:
    return print_of(after)


def true_numbers(before: Drawn, after: Drawn) -> list[int]:
    """For joints 1 to N before, their numbers after."""
    place = {joint.raw["index"]: number for number, joint in enumerate(after.truth.joints, 1)}
    return [place[joint.raw["index"]] for joint in before.truth.joints]


def test_the_same_ring_is_found_with_every_joint_at_its_number(before, after, first, second):
    found = match(first, second)
    assert (found.sureness, found.told_by, found.face_down) == ("sure", "grain", False)
    assert [found.number_after(number) for number in range(1, 11)] == true_numbers(before, after)
    assert found.agreeing >= 8


def test_the_way_back_is_the_same_turn_backwards(first, second):
    there, back = match(first, second), match(second, first)
    assert back.sureness == "sure"
    assert all(back.number_after(there.number_after(number)) == number for number in range(1, 11))


def test_a_ring_whose_wood_looks_the_same_from_below_is_found_face_down(before, after, first, second):
    found = match(first, second.turned_over())
    assert (found.sureness, found.face_down) == ("sure", True)
    # Turned over, joint m has become joint 2 - m.
    expected = [(2 - number - 1) % 10 + 1 for number in true_numbers(before, after)]
    assert [found.number_after(number) for number in range(1, 11)] == expected


@pytest.mark.parametrize("wood", [replace(OAK, seed=12), replace(OAK, seed=12, figure=0.05)])
def test_another_ring_of_the_same_wood_and_size_is_not_recognised(first, wood):
    assert match(first, print_of(draw(3, wood, LATER))).sureness == "not recognised"


def test_the_same_pencil_numbers_make_no_same_ring(first):
    numbers = pencil_numbers(PLAN, 20.0, np.random.default_rng(2))
    other = print_of(draw(4, replace(OAK, seed=13), pencil=numbers, first_deg=20.0))
    assert match(first, other).sureness == "not recognised"


def test_pencil_leaves_no_trace_in_the_grain_round_it(first):
    clean = print_of(draw(1, OAK, first_deg=20.0)).grain.astype(int)
    grain = first.grain.astype(int)
    apart = np.abs(grain - clean)[grain != 0]
    assert np.mean(grain == 0) < 0.15
    assert np.percentile(apart, 99) < 0.2 * LEVELS


def test_neighbours_on_the_board_are_not_taken_for_each_other():
    piece = PLAN.edge_length_mm(PLAN.outer_mm) + 3.0
    ours, theirs = (
        print_of(draw(seed, replace(OAK, cut_mm=tuple(piece * (2 * k + side) for k in range(10)))))
        for seed, side in ((5, 0), (6, 1))
    )
    assert match(ours, theirs).sureness == "not recognised"


def test_two_segments_of_new_wood_leave_it_sure_and_seven_do_not(first, second):
    stranger = np.random.default_rng(3).integers(-100, 100, second.grain.shape).astype(np.int8)

    def renewed(count):
        return replace(second, grain=np.concatenate([stranger[:count], second.grain[count:]]))

    assert match(first, renewed(2)).sureness == "sure"
    assert match(first, renewed(7)).sureness != "sure"


def test_rings_of_two_plans_are_not_compared(first):
    smaller = replace(first, grain=first.grain[:, 1:])
    assert match(first, smaller).sureness == "not recognised"


def test_a_print_is_small_and_survives_being_kept(first):
    kept = first.to_bytes()
    again = read_print(kept)
    assert len(kept) < 60_000
    assert np.array_equal(again.grain, first.grain)
    assert np.array_equal(again.tone, first.tone)
    assert np.array_equal(again.pitch_mm, first.pitch_mm)
    assert again.step_mm == first.step_mm


@pytest.mark.parametrize("damage", [b"", b"no archive", None])
def test_a_damaged_print_is_told_as_such(first, damage):
    data = first.to_bytes()[:2000] if damage is None else damage
    with pytest.raises(LightgapError, match="cannot be read"):
        read_print(data)


def test_a_print_of_parts_that_do_not_belong_together_is_damaged(first):
    with pytest.raises(LightgapError, match="cannot be read"):
        read_print(replace(first, tone=first.tone[1:]).to_bytes())


def made_print(grain_seed: int, tones: np.ndarray) -> RingPrint:
    grain = np.random.default_rng(grain_seed).integers(-80, 80, (12, 30, 40)).astype(np.int8)
    return RingPrint(grain, np.tile(tones[:, None], (1, 3)).astype(np.float32), np.full(12, 50.0), 0.7)


def test_tone_alone_hints_at_the_turn_of_a_ring_with_its_other_face_up():
    tones = np.array([0.0, 0.0, -0.3, 0.0, 0.0, 0.1, 0.0, -0.2, -0.25, 0.0, 0.05, 0.0])
    found = match(made_print(1, tones), made_print(2, np.roll(tones[::-1], 3)))
    assert (found.sureness, found.told_by, found.face_down) == ("likely", "tone", True)
    # Segment 3 before, the darkest, is the one between joints 3 and 4; 12 + 1 - 3 + 3 is 13, so 1, after.
    assert {found.number_after(3), found.number_after(4)} == {1, 2}


def test_tone_hints_at_nothing_where_the_same_face_would_show_its_grain():
    tones = np.array([0.0, 0.0, -0.3, 0.0, 0.0, 0.1, 0.0, -0.2, -0.25, 0.0, 0.05, 0.0])
    found = match(made_print(1, tones), made_print(2, np.roll(tones, 3)))
    assert found.sureness == "not recognised"


def test_tones_that_fit_two_ways_hint_at_none():
    found = match(made_print(1, np.tile([0.0, -0.3], 6)), made_print(2, np.tile([0.0, -0.3], 6)))
    assert found.sureness == "not recognised"


def way(turn: int, face_down: bool = False) -> Match:
    return Match("sure", turn, face_down, "grain", 30.0, 3.0, 12, 12)


def test_numbers_are_carried_over_to_joints_and_segments():
    plan = make_plan()
    gap = (0.3, 0.3, 0.3)
    after = make_measurement(plan, joints={5: {"gap": gap}}, segments={7: {"start": 0.4}})
    told = renumber(after, way(2))
    assert [joint.number for joint in told.joints] == list(range(1, 13))
    assert told.joints[2].gap_middle_mm == after.joints[4].gap_middle_mm
    assert told.segments[4].mitre_start_deg == after.segments[6].mitre_start_deg
    assert first_joint_px(after, way(2)) == pytest.approx(np.mean(after.joints[2].place_px, axis=0))
    assert make_report_of(plan, told).verdicts.joints[2].number == 3


def test_face_down_a_segment_begins_where_it_ended():
    plan = make_plan()
    after = make_measurement(plan, segments={7: {"start": 0.4}})
    # Joint 1 before is joint 11 after, joint 2 is 10: segment 7 lies between 7 and 8, before 4 and 5.
    told = renumber(after, way(12, face_down=True))
    assert told.segments[3].mitre_end_deg == after.segments[6].mitre_start_deg
    assert told.segments[3].mitre_start_deg == after.segments[6].mitre_end_deg
    assert told.joints[3].faces_px == after.joints[7].faces_px[::-1]


@given(turn=st.integers(0, 11), face_down=st.booleans())
def test_numbering_there_and_back_changes_nothing(turn, face_down):
    plan = make_plan()
    rng = np.random.default_rng(turn)
    after = make_measurement(
        plan,
        joints={k: {"gap": tuple(rng.uniform(0.0, 0.2, 3))} for k in range(1, 13)},
        segments={k: {"start": rng.normal(), "end": rng.normal()} for k in range(1, 13)},
    )
    back = way(turn if face_down else -turn % 12, face_down)
    assert renumber(renumber(after, way(turn, face_down)), back) == after


def test_a_missing_segment_shows_no_grain():
    faults = replace(no_faults(PLAN), missing=frozenset({0}))
    drawn = draw_ring(
        PLAN, 7, faults=faults, look=Look(OAK), view=View(mm_per_px=0.14, margin_mm=12.0), reference="none"
    )
    gone = next(k for k, segment in enumerate(drawn.truth.segments) if not segment.present)
    measurement = make_measurement(PLAN, segments={gone + 1: {"present": False}})
    kept = fingerprint(drawn.photo, replace(measurement, mm_per_px=0.14), PLAN)
    assert not kept.grain[gone].any()
    assert kept.grain[gone - 1].any()
