"""Glue lines: told from slots by hue, brightness or width, fitted with their rims; resin by its tint."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Literal

import numpy as np
import pytest
from scipy.special import ndtr

from accuracy.look import WOODS, Bench, Light, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.shape import Filling, no_faults, usual_faults
from accuracy.truth import TrueJoint
from lightgap.faces.blur import Response, tone_curve
from lightgap.faces.closed import ClosedFit, ClosedView, fit_closed
from lightgap.faces.closed_joints import measure_closed
from lightgap.faces.closed_look import ClosedSight
from lightgap.faces.colour import beyond_shade, brightness_and_tint
from lightgap.faces.filled import (
    FillFit,
    faint_filling_px,
    fit_fill,
    has_own_hue,
    tell_filling,
    tint_lag_px,
)
from lightgap.faces.fit import fit_joints
from lightgap.faces.joint import JointFaces
from lightgap.faces.lamp import PLACES
from lightgap.faces.levels import blurred_step
from lightgap.faces.line import Line, seek_line
from lightgap.faces.open import EdgeFit
from lightgap.faces.squeeze import Beside, look_beside
from lightgap.faces.strip import Strip
from lightgap.faces.tinted import seek_seam
from lightgap.photo import LINEAR_OF_CODE, LUMA
from lightgap.plan import Plan
from made_strip import Array, MadeJoint

PADAUK, WALNUT = np.array([0.30, 0.055, 0.030]), np.array([0.12, 0.07, 0.045])
YELLOW, WHITE = np.array([0.50, 0.40, 0.20]), np.array([0.70, 0.68, 0.60])
SLOT = np.array([0.006, 0.003, 0.002])
LINE = MadeJoint(0.4, px_per_mm=8.0, length_mm=26.0)


def strip_of(made: MadeJoint, wood: Array, within: Array, seed: int = 0) -> Strip:
    """A line of one colour between two woods of another."""
    share = replace(made, woods=(0.0, 0.0), slot=1.0).strip(seed).light
    figure = replace(made, woods=(1.0, 1.0), slot=1.0, figure=0.08, noise=0.005).strip(seed).light
    return replace(
        made.strip(seed), light=((1.0 - share) * wood * figure + share * within).astype(np.float32)
    )


def seen(strip: Strip, made: MadeJoint = LINE) -> tuple[ClosedFit, Line]:
    """The slot fit, and the line of one level sought about it."""
    fit = fit_closed(ClosedView(strip, made.u_range, made.blur_px, 0.0, 0.0, 0.0))
    assert fit is not None
    line = seek_line(strip, fit.line, made.u_range, made.blur_px, 0.0)
    assert line is not None
    return fit, line


def is_filled(strip: Strip, made: MadeJoint = LINE) -> bool:
    fit, line = seen(strip, made)
    place = fit.line[0] + line.shift_px / strip.px_per_mm, fit.line[1]
    beside = look_beside(strip, place, line.gap_px / strip.px_per_mm, made.u_range, 0.0, 100.0)
    return tell_filling(line, beside, made.blur_px, fit.gap_mm * strip.px_per_mm) is not None


def fitted(strip: Strip, made: MadeJoint = LINE, lean: float = 0.0) -> FillFit | None:
    fit, line = seen(strip, made)
    return fit_fill(strip, fit.line, line, made.u_range, made.blur_px, lean, 0.0, 0.0)


class TestColour:
    def test_grey_has_no_tint(self) -> None:
        """And full white is 1: ITU-R BT.601-7, section 2.5."""
        found = brightness_and_tint(np.array([[1.0, 1.0, 1.0], [0.2, 0.2, 0.2], [0.0, 0.0, 0.0]]))
        assert found[:, 0] == pytest.approx([1.0, 0.4845, 0.0], abs=1e-3)
        assert found[:, 1:] == pytest.approx(0.0, abs=1e-3)

    def test_pure_colours_have_the_standards_differences(self) -> None:
        """Blue: luma 0.114, (B - Y) / 1.772 = 0.5; red: luma 0.299, (R - Y) / 1.402 = 0.5."""
        blue, red = brightness_and_tint(np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]))
        assert blue == pytest.approx([0.114, 0.5, -0.081], abs=0.015)
        assert red == pytest.approx([0.299, -0.169, 0.5], abs=0.015)

    def test_a_shade_of_the_wood_has_its_hue(self) -> None:
        wood = np.array([0.5, -0.1, 0.15])
        assert beyond_shade(-0.4 * wood, wood) == pytest.approx([-0.2, 0.0, 0.0])
        assert beyond_shade(np.array([-0.2, 0.0, 0.0]), wood) == pytest.approx([-0.2, -0.04, 0.06])


class TestTold:
    @pytest.mark.parametrize("gap_mm", [0.02, 0.1, 0.25, 0.5])
    @pytest.mark.parametrize("wood", [PADAUK, WALNUT], ids=["padauk", "walnut"])
    def test_a_slot_is_no_glue(self, wood: Array, gap_mm: float) -> None:
        made = replace(LINE, gap_mm=gap_mm)
        assert not is_filled(strip_of(made, wood, SLOT), made)

    @pytest.mark.parametrize("glue", [YELLOW, WHITE], ids=["yellow", "white"])
    @pytest.mark.parametrize("wood", [PADAUK, WALNUT], ids=["padauk", "walnut"])
    def test_bright_glue_is(self, wood: Array, glue: Array) -> None:
        assert is_filled(strip_of(LINE, wood, glue))

    def test_glue_as_bright_as_the_wood_is_told_by_its_hue(self) -> None:
        as_bright = YELLOW * 0.126 / 0.39
        strip = strip_of(LINE, PADAUK, as_bright)
        assert has_own_hue(look_beside(strip, (0.0, 0.0), 0.0, LINE.u_range, 0.0, 100.0), LINE.blur_px)
        slot = strip_of(LINE, PADAUK, SLOT)
        assert not has_own_hue(look_beside(slot, (0.0, 0.0), 0.4, LINE.u_range, 0.0, 100.0), LINE.blur_px)

    def test_glue_of_nearly_the_woods_colour_is_only_doubted(self) -> None:
        """Yellow glue dried to the brightness of maple: that it may be there is all that can be told."""
        maple = np.array(WOODS["maple"])
        nearly = 0.8 * maple + 0.2 * YELLOW * (maple @ LUMA) / (YELLOW @ LUMA)

        def beside(within: Array) -> Beside:
            return look_beside(strip_of(LINE, maple, within), (0.0, 0.0), 0.0, LINE.u_range, 0.0, 100.0)

        faint_px = faint_filling_px(beside(nearly), LINE.blur_px)
        assert not has_own_hue(beside(nearly), LINE.blur_px)
        assert faint_px is not None
        assert faint_px > 0.5 * LINE.gap_mm * LINE.px_per_mm
        for plain in (maple, SLOT):
            assert faint_filling_px(beside(plain), LINE.blur_px) is None

        def joint(within: Array) -> JointFaces:
            sight = ClosedSight(LINE.site(0.1), strip_of(LINE, maple, within))
            clean = Response(LINE.blur_px, 0.0, (4000, 3000), 0.015, 0.0, 1.0, 0.0, "")
            (measured,) = measure_closed([sight], Plan(12, "closed", 200.0, 24.0, 18.0), clean)
            return measured

        tight, doubted = joint(maple), joint(nearly)
        assert tight.below_mm is not None
        assert tight.below_mm < 0.15
        assert tight.doubts == ()
        assert doubted.below_mm is not None
        assert doubted.below_mm > 0.5 * LINE.gap_mm
        assert "nearly the wood's colour" in doubted.doubts[0]

    @pytest.mark.parametrize("gap_mm", [0.1, 0.2])
    @pytest.mark.parametrize("wood", ["maple", "ash", "cherry", "padauk"])
    @pytest.mark.parametrize("strength", [0.5, 1.0])
    def test_a_tone_curve_that_was_not_undone_makes_no_glue_of_a_slot(
        self, strength: float, wood: str, gap_mm: float
    ) -> None:
        """The S-curve goes channel by channel, so a shade of the wood gets another hue than the wood."""
        made = replace(LINE, gap_mm=gap_mm)
        strip = strip_of(made, np.array(WOODS[wood]), SLOT)
        codes = np.interp(strip.light, LINEAR_OF_CODE, np.arange(256) / 255.0)
        light = np.interp(255.0 * tone_curve(codes, strength), np.arange(256), LINEAR_OF_CODE)
        deepened = replace(strip, light=light.astype(np.float32))
        beside = look_beside(deepened, (0.0, 0.0), gap_mm, made.u_range, 0.0, 100.0)
        assert not has_own_hue(beside, made.blur_px)

    def test_glue_as_bright_as_one_of_two_woods_moves_the_step_of_brightness_off_that_of_hue(self) -> None:
        """Brown glue beside padauk: in brightness alone, the pale wood simply ends where the glue begins."""
        pale, brown = np.array([0.60, 0.46, 0.29]), np.array([0.20, 0.13, 0.07])
        for within, is_glue in ((brown, True), (SLOT, False)):
            strip = LINE.strip()
            at, half = strip.v * strip.scale, 0.5 * LINE.gap_mm * strip.scale
            a, b = (ndtr((at + side * half) / LINE.blur_px)[:, None] for side in (1.0, -1.0))
            light = PADAUK * (1.0 - a) + within * (a - b) + pale * b
            strip = replace(strip, light=light.astype(np.float32))
            fit, _ = seen(strip)
            beside = look_beside(strip, fit.line, fit.gap_mm, LINE.u_range, 0.0, 100.0)
            assert has_own_hue(beside, LINE.blur_px) is is_glue

    @pytest.mark.parametrize("dark_first", [True, False])
    def test_tint_lags_behind_a_line_that_was_drawn_into_the_bright_wood(self, dark_first: bool) -> None:
        """A slot between walnut and maple; the line a pixel off on the bright side, the dark, and right."""
        maple, made = np.array([0.60, 0.46, 0.29]), replace(LINE, gap_mm=0.1)
        first, last = (WALNUT, maple) if dark_first else (maple, WALNUT)
        strip = made.strip()
        at, half = strip.v * strip.scale, 0.5 * made.gap_mm * strip.scale
        a, b = (ndtr((at + side * half) / made.blur_px)[:, None] for side in (1.0, -1.0))
        light = first * (1.0 - a) + SLOT * (a - b) + last * b
        strip = replace(strip, light=light.astype(np.float32))
        px = (1.0 if dark_first else -1.0) / made.px_per_mm
        into_bright, into_dark, right = (
            tint_lag_px(look_beside(strip, (off * px, 0.0), 0.1, made.u_range, 0.0, 100.0), made.blur_px)
            for off in (1.0, -1.0, 0.0)
        )
        assert into_bright > 0.3
        assert into_dark == 0.0
        assert right < 0.1

    def test_a_wide_line_is_told_by_its_width(self) -> None:
        """Half as bright as the wood, and of its hue: a slot as wide would be black."""
        made = replace(LINE, gap_mm=0.9)
        assert is_filled(strip_of(made, WALNUT, 0.5 * WALNUT), made)
        assert not is_filled(strip_of(made, WALNUT, SLOT), made)

    @pytest.mark.parametrize("dark", [0, 1])
    def test_glue_between_the_tones_of_two_woods_is_no_thin_joint(self, dark: int) -> None:
        """0.6 mm of brown glue: a slot fit follows the one edge that it makes with the pale wood."""
        made = replace(LINE, gap_mm=0.6, woods=(0.12, 0.45) if dark else (0.45, 0.12), slot=0.2, noise=0.004)
        fit, line = seen(made.strip(), made)
        assert is_filled(made.strip(), made)
        assert fit.line[0] + line.shift_px / made.px_per_mm == pytest.approx(0.0, abs=0.06)
        assert line.gap_px / made.px_per_mm == pytest.approx(0.6, abs=0.08)

    def test_a_slot_between_two_woods_is_no_glue(self) -> None:
        made = replace(LINE, gap_mm=0.3, woods=(0.12, 0.45), slot=0.004, noise=0.004)
        assert not is_filled(made.strip(), made)

    def test_a_soft_line_of_grain_is_none(self) -> None:
        """Grain that runs along the joint beside it."""
        strip = strip_of(replace(LINE, gap_mm=0.03), WALNUT, SLOT)
        grain = 1.0 - 0.35 * np.exp(-0.5 * (strip.v / 0.3) ** 2)
        assert not is_filled(replace(strip, light=(strip.light * grain[:, None]).astype(np.float32)))

    def test_a_scraped_smear_on_the_wood_is_none(self) -> None:
        strip = strip_of(replace(LINE, gap_mm=0.05), WALNUT, SLOT)
        smear = 0.3 * ((np.abs(strip.v) > 0.1) & (np.abs(strip.v) < 1.2))[:, None]
        assert not is_filled(
            replace(strip, light=(strip.light + smear * (YELLOW - strip.light)).astype(np.float32))
        )


class TestFitted:
    @pytest.mark.parametrize("gap_mm", [0.3, 0.45, 0.8])
    def test_flush_glue(self, gap_mm: float) -> None:
        made = replace(LINE, gap_mm=gap_mm, centre_mm=0.05, skew=0.004, taper=0.005)
        strip = strip_of(made, WALNUT, YELLOW)
        fit = fitted(strip, made)
        assert fit is not None
        assert fit.gap_mm == pytest.approx(gap_mm, abs=0.01)
        assert fit.gap_slope == pytest.approx(0.005, abs=0.001)
        assert fit.line[0] == pytest.approx(0.05, abs=0.005)
        assert fit.line[1] == pytest.approx(0.004, abs=0.001)

    @pytest.mark.parametrize("lean", [0.2, -0.2])
    def test_sunk_glue_leaves_a_dark_wall_beside_it(self, lean: float) -> None:
        """Glue 0.5 mm down, seen at a slope of 0.2: 0.1 mm of wall, which belongs to the gap."""
        wall_px = abs(lean) * 0.5 * LINE.px_per_mm

        def wall(below_a: Array, below_b: Array) -> Array:
            below = below_a if lean > 0.0 else below_b
            return -0.32 * (ndtr(below / LINE.blur_px) - ndtr((below - wall_px) / LINE.blur_px))

        made = replace(LINE, woods=(0.1, 0.1), slot=0.36, figure=0.05, noise=0.003)
        strip = made.strip(also=wall)
        fit = fitted(strip, made, lean)
        assert fit is not None
        assert fit.gap_mm == pytest.approx(0.4, abs=2.0 * fit.depth_standard_mm)
        assert fit.gap_mm == pytest.approx(0.4, abs=0.05)
        flush = fitted(strip, made)
        assert flush is not None
        assert flush.gap_mm < 0.34

    def test_glue_like_the_wood_has_no_edges(self) -> None:
        strip = strip_of(LINE, WALNUT, 1.05 * WALNUT)
        assert seek_line(strip, (0.0, 0.0), LINE.u_range, LINE.blur_px, 0.0) is None

    def test_the_less_it_differs_from_the_wood_the_less_its_edges_are_sure(self) -> None:
        """A rim of 0.01 mm moves an edge by its own width over the step's height."""
        dark, pale = (
            replace(LINE, gap_mm=0.6, woods=(0.40, 0.40), slot=glue, noise=0.003) for glue in (0.1, 0.3)
        )
        sharp, faint = (fitted(made.strip(), made) for made in (dark, pale))
        assert sharp is not None
        assert faint is not None
        assert sharp.gap_per_rim == pytest.approx(2.0 * 0.1 / 0.3, rel=0.05)
        assert faint.gap_per_rim == pytest.approx(2.0 * 0.3 / 0.1, rel=0.05)
        assert faint.gap_per_groove == pytest.approx(2.0 * 0.4 / 0.1, rel=0.05)

    def test_a_blur_that_grows_outward_is_no_taper(self) -> None:
        made = replace(LINE, gap_mm=0.4, woods=(0.12, 0.45), slot=0.30, noise=0.0)
        growth = 0.02
        strip = grown(made, growth)
        fit, line = seen(strip, made)
        told, untold = (
            fit_fill(strip, fit.line, line, made.u_range, made.blur_px, 0.0, 0.0, rate)
            for rate in (growth, 0.0)
        )
        assert told is not None
        assert untold is not None
        assert abs(told.gap_slope) < 0.3 * abs(untold.gap_slope)


