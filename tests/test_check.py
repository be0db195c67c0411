"""One photo through every step: samples and drawn rings against their truth, bad input, help by hand."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from skimage import data

from accuracy.look import Bench, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.matrix import cases
from accuracy.phone import Phone
from accuracy.scoring import score
from accuracy.shape import no_faults
from accuracy.truth import Truth, read_truth
from lightgap.check import check, find_reference
from lightgap.errors import LightgapError, PhotoError, PlanError, RingError, ScaleError
from lightgap.hand import ByHand, HandFace
from lightgap.judge import Verdict
from lightgap.photo import Photo, read_photo
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.samples import Sample, read_samples
from lightgap.values import Unknown, Value

SAMPLES = {sample.name: sample for sample in read_samples()}
SPACED = Plan(8, "spaced", 110.0, 22.0, 16.0, gap_mm=3.0)


@cache
def photo_of(name: str) -> Photo:
    return read_photo(SAMPLES[name].photo)


@cache
def checked(name: str) -> tuple[Truth, Report]:
    sample: Sample = SAMPLES[name]
    return read_truth(sample.truth), check(photo_of(name), sample.plan, sample.reference)


@cache
def drawn(missing: int | None = None) -> Drawn:
    """A small ring between two cards, some 4 megapixels; ``missing`` is a segment of the truth file's."""
    faults = no_faults(SPACED)
    if missing is not None:
        faults = replace(faults, missing=frozenset({missing}))
    look = Look(Wood(("cherry",)), bench=Bench("grey"))
    return draw_ring(
        SPACED, seed=6, faults=faults, look=look, view=View(mm_per_px=0.15, tilt_deg=5.0), reference="cards:2"
    )


@cache
def plain_report() -> Report:
    return check(drawn().photo, SPACED)


# One sample for each reference, and for closed, spaced and tapered joints.
@pytest.mark.parametrize("name", ["oak12_closed", "oak24_spaced_turned", "wenge8_tapered_sheet"])
class TestSamples:
    def test_every_joint_is_found_and_none_invented(self, name: str) -> None:
        result = score(*checked(name))
        assert result.found == result.joints == SAMPLES[name].plan.segments
        assert result.false == 0

    def test_gaps_lie_within_their_uncertainty(self, name: str) -> None:
        result = score(*checked(name))
        gaps = [row for row in result.rows if row.quantity == "gap_mm" and row.kind != "squeeze-out"]
        assert all(row.told for row in gaps)
        assert np.mean([row.covered for row in gaps]) >= 0.93
        assert np.sqrt(np.mean(np.square([row.miss for row in gaps]))) < 0.05
        # Half of the default tolerance of an open joint, 0.3 mm; the whole of a closed one's, 0.15 mm.
        assert np.median([row.u95 for row in gaps if np.isfinite(row.u95)]) < 0.15

    def test_no_gap_out_of_tolerance_passes_as_in(self, name: str) -> None:
        for row in score(*checked(name)).rows:
            if row.quantity == "gap_mm" and row.verdict is Verdict.IN:
                assert row.inside

    def test_the_ring_itself_is_right(self, name: str) -> None:
        truth, report = checked(name)
        size, closure = report.measurement.ring.size_mm, report.measurement.ring.closure_deg
        if report.reference.kind == "across-flats":
            assert isinstance(size, Unknown)
        else:
            assert isinstance(size, Value)
            assert size.value == pytest.approx(truth.across_flats_mm, abs=size.u95)
        assert isinstance(closure, Value)
        tapers = [joint.taper_deg for joint in report.measurement.joints]
        assert closure.value + sum(t.value for t in tapers if isinstance(t, Value)) == pytest.approx(360.0)
        centre = np.array(report.measurement.ring.centre_px)
        assert np.hypot(*(centre - truth.centre_px)) * report.measurement.mm_per_px < 0.5

    def test_the_report_has_the_keys_that_other_programs_read(self, name: str) -> None:
        _, report = checked(name)
        told = json.loads(json.dumps(report.to_dict()))
        assert told["format"] == "lightgap-check/1"
        assert {
            "tolerance",
            "reference",
            "ring",
            "joints",
            "segments",
            "verdict",
            "advice",
            "seconds",
        } <= set(told)
        assert {"kind", "mm_per_px", "residual_px", "cards"} <= set(told["reference"])
        size = "diameter_mm" if report.plan.outline == "round" else "across_flats_mm"
        assert {size, "out_of_round_mm", "inner_offset_mm", "centre_px"} <= set(told["ring"])
        assert [joint["number"] for joint in told["joints"]] == list(range(1, report.plan.segments + 1))
        for joint in told["joints"]:
            assert set(joint["gap_mm"]) == {"inside", "middle", "outside"}
            assert {"angle_deg", "taper_deg", "pitch_error_deg", "skew_deg", "blocked_mm"} <= set(joint)
            assert {"filled", "verdict", "reasons"} <= set(joint)
            assert set(joint["faces_px"]) == {"a", "b"}
            for gap in joint["gap_mm"].values():
                assert set(gap) in ({"value", "u95"}, {"below"})
        for segment in told["segments"]:
            assert len(segment["mitre_deg"]) == 2
            assert {"included_angle_deg", "outer_length_mm", "radial_offset_mm", "twist_deg"} <= set(segment)
            # Null has its reason beside it.
            for key in ("included_angle_deg", "outer_length_mm", "radial_offset_mm", "twist_deg"):
                assert segment[key] is not None or segment[f"{key}_reason"]


