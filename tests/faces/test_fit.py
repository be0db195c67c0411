"""Which way each joint is fitted, and what is said of those that cannot be."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from accuracy.look import Bench, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.shape import Filling, no_faults
from accuracy.truth import Truth
from exact_ring import ExactRing
from lightgap.faces.blur import Response, typical_response
from lightgap.faces.fit import fit_joints
from lightgap.faces.joint import JointFaces
from lightgap.faces.site import find_site
from lightgap.hand import HandFace
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb
from lightgap.ring.edges import SegmentEdges

CLOSED = Plan(6, "closed", 84.0, 18.0, 12.0)
SPACED = Plan(6, "spaced", 84.0, 18.0, 12.0, gap_mm=2.5)


@cache
def drawn(style: str) -> Drawn:
    plan = CLOSED if style == "closed" else SPACED
    look = Look(Wood(("oak",)), bench=Bench("kraft"))
    return draw_ring(plan, seed=2, look=look, view=View(mm_per_px=0.11, tilt_deg=5.0), reference="none")


def response_of(photo: Photo) -> Response:
    blur = float(np.sqrt(0.8**2 + 1.0 / 12.0))
    return replace(typical_response(photo), middle_px=blur, standard=0.02, is_sure=True)


def fitted(
    style: str,
    comb: Comb | None = None,
    photo: Photo | None = None,
    hand: dict[int, tuple[HandFace, HandFace]] | None = None,
) -> tuple[JointFaces, ...]:
    truth, photo = drawn(style).truth, photo or drawn(style).photo
    comb = comb or truth.comb()
    return fit_joints(photo, response_of(photo), truth.outline(), comb, (), truth.plan, hand or {})


def with_tooth(truth: Truth, number: int, **changes: object) -> Comb:
    comb = truth.comb()
    teeth = [replace(t, **changes) if t.number == number else t for t in comb.teeth]
    return replace(comb, teeth=tuple(teeth))


def middle_gap(joint: JointFaces) -> float:
    assert joint.face_a is not None
    assert joint.face_b is not None
    at = sum(joint.ends_mm) / 2.0
    a, b = joint.face_a, joint.face_b
    return b.offset_mm - a.offset_mm + (b.slope - a.slope) * at


@pytest.mark.parametrize(("style", "kind"), [("closed", "closed"), ("spaced", "open")])
def test_every_joint_comes_in_its_order_and_kind(style: str, kind: str) -> None:
    joints = fitted(style)
    assert [joint.number for joint in joints] == [1, 2, 3, 4, 5, 6]
    assert {joint.kind for joint in joints} == {kind}
    for joint, true in zip(joints, drawn(style).truth.joints, strict=True):
        assert middle_gap(joint) == pytest.approx(true.gap_middle_mm, abs=0.05)
        assert not joint.by_hand


def test_a_joint_planned_closed_that_gapes_is_fitted_edge_by_edge() -> None:
    """The spaced ring, entered as a closed one: 2.5 mm are no thin line any more."""
    truth = drawn("spaced").truth
    comb = truth.comb()
    plan = replace(CLOSED, across_flats_mm=truth.plan.across_flats_mm)
    photo = drawn("spaced").photo
    joints = fit_joints(photo, response_of(photo), truth.outline(), comb_with_gaps(comb, 2.4), (), plan, {})
    for joint, true in zip(joints, truth.joints, strict=True):
        assert joint.kind == "open"
        assert middle_gap(joint) == pytest.approx(true.gap_middle_mm, abs=0.05)


def comb_with_gaps(comb: Comb, gap_mm: float) -> Comb:
    return replace(comb, teeth=tuple(replace(tooth, gap_mm=gap_mm) for tooth in comb.teeth))


class TestNotMeasured:
    def test_what_was_not_found_is_not_invented(self) -> None:
        joint = fitted("spaced", with_tooth(drawn("spaced").truth, 2, found=False))[1]
        assert joint.face_a is joint.face_b is None
        assert joint.reason == "nothing like a joint can be seen at this place"

    def test_beside_a_missing_segment_there_is_no_gap(self) -> None:
        comb = replace(drawn("spaced").truth.comb(), missing_segments=(6,))
        joints = fitted("spaced", comb)
        # Segment 6 lies between joints 6 and 1.
        assert [joint.face_a is None for joint in joints] == [True, False, False, False, False, True]
        assert joints[0].reason == joints[5].reason == "segment 6 beside it is missing"

    def test_a_joint_beyond_the_photo_has_too_few_pixels(self) -> None:
        truth, photo = drawn("spaced").truth, drawn("spaced").photo
        rightmost = max(truth.joints, key=lambda joint: joint.middle_px[0])
        number = truth.joints.index(rightmost) + 1
        inner_x = min(rightmost.face_a_px[0, 0], rightmost.face_b_px[0, 0])
        cut = Photo(np.ascontiguousarray(photo.codes[:, : int(inner_x) - 15]))
        joint = fitted("spaced", photo=cut)[number - 1]
        assert joint.reason == "too few pixels of it are in the photo"

    @pytest.mark.parametrize("seed", [1, 2, 3])
    def test_a_joint_under_dried_glue_is_never_called_tight(self, seed: int) -> None:
        faults = replace(no_faults(CLOSED), squeeze_out=frozenset({1}))
        look = Look(Wood(("oak",)), bench=Bench("kraft"))
        view = View(mm_per_px=0.11, tilt_deg=5.0)
        glued = draw_ring(CLOSED, seed, faults=faults, look=look, view=view, reference="none")
        truth, photo = glued.truth, glued.photo
        joints = fit_joints(photo, response_of(photo), truth.outline(), truth.comb(), (), CLOSED, {})
        covered = [j for j, true in zip(joints, truth.joints, strict=True) if true.squeeze_out]
        assert len(covered) == 1
        assert covered[0].below_mm is None
        assert covered[0].reason == "dried glue hides this joint" or covered[0].doubts

    @pytest.mark.parametrize(("glued", "is_doubted"), [((1,), True), ((1, 4), False)])
    def test_the_only_wide_line_of_glue_may_be_dried_glue(
        self, glued: tuple[int, ...], is_doubted: bool
    ) -> None:
        gaps = np.full(CLOSED.segments, 0.05)
        gaps[list(glued)] = 0.8
        line = Filling("glue", colour=(0.62, 0.52, 0.26), rim_mm=0.04)
        faults = replace(no_faults(CLOSED), gap_mm=gaps, fillings=dict.fromkeys(glued, line))
        look = Look(Wood(("walnut",)), bench=Bench("kraft"))
        ring = draw_ring(CLOSED, 3, faults=faults, look=look, view=View(mm_per_px=0.11), reference="none")
        truth, photo = ring.truth, ring.photo
        joints = fit_joints(photo, response_of(photo), truth.outline(), truth.comb(), (), CLOSED, {})
        wide = [joint for joint, true in zip(joints, truth.joints, strict=True) if true.filled == "glue"]
        assert len(wide) == len(glued)
        for joint in wide:
            assert middle_gap(joint) == pytest.approx(0.8, abs=0.1)
            unsure = 2.0 * float(np.sqrt(sum(part.standard**2 for part in joint.gap_budget)))
            assert (unsure > 0.7) == is_doubted
            assert any("dried glue" in doubt for doubt in joint.doubts) == is_doubted

    @pytest.mark.parametrize("style", ["closed", "spaced"])
    def test_a_joint_that_leaves_the_photo_half_way_gives_no_warning(self, style: str) -> None:
        truth, photo = drawn(style).truth, drawn(style).photo
        rightmost = max(truth.joints, key=lambda joint: joint.middle_px[0])
        cut = Photo(np.ascontiguousarray(photo.codes[:, : int(rightmost.middle_px[0])]))
        joint = fitted(style, photo=cut)[truth.joints.index(rightmost)]
        assert joint.reason is None or "could not be fitted" in joint.reason

    @pytest.mark.parametrize("style", ["closed", "spaced"])
    def test_blown_out_wood_leaves_nothing_to_measure(self, style: str) -> None:
        codes = np.minimum(drawn(style).photo.codes.astype(float) * 2.2, 255.0).astype(np.uint8)
        for joint in fitted(style, photo=Photo(codes)):
            assert joint.reason == "the wood beside it is blown out by glare"


class TestByHand:
    def faces(self, style: str, number: int, shift_px: float = 0.0) -> tuple[HandFace, HandFace]:
        """The true faces, dragged aside by so much in the photo."""
        true = drawn(style).truth.joints[number - 1]
        dragged = [face + shift_px for face in (true.face_a_px, true.face_b_px)]
        a, b = (HandFace(tuple(map(float, ends[0])), tuple(map(float, ends[1]))) for ends in dragged)
        return a, b

    @pytest.mark.parametrize("style", ["closed", "spaced"])
    def test_the_fit_starts_from_them_and_is_marked(self, style: str) -> None:
        truth = drawn(style).truth
        tooth = truth.comb().teeth[3]
        lost = with_tooth(truth, 4, middle_mm=tooth.middle_mm + 4.0, found=False)
        assert fitted(style, lost)[3].face_a is None
        joints = fitted(style, lost, hand={4: self.faces(style, 4, shift_px=2.0)})
        assert [joint.by_hand for joint in joints] == [False, False, False, True, False, False]
        assert middle_gap(joints[3]) == pytest.approx(truth.joints[3].gap_middle_mm, abs=0.05)

    def test_where_exactly_they_were_dragged_does_not_matter(self) -> None:
        gaps = [
            middle_gap(fitted("spaced", hand={4: self.faces("spaced", 4, shift)})[3]) for shift in (-2.0, 2.0)
        ]
        assert gaps[0] == pytest.approx(gaps[1], abs=0.01)


class TestSite:
    """What a fit is told of its surroundings, on a ring whose edges are known exactly."""

    RING = ExactRing(Plan(8, "tapered", 240.0, 44.0, 24.0, gap_mm=5.0, gap_deg=2.0))

    def ends(self, edges: bool, plan: Plan = RING.plan) -> list[tuple[float, float]]:
        """Distance from the ring's centre of each joint's inner and outer end."""
        ring = replace(self.RING, plan=plan)
        comb = ring.comb
        ends = []
        for tooth in comb.teeth:
            before: SegmentEdges | None = None
            after: SegmentEdges | None = None
            if edges:
                before, after = ring.edges((tooth.number - 2) % plan.segments + 1), ring.edges(tooth.number)
            blur = Response(0.9, 0.0, (1600, 1200), 0.02, 0.0, 1.0, 0.0, "")
            site = find_site(ring.outline, tooth, before, after, plan, blur)
            radius = float(np.hypot(*tooth.middle_mm))
            ends.append((radius + site.ends_mm[0], radius + site.ends_mm[1]))
        return ends

    def test_a_joint_ends_where_its_faces_meet_the_edges(self) -> None:
        """Beside the centre line the polygon has turned in: by half the gap x tan(180/N)."""
        inner, outer = self.RING.plan.joint_radii_mm
        short = np.tan(np.radians(22.5))
        widening = np.tan(np.radians(1.0))
        middle = self.RING.plan.middle_radius_mm
        expected = [
            (corner - (2.5 - widening * middle) * short) / (1.0 + widening * short)
            for corner in (inner, outer)
        ]
        for found in self.ends(edges=True):
            # The tooth lies 0.1 mm beside and 0.3 degrees aslant of the joint.
            assert found == pytest.approx(expected, abs=0.25)
        # Without the edges, the plan's own size tells it, the taper left out.
        for found in self.ends(edges=False):
            assert found == pytest.approx(expected, abs=0.45)

    @pytest.mark.parametrize("edges", [False, True])
    def test_a_turned_ring_ends_at_its_radius(self, edges: bool) -> None:
        """The tangents at the middles of its arcs meet 1.5 mm outside it."""
        plan = Plan(20, "tapered", 240.0, 44.0, 24.0, gap_mm=3.0, gap_deg=2.0, outline="round")
        for found in self.ends(edges, plan):
            assert found == pytest.approx(plan.joint_radii_mm, abs=0.2)

    def test_the_lean_is_how_far_aside_the_camera_stands(self) -> None:
        ring = self.RING
        blur = Response(0.9, 0.0, (1600, 1200), 0.02, 0.0, 1.0, 0.0, "")
        camera = ring.outline.camera
        for tooth in ring.comb.teeth:
            site = find_site(ring.outline, tooth, None, None, ring.plan, blur)
            _, across = site.frame.from_ring(camera.foot_mm[:2])
            assert site.lean == pytest.approx(across / (camera.foot_mm[2] - 24.0))
            assert site.px_per_mm == pytest.approx(camera.px_per_mm(tooth.middle_mm, 24.0))