def grown(made: MadeJoint, growth: float) -> Strip:
    """A line between two woods whose blur grows along it, per mm."""
    strip = made.strip()
    blur = made.blur_px * (1.0 + growth * strip.u)
    at = (strip.v - made.centre_mm) * strip.scale
    half = 0.5 * made.gap_mm * strip.scale
    face_a, face_b = ndtr((at + half) / blur), ndtr((at - half) / blur)
    light = made.woods[0] * (1.0 - face_a) + made.slot * (face_a - face_b) + made.woods[1] * face_b
    return replace(strip, light=np.stack([light] * 3, axis=1).astype(np.float32))


class TestSeam:
    """Resin about as bright as the wood: a step alone is pulled off the thin dark line at the edge."""

    @pytest.mark.parametrize(("side", "sign"), [("a", 1.0), ("b", -1.0)])
    def test_an_edge_is_moved_onto_it(self, side: Literal["a", "b"], sign: float) -> None:
        found = seek_seam(self.edge(line=-0.08, at_px=1.2), side, 0.9)
        assert found is not None
        assert found[0].offset_mm == pytest.approx(2.0 + sign * 0.12, abs=0.008)
        assert 0.02 < found[1] < 0.05

    def test_a_plain_step_is_left(self) -> None:
        assert seek_seam(self.edge(line=0.0, at_px=0.0), "a", 0.9) is None

    @staticmethod
    def edge(line: float, at_px: float) -> EdgeFit:
        """10 px per mm; the face lies ``at_px`` beyond the fitted edge."""
        step, bell = blurred_step(PLACES - at_px, 0.9)
        grain = 0.002 * np.sin(3.0 * PLACES)
        profile = 0.5 - 0.04 * step + line * bell + grain
        return EdgeFit(2.0, 0.0, 0.0, np.zeros((2, 2)), 10.0, profile)