def test_the_gaps_of_a_perfect_drawn_ring_are_the_plans() -> None:
    """Under a lamp whose strips of lit wall make some edges doubtful: then U, a 95 % interval, says so."""
    gaps = [
        gap
        for joint in plain_report().measurement.joints
        for gap in (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm)
        if isinstance(gap, Value)
    ]
    assert len(gaps) == 3 * SPACED.segments
    over = np.array([abs(gap.value - SPACED.gap_mm) / gap.u95 for gap in gaps])
    assert np.mean(over <= 1.0) >= 0.95
    assert over.max() < 1.5


def test_progress_is_told_in_order_and_ends() -> None:
    told: list[tuple[float, str]] = []
    check(drawn().photo, SPACED, progress=lambda share, step: told.append((share, step)))
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert 0.0 < shares[0] < 0.2
    assert told[-1] == (1.0, "done")
    assert "measuring the joints" in [step for _, step in told]


def test_cards_come_first_when_nothing_is_said() -> None:
    assert plain_report().reference.kind == "cards"
    assert find_reference(drawn().photo, SPACED, "cards").name == plain_report().reference.name


def test_a_missing_segment_is_told_as_such() -> None:
    picture = drawn(missing=3)
    report = check(picture.photo, SPACED)
    segments = report.measurement.segments
    (gone,) = [segment.number for segment in segments if not segment.present]
    assert not picture.truth.segments[gone - 1].present
    lost = {joint.number for joint in report.measurement.joints if not joint.found}
    assert lost == {gone, gone % 8 + 1}
    for number in lost:
        reason = report.measurement.joints[number - 1].reason
        assert reason == f"segment {gone} beside it is missing"
    assert report.verdict is Verdict.OUT
    assert report.headline == f"Segment {gone} is missing"


class TestByHand:
    def face(self, number: int, shift_px: float = 0.0) -> tuple[HandFace, HandFace]:
        true = drawn().truth.joints[number - 1]
        a, b = (
            HandFace(
                (float(ends[0, 0]) + shift_px, float(ends[0, 1])),
                (float(ends[1, 0]) + shift_px, float(ends[1, 1])),
            )
            for ends in (true.face_a_px, true.face_b_px)
        )
        return a, b

    def test_faces_set_by_hand_start_the_fit_and_are_marked(self) -> None:
        report = check(drawn().photo, SPACED, by_hand=ByHand(faces={5: self.face(5, shift_px=3.0)}))
        joints = report.measurement.joints
        assert [joint.number for joint in joints if joint.by_hand] == [5]
        gap, plain = joints[4].gap_middle_mm, plain_report().measurement.joints[4].gap_middle_mm
        assert isinstance(gap, Value)
        assert isinstance(plain, Value)
        assert gap.value == pytest.approx(plain.value, abs=0.02)
        assert report.to_dict()["joints"][4]["by_hand"] is True

    def test_a_struck_joint_is_not_measured_and_the_rest_is(self) -> None:
        report = check(drawn().photo, SPACED, by_hand=ByHand(struck=frozenset({2})))
        found = [joint.number for joint in report.measurement.joints if joint.found]
        assert found == [1, 3, 4, 5, 6, 7, 8]
        assert report.to_dict()["joints"][1]["gap_mm"]["middle"] is None

    def test_an_added_joint_is_measured(self) -> None:
        x, y = drawn().truth.joints[4].middle_px
        hand = ByHand(struck=frozenset({5}), added_px=((float(x) + 4.0, float(y) - 3.0),))
        joint = check(drawn().photo, SPACED, by_hand=hand).measurement.joints[4]
        assert joint.found
        assert isinstance(joint.gap_middle_mm, Value)
        assert joint.gap_middle_mm.value == pytest.approx(3.0, abs=joint.gap_middle_mm.u95)
        assert joint.gap_middle_mm.u95 < 0.1

    def test_the_marked_joint_bears_number_one(self) -> None:
        true = drawn().truth.joints[3].middle_px
        marked = ByHand(first_joint_px=(float(true[0]), float(true[1])))
        first = check(drawn().photo, SPACED, by_hand=marked).measurement.joints[0]
        assert np.hypot(*(np.mean(first.place_px, axis=0) - true)) < 10.0

    def test_three_points_on_the_outline_lead_to_the_same_ring(self) -> None:
        points = tuple(
            (float(x), float(y)) for x, y in (drawn().truth.joints[k].face_a_px[1] for k in (0, 3, 6))
        )
        report = check(drawn().photo, SPACED, by_hand=ByHand(outline_px=points))  # type: ignore[arg-type]
        np.testing.assert_allclose(
            report.measurement.ring.centre_px, plain_report().measurement.ring.centre_px, atol=0.5
        )


