"""Closed joints, lines much thinner than the blur: of one wood or of two, made strips and drawn rings."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from accuracy.look import Bench, Light, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.phone import Phone
from lightgap.faces.blur import Response
from lightgap.faces.closed import SLOT_SHARE, ClosedFit, ClosedView, fit_closed, line_blur
from lightgap.faces.closed_joints import measure_closed
from lightgap.faces.closed_look import ClosedSight
from lightgap.faces.fit import fit_joints
from lightgap.faces.joint import JointFaces
from lightgap.plan import Plan
from made_strip import Array, MadeJoint

PLAN = Plan(12, "closed", 200.0, 24.0, 18.0)
CLEAN = Response(0.8, 0.0, (4000, 3000), 0.015, 0.0, 1.0, 0.0, "")
LINE = MadeJoint(0.1, woods=(0.4, 0.4), slot=0.0, blur_px=0.8, px_per_mm=10.0, length_mm=21.2)
"""The reference case of the bounds: 0.1 mm to the pixel, 0.8 px of blur; the slot gives no light."""


def fitted(
    made: MadeJoint, seed: int = 0, slot_share: float = 0.0, blur_px: float | None = None
) -> ClosedFit:
    fit = fit_closed(
        ClosedView(made.strip(seed), made.u_range, blur_px or made.blur_px, slot_share, 0.0, 0.0)
    )
    assert fit is not None
    return fit


class TestOneLine:
    @pytest.mark.parametrize("gap_px", [0.2, 0.5, 1.0, 2.0, 3.0, 5.0])
    def test_without_noise_its_width_is_found(self, gap_px: float) -> None:
        fit = fitted(replace(LINE, gap_mm=gap_px / 10.0, figure=0.1))
        assert 10.0 * fit.gap_mm == pytest.approx(gap_px, abs=0.01)

    @pytest.mark.parametrize(
        ("gap_px", "half_depth_px"), [(0.2, 1.89), (1.0, 2.01), (2.0, 2.42), (3.0, 3.12)]
    )
    def test_its_width_is_not_the_width_at_half_depth(self, gap_px: float, half_depth_px: float) -> None:
        """Which never falls below 2.355 x 0.8 px; the pairs are computed from two error functions."""
        fit = fitted(replace(LINE, gap_mm=gap_px / 10.0, noise=0.001))
        assert width_at_half_depth(fit.profile) == pytest.approx(half_depth_px, abs=0.05)
        assert 10.0 * fit.gap_mm == pytest.approx(gap_px, abs=0.01)

    def test_no_gap_reads_as_none(self) -> None:
        assert fitted(replace(LINE, gap_mm=0.0, noise=0.002)).gap_mm == pytest.approx(0.0, abs=0.002)

    @pytest.mark.parametrize(
        "made",
        [
            replace(LINE, centre_mm=0.12, skew=0.008),
            replace(LINE, gap_mm=0.2, taper=0.006),
            replace(LINE, gap_mm=0.25, woods=(0.5, 0.08), centre_mm=-0.05),
        ],
        ids=["beside and turned", "wider outside", "two woods"],
    )
    def test_place_turn_and_widening_are_found(self, made: MadeJoint) -> None:
        fit = fitted(made)
        at = fit.middle_mm
        assert fit.centre_mm == pytest.approx(made.centre_mm + made.skew * at, abs=0.001)
        assert fit.centre_slope == pytest.approx(made.skew, abs=1e-4)
        assert fit.gap_mm == pytest.approx(made.gap_mm + made.taper * at, abs=0.001)
        assert fit.gap_slope == pytest.approx(made.taper, abs=2e-4)

    def test_two_woods_alone_are_no_gap(self) -> None:
        fit = fitted(replace(LINE, gap_mm=0.0, woods=(0.5, 0.1), noise=0.003))
        assert fit.gap_mm == pytest.approx(0.0, abs=0.01)
        assert fit.step == pytest.approx(0.4 / 0.3, rel=0.02)

    def test_a_slot_that_gives_light_is_as_dark_as_it_is_said_to_be(self) -> None:
        """What is seen is width times darkness: a slot of 20 % light, taken for black, looks narrower."""
        made = replace(LINE, slot=0.2 * 0.4, noise=0.003)
        assert fitted(made, slot_share=0.2).gap_mm == pytest.approx(0.1, abs=0.003)
        black = fitted(made, slot_share=0.0)
        assert black.gap_mm == pytest.approx(0.08, abs=0.003)
        # And how much that matters is told.
        assert black.gap_per_slot == pytest.approx(black.gap_mm, rel=0.15)

    def test_white_noise_costs_little_more_than_the_bound(self) -> None:
        """Darkness known: (n / D) sqrt(2 sqrt(pi) s / L) = 0.006 px at D / n = 20, s = 0.8 px, L = 200 px."""
        made = replace(LINE, noise=0.02)
        fits = [fitted(made, seed) for seed in range(200)]
        bound = 0.05 * np.sqrt(2.0 * np.sqrt(np.pi) * 0.8 / 200.0)
        assert bound == pytest.approx(0.006, rel=0.02)
        rms = np.sqrt(np.mean([(10.0 * fit.gap_mm - 1.0) ** 2 for fit in fits]))
        # Wood levels free on both sides of every row cost 1.1, slopes across it more.
        assert rms < 1.5 * bound
        told = 10.0 * np.sqrt(np.mean([fit.covariance[2, 2] for fit in fits]))
        assert 0.8 < told / rms < 1.6

    def test_too_short_a_line_is_not_fitted(self) -> None:
        assert fit_closed(ClosedView(LINE.strip(), (0.0, 1.5), 0.8, 0.0, 0.0, 0.0)) is None

    def test_grain_that_slants_into_the_joint_is_followed(self) -> None:
        """Rows that follow the grain see even wood where rows square to the joint see stripes."""
        made = replace(LINE, gap_mm=0.05)
        strip = made.strip()
        slant = np.tan(np.radians(30.0))
        stripes = 1.0 + 0.15 * np.sin(2.0 * np.pi * (strip.u + slant * np.abs(strip.v)) / 3.0)
        grained = replace(strip, light=(strip.light * stripes[:, None]).astype(np.float32))
        along, square = (
            fit_closed(ClosedView(grained, made.u_range, 0.8, 0.0, slope, 0.0)) for slope in (slant, 0.0)
        )
        assert along is not None
        assert square is not None
        assert along.scatter < 0.7 * square.scatter
        assert along.gap_mm == pytest.approx(0.05, abs=0.005)


def width_at_half_depth(profile: Array) -> float:
    """Width of a dark line where it is half as deep as in its middle, px."""
    depth = profile.max() - profile
    inside = np.flatnonzero(depth > 0.5 * depth.max())
    low, high = inside[0], inside[-1]
    left = (depth[low] - 0.5 * depth.max()) / (depth[low] - depth[low - 1])
    right = (depth[high] - 0.5 * depth.max()) / (depth[high] - depth[high + 1])
    return float(0.25 * (high - low + left + right))


class TestBlurOfLines:
    @pytest.mark.parametrize("blur_px", [0.65, 0.8, 1.1])
    def test_thin_lines_tell_the_blur(self, blur_px: float) -> None:
        made = replace(LINE, gap_mm=0.03, blur_px=blur_px, noise=0.003)
        profiles = np.array([fitted(made, seed, blur_px=0.8).profile for seed in range(6)])
        assert line_blur(profiles, 0.0) == pytest.approx(blur_px, rel=0.06)

    def test_even_wood_tells_nothing(self) -> None:
        made = replace(LINE, gap_mm=0.0, noise=0.003)
        assert line_blur(np.array([fitted(made, seed).profile for seed in range(6)]), 0.0) is None


def measured(
    made: MadeJoint, count: int = 1, response: Response = CLEAN, lean: float = 0.1
) -> list[JointFaces]:
    sights = [ClosedSight(made.site(lean), made.strip(seed)) for seed in range(count)]
    return measure_closed(sights, PLAN, response)


def gap_of(joint: JointFaces) -> float:
    assert joint.face_a is not None
    assert joint.face_b is not None
    return joint.face_b.offset_mm - joint.face_a.offset_mm


def standard_of(joint: JointFaces, name: str) -> float:
    return sum(part.standard for part in joint.gap_budget if part.name == name)


class TestOneJoint:
    def test_a_wide_enough_line_is_measured(self) -> None:
        made = replace(LINE, gap_mm=0.2, slot=0.4 * SLOT_SHARE * 0.1, centre_mm=0.03, noise=0.004)
        (joint,) = measured(made)
        assert joint.kind == "closed"
        assert joint.below_mm is None
        assert gap_of(joint) == pytest.approx(0.2, abs=0.004)
        assert joint.face_a is not None
        assert joint.face_a.offset_mm == pytest.approx(made.face_a.offset_mm, abs=0.004)

    @pytest.mark.parametrize("gap_mm", [0.0, 0.005])
    def test_what_cannot_be_resolved_is_below_what_can(self, gap_mm: float) -> None:
        (joint,) = measured(replace(LINE, gap_mm=gap_mm, noise=0.004))
        assert joint.below_mm is not None
        assert gap_mm < joint.below_mm < 0.06

    def test_the_budget_grows_with_what_it_stands_for(self) -> None:
        made = replace(LINE, gap_mm=0.2, noise=0.004)
        (plain,), (processed,) = (
            measured(made, response=response)
            for response in (CLEAN, replace(CLEAN, halo_gain=0.5, halo_standard=0.25))
        )
        assert standard_of(processed, "phone's processing") > standard_of(plain, "phone's processing")
        (unsure_blur,) = measured(made, response=replace(CLEAN, standard=0.1))
        # A faint line's blur is never known better than to 3 %.
        growth = np.hypot(0.1, 0.03) / np.hypot(CLEAN.standard, 0.03)
        assert standard_of(unsure_blur, "blur") == pytest.approx(
            growth * standard_of(plain, "blur"), rel=0.01
        )
        (step,) = measured(replace(made, woods=(0.4, 0.2)))
        assert standard_of(step, "phone's processing") > standard_of(plain, "phone's processing")
        (aslant,) = measured(made, lean=0.3)
        assert standard_of(aslant, "heights of the two segments") == pytest.approx(0.3 * 0.07 * np.sqrt(2.0))
        # Seen at a slant, a slot shows a wall that one lamp lights and another leaves dark.
        assert standard_of(aslant, "slot darkness") > 1.5 * standard_of(plain, "slot darkness")

    def test_an_unsure_blur_is_taken_half_from_the_lines_themselves(self) -> None:
        """The photo's edges say 1.0 px, the lines 0.8: the mean, and half their distance as its doubt."""
        made = replace(LINE, gap_mm=0.06, noise=0.003, slot=0.4 * SLOT_SHARE * 0.1)
        unsure = replace(CLEAN, middle_px=1.0, is_sure=False)
        sights = [ClosedSight(replace(made.site(0.1), blur_px=1.0), made.strip(seed)) for seed in range(5)]
        helped, alone = measure_closed(sights, PLAN, unsure)[0], measure_closed(sights[:1], PLAN, unsure)[0]
        assert standard_of(helped, "blur") > standard_of(alone, "blur")
        assert abs(gap_of(helped) - 0.06) < abs(gap_of(alone) - 0.06) + 0.001

    def test_where_no_line_can_be_fitted_it_says_so(self) -> None:
        strip = LINE.strip()
        (joint,) = measure_closed([ClosedSight(LINE.site(), strip.part(strip.u < -9.0))], PLAN, CLEAN)
        assert joint.face_a is None
        assert joint.reason == "no joint line could be fitted here"