@cache
def drawn(style: str) -> Drawn:
    """A ring of each kind, of another wood and light than the tests above."""
    plan = Plan(10, "closed", 130.0, 26.0, 16.0)
    if style == "resin":
        plan = replace(plan, joint="spaced", gap_mm=2.5)
    faults = usual_faults(plan, np.random.default_rng(5), height_mm=0.03)
    if style == "resin":
        blue = (0.03, 0.09, 0.35)
        glossy = {
            joint: Filling("resin", None, blue, 0.0, 0.06, 0.7, 0.45 * (joint % 3 == 0))
            for joint in range(10)
        }
        faults = replace(faults, fillings=glossy)
    elif style == "lit":
        plan = replace(plan, width_mm=18.0, thickness_mm=24.0)
        faults = replace(no_faults(plan), gap_mm=np.full(10, 0.3))
    else:
        gap = faults.gap_mm.copy()
        gap[[2, 6]] = 0.35, 0.6
        glue = {2: Filling("glue", None, (0.75, 0.72, 0.6)), 6: Filling("glue", None, (0.55, 0.45, 0.25))}
        faults = replace(faults, gap_mm=gap, fillings=glue, squeeze_out=frozenset({4}))
    return draw_ring(
        plan,
        seed=4,
        faults=faults,
        look=Look(Wood(("cherry",)), Light(from_deg=70.0, slope=0.8, share=0.5), Bench("white")),
        view=View(mm_per_px=0.1, tilt_deg=5.0),
        reference="none",
    )


