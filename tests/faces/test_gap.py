"""What stands in an open gap: nothing, resin, or a block; and where the bench seen through is none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from accuracy.look import Bench, Light, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.shape import Filling, no_faults
from lightgap.faces.blur import Response
from lightgap.faces.fit import fit_joints
from lightgap.faces.gap import GapView, view_gap
from lightgap.faces.joint import JointFaces
from lightgap.faces.site import Site
from lightgap.faces.strip import Strip
from lightgap.plan import Plan
from made_strip import Array, MadeJoint

SLOT = MadeJoint(3.0, woods=(0.4, 0.35), slot=0.01, length_mm=32.0, figure=0.05, noise=0.003)
HALF = 1.5


def site(foot_u_mm: float = -80.0) -> Site:
    """The camera over the ring's centre: it sees the bench outside past the slot's last 4 mm."""
    return replace(SLOT.site(), foot_u_mm=foot_u_mm)


def with_light(strip: Strip, where: Array, light: Array | float, within_mm: float = 1.35) -> Strip:
    changed = strip.light.copy()
    inside = (np.abs(strip.v) < within_mm) & where
    changed[inside] = np.broadcast_to(light, changed.shape)[inside]
    return replace(strip, light=changed)


def view(strip: Strip, foot_u_mm: float = -80.0) -> GapView:
    return view_gap(strip, site(foot_u_mm), HALF, 0.0)


def test_the_bench_is_seen_outside_past_the_slots_end() -> None:
    """By similar triangles: 400 mm above the top, 418 above the bench, 96 mm from the camera's foot."""
    assert site().seen_through(16.0) == pytest.approx(16.0 - 96.0 * 18.0 / 418.0)
    assert site(foot_u_mm=16.0).seen_through(16.0) == 16.0


class TestOpen:
    def test_a_dark_slot(self) -> None:
        strip = SLOT.strip()
        assert view(with_light(strip, strip.u > 12.0, 0.3)) == GapView("open", None)

    def test_light_that_enters_from_the_outer_end(self) -> None:
        """A lit bench, seen outside and some way in."""
        strip = SLOT.strip()
        assert view(with_light(strip, strip.u > 9.0, 0.5)) == GapView("open", None)

    def test_light_that_enters_from_the_inner_end(self) -> None:
        strip = SLOT.strip()
        assert view(with_light(strip, strip.u < -11.0, 0.3)) == GapView("open", None)

    def test_a_pale_bench_seen_through_beside_the_wall(self) -> None:
        strip = SLOT.strip()
        bench = with_light(strip, strip.v > -0.4, 0.3 + 0.2 * strip.u[:, None] / 32.0)
        assert view(bench).kind == "open"
        assert view(bench).blocked_mm is None

    def test_a_slot_seen_from_straight_above_is_not_taken_for_black_resin(self) -> None:
        assert view(SLOT.strip(), foot_u_mm=0.0).kind == "open"


class TestBlocked:
    @pytest.mark.parametrize(("low", "high"), [(-8.0, 1.0), (-14.6, -4.0), (2.0, 9.0)])
    def test_a_block_is_found_within_a_millimetre(self, low: float, high: float) -> None:
        strip = SLOT.strip()
        seen = view(with_light(strip, (strip.u > low) & (strip.u < high), 0.25))
        assert seen.kind == "open"
        assert seen.blocked_mm == pytest.approx((low, high), abs=0.6)
        assert seen.hidden_mm == seen.blocked_mm

    def test_a_block_beside_a_lit_end(self) -> None:
        strip = with_light(SLOT.strip(), SLOT.strip().u > 12.0, 0.5)
        seen = view(with_light(strip, (strip.u > -5.0) & (strip.u < 3.0), 0.2))
        assert seen.blocked_mm == pytest.approx((-5.0, 3.0), abs=0.6)

    def test_the_side_of_a_block_hides_the_gap_but_is_not_its_top(self) -> None:
        """The camera looks outward and down: it sees the side that looks to the ring's centre."""
        strip = with_light(SLOT.strip(), (SLOT.strip().u > -7.0) & (SLOT.strip().u < -4.0), 0.12)
        seen = view(with_light(strip, (strip.u > -4.0) & (strip.u < 4.0), 0.25))
        assert seen.blocked_mm == pytest.approx((-4.0, 4.0), abs=0.6)
        assert seen.hidden_mm == pytest.approx((-7.0, 4.0), abs=0.6)

    def test_the_narrow_ends_of_a_blob_belong_to_it(self) -> None:
        strip = SLOT.strip()
        inside = (strip.u / 7.0) ** 2 + (strip.v / 1.4) ** 2 < 1.0
        assert view(with_light(strip, inside, 0.3)).blocked_mm == pytest.approx((-7.0, 7.0), abs=1.0)

    def test_a_sliver_across_is_too_short(self) -> None:
        strip = with_light(SLOT.strip(), SLOT.strip().u > 12.0, 0.3)
        assert view(with_light(strip, np.abs(strip.u) < 0.7, 0.4)) == GapView("open", None)