class TestBlur:
    CLOSED = Plan(12, "closed", 120.0, 22.0, 16.0)

    def ring(self, phone: Phone) -> Drawn:
        gaps = np.geomspace(0.05, 0.5, self.CLOSED.segments)
        faults = replace(no_faults(self.CLOSED), gap_mm=gaps)
        look = Look(Wood(("cherry",)), bench=Bench("grey"))
        return draw_ring(self.CLOSED, seed=8, faults=faults, look=look, view=View(mm_per_px=0.1), phone=phone)

    @pytest.mark.parametrize("direction_deg", [10.0, 75.0])
    def test_joints_across_a_movements_way_are_not_taken_for_wider_ones(self, direction_deg: float) -> None:
        drawn = self.ring(Phone(moved_px=4.0, moved_deg=direction_deg))
        report = check(drawn.photo, self.CLOSED)
        rows = [row for row in score(drawn.truth, report).rows if row.quantity == "gap_mm" and row.told]
        assert len(rows) == 3 * self.CLOSED.segments
        assert np.mean([row.covered for row in rows]) >= 0.95
        assert any("the phone moved" in note for note in report.notes)

    def test_a_photo_at_rest_has_no_such_note(self) -> None:
        assert not any("moved" in note or "blurred" in note for note in plain_report().notes)

    def test_one_card_alone_shows_no_movement(self) -> None:
        """In one place the lens's blur away from the middle looks like a movement: seed 306, case 178."""
        case = cases(306, 240)[178]
        report = check(case.draw().photo, case.plan, "cards")
        assert not any("moved" in note for note in report.notes)

    @pytest.mark.parametrize(
        ("phone", "told"),
        [(Phone(moved_px=10.0, moved_deg=40.0), "The phone moved"), (Phone(blur_px=3.6), "too blurred")],
        ids=["moved", "out of focus"],
    )
    def test_too_much_of_either_is_refused(self, phone: Phone, told: str) -> None:
        error = refused(self.ring(phone).photo, self.CLOSED)
        assert isinstance(error, PhotoError)
        assert told in error.message


def refused(photo: Photo, plan: Plan, reference: str = "auto") -> LightgapError:
    """What the person is told: soon, in one plain sentence each."""
    started = time.process_time()
    with pytest.raises(LightgapError) as refusal:
        check(photo, plan, reference)
    assert time.process_time() - started < 20.0
    error = refusal.value
    for text in (error.message, error.hint):
        assert 10 < len(text) < 220
        assert not re.search(r"\n|[.!?] [A-Z]|Error|None", text)
    return error


def enlarged(picture: np.ndarray, width: int, height: int) -> Photo:
    colour = np.stack([picture] * 3, axis=-1) if picture.ndim == 2 else picture
    return Photo(cv2.resize(colour, (width, height)))


