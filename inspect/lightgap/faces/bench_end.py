"""Where the bench beside a hidden wall ends, by its hue.

A face whose own wall the camera cannot see has the bench directly beside it. Where the lamp lights that
bench as brightly as the wood, nothing in the brightness tells where the one ends and the other begins, and
the end of the light on the bench passes for the edge. But wood and bench are seldom of one hue. Light that
is not of the wood's hue is none in the wood, however light or dark its grain, none in the black of a slot,
and some on the bench: its first step is the edge.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.joint import Side
from lightgap.faces.lamp import PLACES
from lightgap.faces.open import EdgeFit, edge_profile, fit_edge, seek_lines
from lightgap.faces.site import Site
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_HIDDEN_PX = 0.5
"""A wall of which less is seen lies under the blur of its edge."""
_WOOD_PX, _CLEAR_PX, _FEWEST = 11.0, 3.0, 50
_REACH_MM = 0.9
"""How far into the wood the bench may begin: as far as edges are sought."""
_HUE_BLUR = 1.6
"""A phone stores colour coarser than brightness: the usual blur of its edges over that of brightness."""
_LEAST_STEP, _LEAST_PX, _MOST_MISFIT_MM = 0.12, 2.75, 0.12
"""Over the wood's light; and how far from the edge of brightness. Colour that is stored coarsely spills over
every edge: on drawn rings (seeds 303 and 601) one of 18 lines that pass lies on no edge."""
_STANDARD_PX = 0.55
"""How well such a line tells the edge, on the same rings."""
_BEFORE, _BEYOND = (np.abs(PLACES - middle) < 1.0 for middle in (-2.0, 2.0))


def fit_bench_end(strip: Strip, side: Side, edge: EdgeFit, site: Site, gap_px: float) -> EdgeFit | None:
    """Fit the line on the wood's side of an edge where the bench begins; None where there is none.

    Parameters
    ----------
    edge : EdgeFit
        The edge by its brightness.
    gap_px : float
        Rough gap.
    """
    if site.wall_mm(side, edge.at_middle_mm) * site.px_per_mm > _HIDDEN_PX:
        return None
    start = edge.at_middle_mm, edge.slope
    foreign = _foreign_light(strip, side, start, gap_px)
    if foreign is None:
        return None
    sign = 1.0 if side == "a" else -1.0
    for line in seek_lines(foreign, start, site.u_range):
        fit = fit_edge(line, foreign, side, site.u_range, _HUE_BLUR * site.blur_px, gap_px, is_slot=False)
        if fit is None or _step(fit) < _LEAST_STEP:
            continue
        away_px = sign * (edge.at_middle_mm - fit.at_middle_mm) * fit.px_per_mm
        if away_px < _LEAST_PX or fit.misfit_mm > _MOST_MISFIT_MM:
            return None
        distance = sign * (strip.v - fit.at_middle_mm - fit.slope * strip.u) * strip.scale
        misfit = float(np.hypot(fit.misfit_mm, _STANDARD_PX / fit.px_per_mm))
        return replace(fit, profile=edge_profile(distance, strip.luma), misfit_mm=misfit, against=0.0)
    return None


def _foreign_light(strip: Strip, side: Side, line: tuple[float, float], gap_px: float) -> Strip | None:
    """The pixels with 1 + the light that is not of the wood's hue, over the wood's light, for their light.

    None where hardly any of it lies just before the line.
    """
    sign = 1.0 if side == "a" else -1.0
    distance = sign * (strip.v - line[0] - line[1] * strip.u) * strip.scale
    reach = _REACH_MM * strip.px_per_mm
    is_wood = (distance > -_WOOD_PX - reach) & (distance < -max(reach, _CLEAR_PX))
    is_beyond = (distance > -reach) & (distance < 0.5 * gap_px)
    if min(np.sum(is_wood), np.sum(is_beyond)) < _FEWEST:
        return None
    wood = np.median(strip.light[is_wood], axis=0).astype(float)
    level = float(np.linalg.norm(wood))
    hue = wood / max(level, 1e-6)
    rest = strip.light - np.multiply.outer(strip.light @ hue, hue)
    # The bench's own hue: that of the place along which most of such light lies.
    place = np.floor(distance[is_beyond] + reach).astype(np.intp)
    number = np.maximum(np.bincount(place), 1)
    mean = np.stack([np.bincount(place, part) / number for part in rest[is_beyond].T], axis=1)
    most = mean[int(np.argmax(np.sum(mean**2, axis=1)))]
    towards = most / max(float(np.linalg.norm(most)), 1e-9) / max(level, 1e-6)
    before = slice(max(int(reach - _LEAST_PX), 0), int(reach) + 1)
    if np.mean(mean[before] @ towards) < 0.5 * _LEAST_STEP:
        return None
    light = (1.0 + rest @ towards).astype(np.float32)
    return replace(strip, light=np.stack([light] * 3, axis=1))


def _step(fit: EdgeFit) -> float:
    """How much foreign light there is just beyond a line, less that just before it."""
    return float(np.mean(fit.profile[_BEYOND]) - np.mean(fit.profile[_BEFORE]))
