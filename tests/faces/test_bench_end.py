"""An edge between wood and a lit bench of the same brightness, told by the hue alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.faces.bench_end import fit_bench_end
from lightgap.faces.blur import typical_response
from lightgap.faces.joint import JointFaces
from lightgap.faces.open import EdgeFit, fit_edge, seek_lines
from lightgap.faces.open_joints import OpenFits, fit_open, measure_open
from lightgap.faces.strip import Strip
from lightgap.photo import LUMA, Photo
from lightgap.plan import Plan
from made_strip import MadeJoint

Array = NDArray[np.float64]

MADE = MadeJoint(3.0, woods=(1.0, 1.0), slot=0.0, figure=0.06)
PLAN = Plan(12, "spaced", 240.0, 25.0, 18.0, gap_mm=3.0)
CHERRY = np.array([0.42, 0.20, 0.11])
GREY = np.full(3, float(CHERRY @ LUMA))
HIDES_B = 0.02
"""The camera stands on the side of face b: it sees no wall below b."""
LIT_PX = 6.0


def strip_of(bench: Array, lit_px: float = LIT_PX, seed: int = 0) -> Strip:
    """Wood of one hue, the bench lit so far from face b, and the dark."""

    def lit(_below_a: Array, below_b: Array) -> Array:
        return np.asarray(ndtr(below_b / MADE.blur_px) - ndtr((below_b - lit_px) / MADE.blur_px))

    wood, both = MADE.strip(seed), MADE.strip(seed, also=lit)
    share = (both.light - wood.light)[:, :1]
    light = wood.light * CHERRY + share * bench
    noise = 0.004 * np.random.default_rng(seed).standard_normal(light.shape)
    return replace(wood, light=(light + noise).astype(np.float32))


def by_brightness(strip: Strip) -> EdgeFit:
    line, *_ = seek_lines(strip, (MADE.face_b.offset_mm, 0.0), MADE.u_range)
    fit = fit_edge(line, strip, "b", MADE.u_range, MADE.blur_px, MADE.gap_mm * MADE.px_per_mm)
    assert fit is not None
    return fit


def bench_end(strip: Strip, lean: float = HIDES_B) -> EdgeFit | None:
    edge = by_brightness(strip)
    return fit_bench_end(strip, "b", edge, MADE.site(lean), MADE.gap_mm * MADE.px_per_mm)


def test_brightness_alone_takes_the_end_of_the_light_for_the_edge() -> None:
    away_mm = MADE.face_b.offset_mm - by_brightness(strip_of(GREY)).at_middle_mm
    assert away_mm * MADE.px_per_mm == pytest.approx(LIT_PX, abs=0.7)


def test_hue_tells_where_the_wood_ends() -> None:
    found = bench_end(strip_of(GREY))
    assert found is not None
    error = abs(found.at_middle_mm - MADE.face_b.offset_mm)
    assert error < 1.5 * found.misfit_mm
    assert found.misfit_mm * MADE.px_per_mm < 1.0


@pytest.mark.parametrize(
    ("bench", "lit_px", "lean"),
    [
        (CHERRY, LIT_PX, HIDES_B),  # a bench of the wood's hue
        (0.0 * GREY, LIT_PX, HIDES_B),  # no light on it
        (GREY, 1.5, HIDES_B),  # so little of it as colour spills over any edge
        (GREY, LIT_PX, -0.12),  # a wall is seen, and what lies below the edge is that
    ],
)
def test_what_tells_nothing_is_left_alone(bench: Array, lit_px: float, lean: float) -> None:
    assert bench_end(strip_of(bench, lit_px), lean) is None


def measured(bench: Array) -> list[JointFaces]:
    fits = [fit_open(strip_of(bench, seed=seed), MADE.site(HIDES_B), PLAN) for seed in range(6)]
    response = replace(typical_response(Photo(np.zeros((8, 8, 3), np.uint8))), middle_px=MADE.blur_px)
    return measure_open([fit for fit in fits if isinstance(fit, OpenFits)], PLAN, response)


def test_the_gap_reaches_to_the_wood_and_the_other_line_is_carried() -> None:
    joints = measured(GREY)
    assert len(joints) == 6
    for joint in joints:
        assert joint.face_b is not None
        assert joint.face_b.offset_mm == pytest.approx(MADE.face_b.offset_mm, abs=0.08)
        parts = {part.name: part.standard for part in joint.gap_budget}
        assert parts["which of two lines is the edge"] > 0.0