class TestRoundedEdges:
    """Rounded edges widen all lines of a ring alike, by at most what its tightest joints look."""

    def ring(self, *gaps_mm: float) -> list[JointFaces]:
        sights = [
            ClosedSight(LINE.site(0.1), replace(LINE, gap_mm=gap, noise=0.003).strip(seed))
            for seed, gap in enumerate(gaps_mm)
        ]
        return measure_closed(sights, PLAN, CLEAN)

    def test_a_ring_with_tight_joints_has_sharp_edges(self) -> None:
        for joint in self.ring(0.0, 0.0, 0.02, 0.3, 0.4):
            assert standard_of(joint, "rounded edges") < 0.004

    def test_where_no_joint_is_tight_all_may_look_wider_than_they_are(self) -> None:
        for joint in self.ring(0.06, 0.06, 0.1, 0.3, 0.4):
            assert standard_of(joint, "rounded edges") == pytest.approx(0.06 / np.sqrt(3.0), abs=0.003)

    def test_edges_are_never_rounded_by_more_than_sandpaper_does(self) -> None:
        for joint in self.ring(0.2, 0.25, 0.3):
            assert standard_of(joint, "rounded edges") == pytest.approx(0.07 / np.sqrt(3.0))


@cache
def drawn(style: str) -> Drawn:
    plan = Plan(10, "closed", 150.0, 26.0, 18.0)
    kinds = ("maple", "walnut") if style == "two woods" else ("maple",)
    phone = Phone(sharpen=0.7, sharpen_sigma_px=1.3) if style == "sharpened" else Phone()
    look = Look(Wood(kinds), Light(from_deg=200.0, slope=0.8, share=0.6), Bench("grey"))
    return draw_ring(
        plan, seed=21, look=look, view=View(mm_per_px=0.125, tilt_deg=7.0), phone=phone, reference="none"
    )


