"""How a ring lies in a later check: kept prints, and what a person said in numbers that may change."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from lightgap.again.matching import Match
from lightgap.errors import LogError, NotInLog
from lightgap.log.records import Check, NewPhoto, Turn
from lightgap.log.same_ring import ring_print, said_turn, wood_match
from lightgap.log.store import Log
from lightgap.measure import Measurement
from lightgap.report import Report
from made_ring import PHOTO_SIZE, make_measurement, make_plan, make_report_of

PLAN = make_plan()


def wood(seed: int) -> NewPhoto:
    """A photo with wood grain of its own all over it."""
    coarse = np.random.default_rng(seed).integers(60, 220, (PHOTO_SIZE[1] // 5, PHOTO_SIZE[0] // 5))
    codes = np.kron(coarse, np.ones((5, 5)))[..., None].repeat(3, axis=2).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(codes).save(file, "PNG")
    return NewPhoto(f"{seed}.png", file.getvalue())


def counted_from(first: int) -> Report:
    """The report of one photo whose joints are counted from another one."""
    whole = make_measurement(PLAN)
    order = [(first - 1 + number) % 12 for number in range(12)]
    joints = tuple(replace(whole.joints[place], number=number) for number, place in enumerate(order, 1))
    return make_report_of(PLAN, Measurement(whole.ring, joints, whole.segments, whole.mm_per_px))


@pytest.fixture
def pair(log: Log) -> tuple[Check, Check]:
    """Two checks of one ring."""
    ring = log.add_ring(log.add_build("Bowl").id, PLAN)
    report = counted_from(1).to_dict(budgets=True)
    return log.add_check(ring.id, [wood(1)], report), log.add_check(ring.id, [wood(1)], report)


def test_a_print_is_taken_from_the_photo_once_and_then_kept(log: Log, pair: tuple[Check, Check]) -> None:
    first, last = pair
    assert log.ring_print(first.results[0].id) is None
    assert wood_match(log, first, last).sureness == "sure"
    kept = log.ring_print(first.results[0].id)
    assert kept is not None
    for check in pair:
        log.photos.remove(check.photos[0].stored)
    assert wood_match(log, first, last).sureness == "sure", "the photos are not needed any more"


def test_a_print_that_cannot_be_read_is_taken_anew(log: Log, pair: tuple[Check, Check]) -> None:
    result = pair[0].results[0].id
    log.keep_print(result, b"of another version")
    assert ring_print(log, pair[0]).segments == 12
    assert log.ring_print(result) != b"of another version"


def test_prints_go_with_their_check(log: Log, pair: tuple[Check, Check]) -> None:
    wood_match(log, *pair)
    log.say_turn(pair[0].results[0], pair[1].results[0], 1, face_down=False)
    log.delete("check", pair[0].id)
    assert log.turns(pair[0].ring_id) == (), "what belongs to a deleted check is not told"
    log.restore("check", pair[0].id)
    assert len(log.turns(pair[0].ring_id)) == 1
    log.delete("check", pair[0].id)
    log.purge(days=0.0)
    assert log.ring_print(pair[0].results[0].id) is None
    assert log.turn(pair[0].id, pair[1].id) is None


def test_a_check_without_a_result_has_no_print(log: Log, pair: tuple[Check, Check]) -> None:
    waiting = log.add_check(pair[0].ring_id, [wood(2)])
    with pytest.raises(LogError, match="is not measured"):
        ring_print(log, waiting)


def test_what_the_person_said_is_kept_and_taken_back(log: Log, pair: tuple[Check, Check]) -> None:
    first, last = pair
    assert said_turn(log, first, last) is None
    log.say_turn(first.results[0], last.results[0], 3, face_down=False)
    log.say_turn(first.results[0], last.results[0], 4, face_down=False)
    turn = said_turn(log, first, last)
    assert turn is not None and (turn.turn, turn.face_down) == (4, False)
    backwards = said_turn(log, last, first)
    assert backwards is not None and backwards.turn == -4
    log.forget_turn(last.id, first.id)
    assert said_turn(log, first, last) is None


def test_what_was_said_of_both_and_a_check_between_holds_for_the_two(
    log: Log, pair: tuple[Check, Check]
) -> None:
    first, second = pair
    report = counted_from(1).to_dict(budgets=True)
    third, fourth = (log.add_check(first.ring_id, [wood(1)], report) for _ in range(2))
    there = log.say_turn(first.results[0], second.results[0], 3, face_down=True)
    log.say_turn(third.results[0], second.results[0], 2, face_down=False)
    assert said_turn(log, first, fourth) is None
    onward = log.say_turn(third.results[0], fourth.results[0], 5, face_down=True)
    turn = said_turn(log, first, fourth)
    assert turn is not None
    for joint in range(1, 13):
        in_third = (number(there, joint) - 2 - 1) % 12 + 1
        assert number(turn, joint) == number(onward, in_third)


def test_saying_it_the_other_way_round_replaces_it(log: Log, pair: tuple[Check, Check]) -> None:
    first, last = pair
    log.say_turn(first.results[0], last.results[0], 3, face_down=False)
    log.say_turn(last.results[0], first.results[0], 2, face_down=False)
    turn = said_turn(log, first, last)
    assert turn is not None and turn.turn == -2
    assert len(log.turns(first.ring_id)) == 1


def test_nothing_is_said_of_a_deleted_check(log: Log, pair: tuple[Check, Check]) -> None:
    log.delete("check", pair[1].id)
    with pytest.raises(NotInLog, match="was deleted"):
        log.say_turn(pair[0].results[0], pair[1].results[0], 3, face_down=False)


@pytest.mark.parametrize("face_down", [False, True])
def test_a_photo_measured_again_may_count_from_another_joint(
    log: Log, pair: tuple[Check, Check], face_down: bool
) -> None:
    """The old joint 1 is now joint 11 of the earlier photo, and joint 6 of the later one."""
    first, last = pair
    said = log.say_turn(first.results[0], last.results[0], 3, face_down)
    first = log.add_result(first.id, counted_from(3).to_dict())
    last = log.add_result(last.id, counted_from(8).to_dict())
    turn = said_turn(log, first, last)
    assert turn is not None
    for old in range(1, 13):
        assert number(turn, (old - 3) % 12 + 1) == (number(said, old) - 8) % 12 + 1


def test_another_photo_as_the_base_makes_it_unknown(log: Log, pair: tuple[Check, Check]) -> None:
    first, last = pair
    log.say_turn(first.results[0], last.results[0], 3, face_down=False)
    form = counted_from(1).to_dict()
    form["photos"] = [
        {"name": "1", "part": "joined", "why": None},
        {"name": "2", "part": "base", "why": None},
    ]
    assert said_turn(log, first, log.add_result(last.id, form)) is None


@given(st.integers(-30, 30), st.booleans(), st.integers(1, 12))
def test_the_way_back_is_the_reverse(turn: int, face_down: bool, joint: int) -> None:
    there = Turn(1, 2, 1, 2, turn, face_down, "")
    assert number(there.reversed(), number(there, joint)) == joint
    match = Match("sure", turn, face_down, "grain", 9.0, 1.0, 12, 12)
    assert number(there, joint) == match.number_after(joint)


def number(turn: Turn, joint: int) -> int:
    return ((turn.turn - joint if turn.face_down else joint + turn.turn) - 1) % 12 + 1