def measured(style: str) -> list[tuple[JointFaces, TrueJoint]]:
    photo, truth = drawn(style).photo, drawn(style).truth
    blur = float(np.sqrt(0.8**2 + 1.0 / 12.0))
    response = Response(blur, 0.0, (photo.width, photo.height), 0.02, 0.0, 1.0, 0.0, "")
    joints = fit_joints(photo, response, truth.outline(), truth.comb(0.2, 0.3), (), truth.plan, {})
    return list(zip(joints, truth.joints, strict=True))


def error_mm(joint: JointFaces, true: TrueJoint, place: str = "middle") -> tuple[float, float]:
    """Error of the gap at a station, and its U."""
    assert joint.face_a is not None
    assert joint.face_b is not None
    at = joint.ends_mm[1] if place == "outside" else sum(joint.ends_mm) / 2.0
    lever = np.array([-1.0, -at, 1.0, at])
    gap = joint.face_b.offset_mm - joint.face_a.offset_mm + (joint.face_b.slope - joint.face_a.slope) * at
    variance = lever @ joint.covariance @ lever + sum(part.standard**2 for part in joint.gap_budget)
    return gap - getattr(true, f"gap_{place}_mm"), 2.0 * float(np.sqrt(variance))


def test_glue_lines_and_squeeze_out_of_a_drawn_ring() -> None:
    for joint, true in measured("closed"):
        if true.squeeze_out:
            assert joint.face_a is None
            assert joint.reason == "dried glue hides this joint"
            continue
        assert joint.kind == ("glue" if true.filled else "closed")
        assert joint.doubts == ()
        if true.filled:
            # Its rims may be three tenths more at one end than they are in the middle.
            of_gap, of_taper = (
                next(part.standard for part in budget if part.name == "rims of the glue")
                for budget in (joint.gap_budget, joint.taper_budget)
            )
            length = joint.ends_mm[1] - joint.ends_mm[0]
            assert of_taper == pytest.approx(np.degrees(2.0 * 0.3 * of_gap / length))
        error, u95 = error_mm(joint, true)
        # Beside the yellow glue, twice as bright as its wood, a rim counts twice.
        assert abs(error) < u95 < (0.14 if true.filled else 0.12)
        assert abs(error) < 0.05


def test_resin_glossy_in_parts_of_a_drawn_ring() -> None:
    errors = []
    for joint, true in measured("resin"):
        assert joint.kind == "resin"
        error, u95 = error_mm(joint, true)
        assert abs(error) < u95 < 0.1
        errors.append(error)
    assert np.sqrt(np.mean(np.square(errors))) < 0.03


def test_a_white_bench_seen_through_their_outer_ends_does_not_narrow_slots() -> None:
    for joint, true in measured("lit"):
        assert joint.kind == "closed"
        assert joint.doubts == ()
        error, u95 = error_mm(joint, true, "outside")
        assert abs(error) < u95 < 0.12
        assert abs(error) < 0.06