@pytest.mark.parametrize("style", ["one wood", "two woods", "sharpened"])
def test_drawn_gaps_lie_within_their_uncertainty(style: str) -> None:
    picture = drawn(style)
    truth, photo = picture.truth, picture.photo
    gain = truth.raw["phone"]["sharpen"]
    blur = float(np.sqrt(0.8**2 + 1.0 / 12.0))
    response = Response(blur, 0.0, (photo.width, photo.height), 0.02, gain, 1.3, 0.15 * gain, "")
    joints = fit_joints(photo, response, truth.outline(), truth.comb(0.2, 0.2, seed=3), (), truth.plan, {})
    within, errors = [], []
    for joint, true in zip(joints, truth.joints, strict=True):
        assert joint.face_a is not None
        assert joint.face_b is not None
        u = np.array([joint.ends_mm[0], sum(joint.ends_mm) / 2.0, joint.ends_mm[1]])
        gaps = gap_of(joint) + (joint.face_b.slope - joint.face_a.slope) * u
        true_gaps = np.array([true.gap_inside_mm, true.gap_middle_mm, true.gap_outside_mm])
        levers = np.stack([-np.ones(3), -u, np.ones(3), u], axis=1)
        variance = np.einsum("si,ij,sj->s", levers, joint.covariance, levers)
        variance += sum(part.standard**2 for part in joint.gap_budget)
        taper = np.radians(np.sqrt(sum(part.standard**2 for part in joint.taper_budget)))
        u95 = 2.0 * np.sqrt(variance + (taper * (u - u[1])) ** 2)
        within += list(np.abs(gaps - true_gaps) < u95)
        errors += list(gaps - true_gaps)
    assert np.mean(within) >= 0.93
    assert np.sqrt(np.mean(np.square(errors))) < 0.03
