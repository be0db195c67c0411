"""A narrow band of tinted resin: both its edges at once, by the tint.

The tint of a JPEG is blurred over a few pixels. In a band not much wider its two blurred edges meet in the
middle, and one edge alone shows no level of resin to end at. So both are fitted together, with a level
of resin between them in every row, and the tint's blur is the one that explains the band best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.closed import cut_window
from lightgap.faces.filled import fit_band
from lightgap.faces.levels import LevelFit, clipped_cost
from lightgap.faces.open import EdgeFit, edge_profile
from lightgap.faces.site import Site
from lightgap.faces.strip import Strip
from lightgap.faces.tinted import Beyond, look_beyond, tint_strip

Array = NDArray[np.float64]

NARROW_PX = 12.0
"""Twice what the blurrest tint needs to show the resin's own level beside one edge."""
_BLUR_TIMES = (0.8, 1.0, 1.25, 1.6, 2.0, 2.5)
_WIDTHS = (1.0, 1.3)
_LIKELY_COST = 1.05
_LEAST_WIDTH, _MOST_WIDTH = 0.4, 2.0
"""Over the width that the search saw."""


@dataclass(frozen=True, eq=False)
class TintedBand:
    """Both edges of a band, and what its tint leaves unsure of its width, a standard uncertainty."""

    a: EdgeFit
    b: EdgeFit
    standard_mm: float


def fit_tinted_band(strip: Strip, gap_mm: float, site: Site) -> TintedBand | None:
    """Fit both edges of a band about v = 0 by its tint; None where it has none, or shows no edges.

    Parameters
    ----------
    gap_mm : float
        Its width as the search saw it.
    """
    gap_px = gap_mm * site.px_per_mm
    a = look_beyond(strip, "a", (-0.5 * gap_mm, 0.0), gap_px)
    b = look_beyond(strip, "b", (0.5 * gap_mm, 0.0), gap_px)
    if a is None or b is None or not (a.is_tinted and b.is_tinted):
        return None
    mean = Beyond(0.5 * (a.wood + b.wood), 0.5 * (a.filling + b.filling))
    tint = tint_strip(strip, mean)
    data = cut_window(tint, site.u_range, 0.0, gap_mm, 0.0, site.blur_growth)
    if data is None:
        return None
    fits = [
        fit_band(data, times * site.blur_px, 0.0, np.array([0.0, 0.0, width * gap_mm * data.scale, 0.0]))
        for times in _BLUR_TIMES
        for width in _WIDTHS
    ]
    fits = [fit for fit in fits if _is_band(fit, gap_mm * data.scale)]
    if not fits:
        return None
    sigma = min(fit.sigma for fit in fits)
    cost = np.array([clipped_cost(fit.residuals, sigma) for fit in fits])
    best = fits[int(np.argmin(cost))]
    likely = [fit.parameters[2] for fit, at in zip(fits, cost, strict=True) if at < _LIKELY_COST * cost.min()]
    scale, half = data.scale, data.half
    units = np.array([1.0, 1.0 / half, 1.0, 1.0 / half]) / scale
    centre, turn, gap, widening = best.parameters * units
    gap += 2.0 * mean.shift_px(site.blur_px) / scale
    covariance = best.covariance * np.outer(units, units)
    # Both edges hang together: so much to each gives the gap its own variance.
    block = covariance[:2, :2] + 0.5 * covariance[2:, 2:]

    def edge(sign: float) -> EdgeFit:
        offset, slope = centre + sign * 0.5 * gap, turn + sign * 0.5 * widening
        distance = sign * (offset + slope * (tint.u - data.middle) - tint.v) * tint.scale
        profile = edge_profile(distance, tint.luma)
        return EdgeFit(float(offset), float(slope), data.middle, block, scale, profile)

    from_a, from_b = (side.tint_standard_mm(site.px_per_mm, site.blur_px) for side in (a, b))
    swing = 0.5 * np.ptp(likely) / scale
    return TintedBand(edge(-1.0), edge(1.0), float(np.linalg.norm([from_a, from_b, swing])))


def _is_band(fit: LevelFit, gap_px: float) -> bool:
    gap, widening = fit.parameters[2:]
    fits_in = _LEAST_WIDTH * gap_px < gap < _MOST_WIDTH * gap_px
    return bool(np.all(np.isfinite(fit.parameters)) and fits_in and abs(widening) < gap)
