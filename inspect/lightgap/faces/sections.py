"""Whether a closed joint's line is seen all along it, or whether grain explains parts of it as well.

Where grain runs along a joint, its own lines can be as dark as a tight joint, and a fit that holds all of
the length together follows now one, now another. So the line is sought again in short sections, each
by itself: where several find it elsewhere, the joint may lie there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.closed import PLACES, ClosedFit, closed_scan
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_SECTIONS = 5
_BINS_TOGETHER = 2
_LEAST_KNOWN = 0.7
_ELSEWHERE_PX, _CLEARLY = 1.0, 1.3
_LEAST_CONTRADICTING = 2
"""A section contradicts the line if it lies so far off, and explains the section so much better."""
_PARTS, _OPEN_PARTS = 8, 3
_OUTSIDE_PX, _CLEARLY_OPEN_PX = 6.25, 1.5
"""From where beside the line all is wood, and how much wider than the fit so many parts must be to count:
on drawn rings (seeds 501 and 601) 3 in 1000 joints that are fitted well are."""


@dataclass(frozen=True)
class Spread:
    """What the contradicting sections make uncertain: standard deviations, mm, and tangents.

    ``place_mm`` and ``slope`` are of the joint line, ``gap_mm`` of its gap.
    """

    place_mm: float
    slope: float
    gap_mm: float


_AGREED = Spread(0.0, 0.0, 0.0)


def spread_of_sections(
    strip: Strip, fit: ClosedFit, u_range: tuple[float, float], blur_px: float, slot_share: float
) -> Spread:
    """Seek the joint's line in sections of its length; nil where not even two contradict it."""
    profiles = _profiles(strip, fit, u_range, _SECTIONS)
    if len(profiles) < _SECTIONS:
        return _AGREED
    scan = closed_scan(blur_px, slot_share)
    cost = scan.costs(profiles)
    best = np.argmin(cost, axis=0)
    shifts, gaps = scan.shifts[best], scan.gaps[best]
    here = np.min(cost[np.abs(scan.shifts) <= _ELSEWHERE_PX], axis=0)
    contradicts = (np.abs(shifts) > _ELSEWHERE_PX) & (here > _CLEARLY * np.min(cost, axis=0))
    if np.sum(contradicts) < _LEAST_CONTRADICTING:
        return _AGREED
    px = 1.0 / strip.px_per_mm
    away = px * float(np.sqrt(np.mean(np.where(contradicts, shifts, 0.0) ** 2)))
    other = px * gaps - max(fit.gap_mm, 0.0)
    # Sections of equal length: their middles scatter by the length over the root of twelve.
    length = (u_range[1] - u_range[0]) / np.sqrt(12.0)
    return Spread(
        away / np.sqrt(_SECTIONS),
        away / (np.sqrt(_SECTIONS) * length),
        float(np.sqrt(np.mean(np.where(contradicts, other, 0.0) ** 2))),
    )


def open_in_parts_mm(strip: Strip, fit: ClosedFit, u_range: tuple[float, float]) -> float:
    """How much wider than the fitted gap parts of the joint stand open, mm; 0 where hardly any does.

    Dried glue can bridge a wide slot in most of its length, and the fit then follows the glue. The light that
    is missing about the line tells a slot's width in every part, wherever its edges are.
    """
    profiles = _profiles(strip, fit, u_range, _PARTS)
    if len(profiles) < _OPEN_PARTS:
        return 0.0
    left, right = (
        np.median(profiles[:, side], axis=1) for side in (PLACES < -_OUTSIDE_PX, PLACES > _OUTSIDE_PX)
    )
    within = np.abs(PLACES) < _OUTSIDE_PX
    level = np.where(PLACES[within] < 0.0, left[:, None], right[:, None])
    missing = np.sum(level - profiles[:, within], axis=1) * (PLACES[1] - PLACES[0])
    widths_px = np.sort(2.0 * missing / np.maximum(left + right, 1e-6))
    wider_px = float(widths_px[-_OPEN_PARTS]) - max(fit.gap_mm, 0.0) * strip.px_per_mm
    return wider_px / strip.px_per_mm if wider_px > _CLEARLY_OPEN_PX else 0.0


def _profiles(strip: Strip, fit: ClosedFit, u_range: tuple[float, float], sections: int) -> Array:
    """Mean light across the fitted line in each section, at each of PLACES."""
    offset, slope = fit.line
    distance = (strip.v - offset - slope * strip.u) * strip.scale
    section = np.floor((strip.u - u_range[0]) / (u_range[1] - u_range[0]) * sections).astype(np.intp)
    places = PLACES.reshape(-1, _BINS_TOGETHER).mean(axis=1)
    width = places[1] - places[0]
    bins = np.floor((distance - places[0]) / width + 0.5).astype(np.intp)
    keep = (section >= 0) & (section < sections) & (bins >= 0) & (bins < places.size)
    cells, count = section[keep] * places.size + bins[keep], sections * places.size
    number = np.bincount(cells, minlength=count).reshape(sections, -1)
    total = np.bincount(cells, strip.luma[keep], minlength=count).reshape(sections, -1)
    return np.array(
        [
            np.interp(PLACES, places[known], sums[known] / counts[known])
            for counts, sums in zip(number, total, strict=True)
            if np.mean(known := counts > 0) > _LEAST_KNOWN
        ]
    )