class TestResin:
    @pytest.mark.parametrize(
        "resin",
        [(0.03, 0.09, 0.35), (0.6, 0.6, 0.58), (0.25, 0.17, 0.08), (0.02, 0.02, 0.02)],
        ids=["blue", "white", "amber", "black"],
    )
    def test_one_colour_to_the_very_ends(self, resin: tuple[float, float, float]) -> None:
        strip = SLOT.strip()
        seen = view(with_light(strip, np.abs(strip.u) < 20.0, np.array(resin), within_mm=1.6))
        assert seen == GapView("resin", None)

    def test_a_reflected_window_on_it(self) -> None:
        """Glare that grows along the joint to more than the resin's own light."""
        strip = SLOT.strip()
        glare = np.array([0.03, 0.09, 0.35]) + 0.1 * (1.0 + strip.u[:, None] / 32.0)
        assert view(with_light(strip, np.abs(strip.u) < 20.0, glare, within_mm=1.6)).kind == "resin"


@cache
def drawn() -> Drawn:
    """An open ring of maple, a block of glue in its joint 3 and a stub of wood in its joint 7."""
    plan = Plan(10, "spaced", 130.0, 28.0, 18.0, gap_mm=2.6)
    blocks = {
        3: Filling("glue", (45.0, 55.0), (0.45, 0.33, 0.18), 0.3, 0.0, 1.0),
        7: Filling("spacer", (40.0, 51.0), (0.5, 0.42, 0.3), 1.5, 0.0, 1.0),
    }
    return draw_ring(
        plan,
        seed=9,
        faults=replace(no_faults(plan), fillings=blocks),
        look=Look(Wood(("maple",)), Light(from_deg=20.0, slope=0.9, share=0.5), Bench("kraft")),
        view=View(mm_per_px=0.1, tilt_deg=4.0),
        reference="none",
    )


def measured() -> tuple[JointFaces, ...]:
    photo, truth = drawn().photo, drawn().truth
    blur = float(np.sqrt(0.8**2 + 1.0 / 12.0))
    response = Response(blur, 0.0, (photo.width, photo.height), 0.02, 0.0, 1.0, 0.0, "")
    return fit_joints(photo, response, truth.outline(), truth.comb(0.2, 0.3), (), truth.plan, {})


def test_blocks_of_a_drawn_ring_and_the_open_part_beside_them() -> None:
    for joint, true in zip(measured(), drawn().truth.joints, strict=True):
        assert joint.kind == "open"
        if true.blocked_mm is None:
            assert joint.blocked_mm is None
            continue
        assert joint.blocked_mm == pytest.approx(true.blocked_mm, abs=1.0)
        assert joint.face_a is not None
        assert joint.face_b is not None
        gap = joint.face_b.offset_mm - joint.face_a.offset_mm
        assert gap == pytest.approx(2.6, abs=0.05)
        assert "the gap is blocked part of the way; the open part is measured" in joint.doubts
