"""Slots that stand wide open in a ring planned closed, from made strips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.faces.closed import ClosedView, fit_closed
from lightgap.faces.open_joints import OpenFits, fit_open
from lightgap.faces.wide_slot import see_wide_slot
from lightgap.plan import Plan
from made_strip import MadeJoint

PLAN = Plan(12, "closed", 200.0, 24.0, 18.0)
FINE = MadeJoint(0.6, px_per_mm=20.0, figure=0.05, noise=0.004)
"""Twelve pixels wide in a photo of 0.05 mm per pixel."""


@pytest.mark.parametrize(
    "made",
    [
        FINE,
        replace(FINE, skew=0.015, taper=-0.004, centre_mm=0.3),
        replace(FINE, woods=(0.06, 0.5), slot=0.01),
        MadeJoint(1.1, px_per_mm=20.0, centre_mm=-0.5, noise=0.004),
    ],
    ids=["square", "turned and aside", "two woods", "over a millimetre"],
)
def test_its_edges_are_seen_to_a_pixel_and_fitted_to_a_tenth(made: MadeJoint) -> None:
    site = made.site()
    slot = see_wide_slot(made.strip(), site.u_range)
    assert slot is not None
    assert slot.a.offset_mm == pytest.approx(made.face_a.offset_mm, abs=1.0 / made.px_per_mm)
    assert slot.b.offset_mm == pytest.approx(made.face_b.offset_mm, abs=1.0 / made.px_per_mm)
    across = slot.middle_mm
    strip = replace(made.strip(), v=made.strip().v - across)
    fit = fit_open(strip, site.moved(across, slot.gap_mm), PLAN, slot.moved(across).edges)
    assert isinstance(fit, OpenFits)
    for edge, face in ((fit.a, made.face_a), (fit.b, made.face_b)):
        assert edge.at_middle_mm + across == pytest.approx(face.offset_mm, abs=0.1 / made.px_per_mm)


def test_one_model_of_both_faces_does_not_reach_so_far() -> None:
    """Why they are fitted apart: its window ends before the far side of the slot."""
    made = replace(FINE, gap_mm=0.9)
    fit = fit_closed(ClosedView(made.strip(), made.u_range, made.blur_px, 0.02, 0.0, 0.0))
    assert fit is None or abs(fit.gap_mm - made.gap_mm) > 0.1


def test_the_bench_may_show_at_the_outer_end() -> None:
    strip = FINE.strip()
    light = strip.light.copy()
    light[(np.abs(strip.v) < 0.3) & (strip.u > 8.0)] = 0.4
    slot = see_wide_slot(replace(strip, light=light), FINE.u_range)
    assert slot is not None
    assert slot.gap_mm == pytest.approx(0.6, abs=0.05)


@pytest.mark.parametrize(
    "made",
    [MadeJoint(0.1), MadeJoint(0.6), replace(FINE, slot=0.2), replace(FINE, slot=0.5, woods=(0.2, 0.2))],
    ids=["a tight joint", "five pixels", "not dark", "brighter than the wood"],
)
def test_what_is_narrow_or_not_dark_is_none(made: MadeJoint) -> None:
    assert see_wide_slot(made.strip(), made.u_range) is None


def test_two_woods_without_a_gap_are_none() -> None:
    made = MadeJoint(0.0, woods=(0.02, 0.5), px_per_mm=20.0, noise=0.004)
    assert see_wide_slot(made.strip(), made.u_range) is None
