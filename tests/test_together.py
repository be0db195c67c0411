"""Several photos, one check: means with what photos share kept, and contradicting photos named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from lightgap.again.ring_print import RingPrint
from lightgap.errors import RingError
from lightgap.log.stored import read_report
from lightgap.mean import mean_of
from lightgap.report import Report
from lightgap.together import Missed, Shot, combine
from lightgap.values import Below, Unknown, measured
from made_ring import make_measurement, make_plan, make_report_of

PLAN = make_plan()
SIDES = np.array([1.0, -1.0])
HEIGHTS = "heights of the two segments"


def a_print(seed: int, turn: int = 0) -> RingPrint:
    """A print of grain of its own, of a ring lying ``turn`` joints further clockwise."""
    grain = np.random.default_rng(seed).normal(0.0, 30.0, (12, 24, 32)).clip(-90, 90).astype(np.int8)
    alike = np.zeros((12, 3), np.float32), np.full(12, 50.0, np.float32)
    return RingPrint(np.roll(grain, turn, axis=0), *alike, 0.8)


def a_report(name: str = "a.jpg", notes: tuple[str, ...] = (), **changes) -> Report:
    return replace(make_report_of(PLAN, make_measurement(PLAN, notes=notes, **changes)), photo_name=name)


def shots(*reports: Report, turns: tuple[int, ...] = (0, 0, 0)) -> list[Shot]:
    return [Shot(report, a_print(1, turn)) for report, turn in zip(reports, turns, strict=False)]


def joint_with_gap(gap: float) -> dict:
    return {"gap": (gap, gap, gap)}


# --- the mean of one quantity


def test_what_one_phone_shares_is_not_averaged_away():
    mean = mean_of([measured(0.2, {"blur": 0.03}), measured(0.3, {"blur": 0.03})]).value
    assert mean.value == pytest.approx(0.25)
    # The photos differ by more than 0.03 each allows, so U grows: Birge ratio.
    assert mean.standard == pytest.approx(0.05 / 0.03 * np.sqrt(2) * 0.03)
    alike = mean_of([measured(0.2, {"blur": 0.03}), measured(0.2, {"blur": 0.03})]).value
    assert alike.standard == pytest.approx(0.03)


def test_fits_of_the_same_wood_gain_little_from_a_second_photo():
    """u^2 of a mean of two with correlation r is u^2 (1 + r) / 2 (JCGM 100:2008 clause 5.2.2), r = 0.75."""
    mean = mean_of([measured(1.0, {"edge fit": 0.02})] * 2).value
    assert mean.standard == pytest.approx(0.02 * np.sqrt(0.875))


def test_heights_cancel_between_photos_from_the_two_sides_of_a_joint():
    photos = [measured(0.24, {HEIGHTS: 0.04}), measured(0.16, {HEIGHTS: 0.04})]
    both = mean_of(photos, SIDES).value
    assert both.value == pytest.approx(0.2)
    assert {part.name: part.standard for part in both.budget}[HEIGHTS] == pytest.approx(0.0, abs=1e-6)
    same_side = mean_of([photos[0], photos[0]], np.array([1.0, 1.0])).value
    assert same_side.standard == pytest.approx(0.04)


def test_heights_set_photos_from_two_sides_apart_without_a_contradiction():
    """Twice 0.04 mm apart by heights of 0.04 mm is as expected; from one side it would be a contradiction."""
    photos = [measured(number, {HEIGHTS: 0.04, "edge fit": 0.004}) for number in (0.24, 0.16)]
    sides, one_side = mean_of(photos, SIDES), mean_of(photos, np.array([1.0, 1.0]))
    assert np.abs(sides.apart).max() < 1.1
    assert np.abs(one_side.apart).min() > 10.0
    names = [[part.name for part in mean.value.budget] for mean in (sides, one_side)]
    assert ["photos differ" in each for each in names] == [False, True]


def test_the_steeper_of_two_views_weighs_less():
    mean = mean_of([measured(0.29, {HEIGHTS: 0.09}), measured(0.17, {HEIGHTS: 0.03})], SIDES).value
    assert mean.value == pytest.approx(0.25 * 0.29 + 0.75 * 0.17)


def test_a_photo_much_worse_than_another_of_the_same_phone_is_passed_over():
    """Fully shared, the worse photo could only be used with a weight below zero."""
    mean = mean_of([measured(0.2, {"blur": 0.01}), measured(0.22, {"blur": 0.05})]).value
    assert mean.value == pytest.approx(0.2)


def test_a_photo_that_does_not_know_leaves_the_other_as_it_is():
    value = measured(0.2, {"edge fit": 0.01})
    mean = mean_of([Unknown("blocked"), value])
    assert mean.value is value
    assert np.isnan(mean.apart).all()
    assert isinstance(mean_of([Unknown("blocked"), Unknown("cut off")]).value, Unknown)


def test_below_in_all_photos_stays_below_and_is_never_a_number():
    below = Below(0.05, measured(0.0, {"edge fit": 0.02}).budget)
    mean = mean_of([below, below]).value
    assert isinstance(mean, Below)
    assert 0.01 < mean.below < 0.05


def test_below_and_a_value_make_a_value_between_them():
    below = Below(0.05, measured(0.0, {"edge fit": 0.02}).budget)  # measured 0.01
    mean = mean_of([below, measured(0.05, {"edge fit": 0.02})]).value
    assert mean.value == pytest.approx(0.03)


def test_a_bound_kept_without_its_budget_does_not_sharpen_a_value():
    value = measured(0.05, {"edge fit": 0.02})
    mean = mean_of([Below(0.08), value]).value
    assert mean.standard > 0.85 * value.standard


@example(  # Leaving out the lowest weight one by one ends at a worse one here.
    numbers=[0.0] * 4,
    parts=[
        (0.0, 0.0, 0.0, 0.0625),
        (0.0, 0.0, 0.0, 0.0625),
        (0.0625, 0.0, 0.0, 0.09375),
        (0.0078125, 0.0, 0.0, 0.0625),
    ],
    seed=41,
)
@given(
    numbers=st.lists(st.floats(0.0, 5.0), min_size=2, max_size=5),
    parts=st.lists(st.tuples(*[st.floats(0.0, 0.1)] * 4), min_size=5, max_size=5),
    seed=st.integers(0, 100),
)
def test_a_mean_lies_among_its_values_and_is_no_worse_than_the_best_without_scatter(numbers, parts, seed):
    names = ("edge fit", "blur", "scale", HEIGHTS)
    leans = np.random.default_rng(seed).choice([-1.0, 1.0], len(numbers))
    values = [
        measured(number, dict(zip(names, part, strict=True)))
        for number, part in zip(numbers, parts, strict=False)
    ]
    mean = mean_of(values, leans).value
    assert min(numbers) - 1e-9 <= mean.value <= max(numbers) + 1e-9
    own = np.sqrt(sum(part.standard**2 for part in mean.budget if part.name != "photos differ"))
    assert own <= min(value.standard for value in values) + 1e-6


# --- whole reports


def test_turned_photos_are_joined_joint_by_joint():
    first = a_report("a.jpg", joints={3: joint_with_gap(0.30)})
    second = a_report("b.jpg", joints={8: joint_with_gap(0.32)})
    report = combine(shots(first, second, turns=(0, 5))).report
    assert report.measurement.joints[2].gap_middle_mm.value == pytest.approx(0.31)
    assert report.photo_name == "a.jpg"
    assert report.notes == ("Combined from a.jpg and b.jpg.",)
    assert report.seconds == pytest.approx(first.seconds + second.seconds)
    assert [(photo.name, photo.part) for photo in report.photos] == [("a.jpg", "base"), ("b.jpg", "joined")]
    assert report.joined == ("a.jpg", "b.jpg")


def test_one_photo_alone_is_told_as_it_was():
    only = a_report(joints={3: joint_with_gap(0.30)}, notes=("pale wood",))
    report = combine(shots(only)).report
    assert report == replace(only, seconds=report.seconds)


def test_a_joint_that_one_photo_missed_is_known_from_the_other():
    unknown = Unknown("covered")
    hidden = {"found": False, "gap_middle_mm": unknown, "faces_px": None, "reason": "covered"}
    report = combine(shots(a_report("a.jpg", joints={4: hidden}), a_report("b.jpg"))).report
    joint = report.measurement.joints[3]
    assert (joint.found, joint.reason) == (True, None)
    assert joint.gap_middle_mm.value == pytest.approx(0.0)


def test_a_stranger_among_the_photos_is_left_out_and_named():
    good = [Shot(a_report(name), a_print(1)) for name in ("a.jpg", "c.jpg")]
    stranger = Shot(a_report("b.jpg", joints={1: joint_with_gap(2.0)}), a_print(2))
    for photos in ([good[0], stranger, good[1]], [stranger, *good]):
        report = combine(photos).report
        assert "b.jpg does not surely show the same face of this ring; it was left out." in report.notes
        assert report.photo_name == "a.jpg"
        assert report.measurement.joints[0].gap_middle_mm.value == pytest.approx(0.0)


def test_a_photo_of_the_other_face_is_left_out():
    over = Shot(a_report("b.jpg"), a_print(1).turned_over())
    report = combine([*shots(a_report("a.jpg"), a_report("c.jpg")), over]).report
    assert "b.jpg does not surely show" in " ".join(report.notes)


def test_the_photo_that_contradicts_two_others_is_named_with_its_joint():
    bad = a_report("b.jpg", joints={5: joint_with_gap(0.4)})
    report = combine(shots(a_report("a.jpg"), bad, a_report("c.jpg"))).report
    (note,) = (note for note in report.notes if "contradict" in note)
    assert note.startswith("b.jpg contradicts the others at joint 5: ")
    told = report.measurement.joints[4].gap_middle_mm
    assert told.u95 > 3.0 * report.measurement.joints[5].gap_middle_mm.u95


def test_two_photos_that_contradict_are_both_named():
    report = combine(shots(a_report("a.jpg"), a_report("b.jpg", segments={2: {"start": 0.5}}))).report
    assert "a.jpg and b.jpg contradict each other at segment 2" in " ".join(report.notes)


def test_a_small_difference_at_every_joint_is_a_contradiction_too():
    """0.06 mm is 2.8 standard uncertainties of a difference: at one joint no more than chance."""
    shifted = {number: joint_with_gap(0.06) for number in range(1, 13)}
    at_one = combine(shots(a_report("a.jpg"), a_report("b.jpg", joints={1: shifted[1]}))).report
    at_all = combine(shots(a_report("a.jpg"), a_report("b.jpg", joints=shifted))).report
    assert not any("contradict" in note for note in at_one.notes)
    assert any("contradict each other all round the ring" in note for note in at_all.notes)


def test_what_one_reference_cannot_tell_another_can():
    typed = make_report_of(PLAN, make_measurement(PLAN), untold=frozenset({"across_flats_mm"}))
    assert combine(shots(typed, a_report())).report.reference.untold == frozenset()


def test_one_that_could_not_be_measured_is_named_and_the_rest_go_on():
    lost = Missed("b.jpg", "No card was found. Lay a card beside the ring.")
    report = combine([lost, *shots(a_report("a.jpg", joints={3: joint_with_gap(0.30)}))]).report
    assert report.measurement.joints[2].gap_middle_mm.value == pytest.approx(0.30)
    assert [photo.part for photo in report.photos] == ["not measured", "base"]
    assert report.base == 1
    (note,) = report.notes
    assert note == "b.jpg could not be measured: No card was found. Lay a card beside the ring."


def test_when_none_could_be_measured_each_is_named():
    with pytest.raises(RingError, match=r"None .* a.jpg could not be measured: Dark. b.jpg .*: Blurred."):
        combine([Missed("a.jpg", "Dark."), Missed("b.jpg", "Blurred.")])


def test_photos_of_which_no_two_match_are_refused():
    with pytest.raises(RingError, match=r"No two of these photos .*: a.jpg and b.jpg\.") as caught:
        combine([Shot(a_report("a.jpg"), a_print(1)), Shot(a_report("b.jpg"), a_print(2))])
    assert "Check each on its own" in caught.value.hint


def test_a_photo_given_twice_counts_once():
    """Two copies of a file hold no more than one, and must not look like two measurements that agree."""
    first = Shot(a_report("a.jpg", joints={3: joint_with_gap(0.30)}), a_print(1), "5e1f")
    report = combine([first, replace(first, report=replace(first.report, photo_name="copy.jpg"))]).report
    assert report.measurement == replace(first.report.measurement, notes=report.notes)
    assert report.notes == ("copy.jpg is the same file as a.jpg; it was counted once.",)


def test_a_note_on_one_photo_says_on_which() -> None:
    taken = shots(a_report("a.jpg", notes=("pale", "far")), a_report("b.jpg", notes=("pale",)))
    assert combine(taken).report.notes[:2] == ("pale", "a.jpg: far")


def test_photos_of_one_name_are_told_apart():
    """Some phones call every photo that they take image.jpg."""
    report = combine(shots(a_report("image.jpg"), a_report("image.jpg"))).report
    assert report.joined == ("image.jpg (1)", "image.jpg (2)")


def test_the_print_of_the_base_goes_with_the_report():
    prints = [a_print(2), a_print(1), a_print(1, 3)]
    shot = combine([Shot(a_report(), each) for each in prints])
    assert shot.ring_print is prints[1]


def test_the_parts_of_the_photos_survive_the_json_form():
    report = combine([Missed("b.jpg", "Dark."), *shots(a_report("a.jpg"), a_report("c.jpg"))]).report
    assert read_report(report.to_dict(budgets=True)).photos == report.photos