class TestBadInput:
    # Photographs that scikit-image carries itself (skimage.data); more of them in ring/test_no_ring.py.
    @pytest.mark.parametrize("name", ["coins", "page"])
    def test_a_picture_without_a_ring_is_refused(self, name: str) -> None:
        photo = enlarged(getattr(data, name)(), 1500, 1200)
        assert isinstance(refused(photo, SAMPLES["oak12_closed"].plan), RingError)

    @pytest.mark.skipif(
        sys.platform != "linux",
        reason="only Linux tells a process's own peak (VmHWM in proc(5)): getrusage counts its parent's in; "
        "never skipped in .ci/run, which needs Linux",
    )
    def test_fifty_megapixels_without_a_ring_stay_within_memory(self) -> None:
        program = (
            "import cv2, numpy as np, os, re\n"
            "from skimage import data\n"
            "from lightgap.check import check\n"
            "from lightgap.errors import RingError\n"
            "from lightgap.photo import Photo\n"
            "from lightgap.plan import Plan\n"
            "coins = cv2.resize(np.stack([data.coins()] * 3, axis=-1), (8160, 6120))\n"
            "try:\n"
            "    check(Photo(coins), Plan(12, 'closed', 220.0, 38.0, 19.0))\n"
            "except RingError:\n"
            "    status = open('/proc/self/status').read()\n"
            "    print(1024 * int(re.search(r'VmHWM:\\s+(\\d+) kB', status)[1]), os.times().user)\n"
        )
        run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
        peak_bytes, seconds = map(float, run.stdout.split())
        assert peak_bytes < 1.5e9
        assert seconds < 20.0

    @pytest.mark.parametrize(("entered", "there"), [(17, 16), (12, 16)])
    def test_a_wrong_number_of_segments_is_named(self, entered: int, there: int) -> None:
        plan = replace(SAMPLES["walnut16_spaced"].plan, segments=entered)
        error = refused(photo_of("walnut16_spaced"), plan)
        assert str(entered) in error.message
        assert str(there) in error.message

    def test_a_ring_cut_off_by_the_frame_says_so(self) -> None:
        whole = photo_of("walnut16_spaced")
        codes = np.ascontiguousarray(whole.codes[:, : int(0.55 * whole.width)])
        error = refused(Photo(codes, whole.focal_px), SAMPLES["walnut16_spaced"].plan)
        assert "cut off at the right" in error.message

    def test_a_ring_of_another_size_says_so(self) -> None:
        plan = replace(SAMPLES["walnut16_spaced"].plan, across_flats_mm=200.0)
        assert "but the plan says 200 mm" in refused(photo_of("walnut16_spaced"), plan).message

    def test_no_card_where_cards_were_promised(self) -> None:
        sample = SAMPLES["walnut12_closed_measured"]
        error = refused(photo_of(sample.name), sample.plan, "cards")
        assert isinstance(error, ScaleError)
        assert "no printed card" in error.message

    def test_no_sheet_where_a_sheet_was_promised(self) -> None:
        sample = SAMPLES["walnut12_closed_measured"]
        assert isinstance(refused(photo_of(sample.name), sample.plan, "sheet:A4"), ScaleError)

    @pytest.mark.parametrize(
        "reference",
        ["ruler", "cards:4", "sheet:A9", "across-flats:wide", "across-flats:-5", "across-flats:0", "auto:1"],
    )
    def test_a_reference_that_is_none(self, reference: str) -> None:
        assert isinstance(refused(drawn().photo, SPACED, reference), PlanError)

    def covered(self, *cards: int) -> Photo:
        """The drawn ring with a brown board laid over half of these cards."""
        codes = drawn().photo.codes.copy()
        camera = drawn().truth.camera
        for card in cards:
            corners = np.array(drawn().raw["reference"]["cards"][card]["corners_mm"])
            half = np.stack([corners[0], corners[1], corners[1:3].mean(axis=0), corners[[0, 3]].mean(axis=0)])
            outline = np.rint(camera.project_plane(half, 0.0)).astype(np.int32)
            cv2.fillConvexPoly(codes, outline, (110, 85, 60))
        return Photo(codes, drawn().photo.focal_px, drawn().photo.name)

    def test_a_half_covered_card_is_left_out_and_named(self) -> None:
        report = check(self.covered(0), SPACED)
        cards = {card.number: card for card in report.reference.cards}
        hidden = cards[drawn().raw["reference"]["cards"][0]["id"]]
        assert not hidden.used
        assert hidden.reason
        assert any(f"card {hidden.number}" in note for note in report.notes)
        assert sum(card.used for card in cards.values()) == 1
        assert all(joint.found for joint in report.measurement.joints)

    def test_half_covered_cards_alone_give_no_scale(self) -> None:
        assert isinstance(refused(self.covered(0, 1), SPACED, "cards"), ScaleError)


def test_the_same_photo_gives_the_same_report() -> None:
    again = check(drawn().photo, SPACED).to_dict()
    first = plain_report().to_dict()
    del again["seconds"], first["seconds"]
    assert again == first
