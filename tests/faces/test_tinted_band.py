"""Narrow bands of tinted resin, from made strips whose tint is blurrier than their brightness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from lightgap.faces.colour import brightness_and_tint, light_of
from lightgap.faces.strip import Strip
from lightgap.faces.tinted import fit_tinted_edge, look_beyond
from lightgap.faces.tinted_band import fit_tinted_band
from made_strip import Array, MadeJoint

OAK = np.array([0.42, 0.29, 0.17])
DARK_BLUE, GLOSSY_BLUE = np.array([0.04, 0.1, 0.33]), np.array([0.31, 0.37, 0.61])
TINT_BLUR = 1.6
"""Of a JPEG's tint over its brightness."""


def banded(made: MadeJoint, resin: Array, noise: float = 0.01) -> Strip:
    """Mix wood and resin in linear light; of the stored codes, those of the tint are blurred once more."""
    strip = made.strip()
    rng = np.random.default_rng(3)
    along = strip.u * made.taper + made.gap_mm
    across = (strip.v - made.centre_mm - made.skew * strip.u) * made.gap_mm / along
    place = np.arange(-3.0, 3.0, 0.005)
    blur_mm = made.blur_px / made.px_per_mm
    share = ndtr((place + 0.5 * made.gap_mm) / blur_mm) * ndtr((0.5 * made.gap_mm - place) / blur_mm)
    stored = brightness_and_tint(OAK + share[:, None] * (resin - OAK))
    once_more = np.sqrt(TINT_BLUR**2 - 1.0) * blur_mm / 0.005
    stored[:, 1:] = gaussian_filter1d(stored[:, 1:], once_more, axis=0, mode="nearest")
    codes = np.stack([np.interp(across, place, column) for column in stored.T], axis=1)
    light = light_of(codes + noise * rng.standard_normal(codes.shape) * [1.0, 0.3, 0.3])
    return replace(strip, light=light.astype(np.float32))


@pytest.mark.parametrize("resin", [DARK_BLUE, GLOSSY_BLUE], ids=["darker than the wood", "as bright"])
@pytest.mark.parametrize("gap_px", [6.0, 9.0])
def test_its_width_is_found_within_its_uncertainty_and_half_a_pixel(resin: Array, gap_px: float) -> None:
    made = MadeJoint(gap_px / 8.0, skew=0.004, taper=0.002)
    band = fit_tinted_band(banded(made, resin), made.gap_mm, made.site())
    assert band is not None
    error = band.b.at_middle_mm - band.a.at_middle_mm - made.gap_mm
    assert abs(error) < min(2.0 * band.standard_mm, 0.5 / made.px_per_mm)
    assert band.b.slope - band.a.slope == pytest.approx(made.taper, abs=0.002)


def test_one_edge_alone_is_pulled_inward() -> None:
    """Why both are fitted together: half of so narrow a band shows no level to end at."""
    made = MadeJoint(6.0 / 8.0)
    strip, gap_px = banded(made, DARK_BLUE), made.gap_mm * made.px_per_mm
    start = made.face_a.offset_mm, 0.0
    beyond = look_beyond(strip, "a", start, gap_px)
    assert beyond is not None
    alone = fit_tinted_edge(strip, "a", beyond, start, made.u_range, made.blur_px, gap_px)
    band = fit_tinted_band(strip, made.gap_mm, made.site())
    assert band is not None
    assert alone is None or abs(alone.at_middle_mm - made.face_a.offset_mm) > 2.0 * abs(
        band.a.at_middle_mm - made.face_a.offset_mm
    )


def test_what_has_no_tint_of_its_own_is_none() -> None:
    made = MadeJoint(6.0 / 8.0)
    assert fit_tinted_band(banded(made, 0.3 * OAK), made.gap_mm, made.site()) is None
