"""The line of every joint: each alone first, then about the place that all together tell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lightgap.plan import Plan
from lightgap.ring.closed_teeth import ClosedTeeth
from lightgap.ring.open_teeth import OpenTeeth
from lightgap.ring.plane import Array
from lightgap.ring.strips import Lines, Strips

LEAST_STRENGTH = 2.5
"""log(1 + T^2) below which nothing was seen: plain wood reaches it in one strip of ten."""
PLACE_PRIOR_MM = 1.2
"""How far a joint may stand from where the comb puts it (standard deviation)."""
_LEAST_PLACE_PRIOR_MM = 0.5


def teeth_in(strips: Strips, plan: Plan) -> ClosedTeeth | OpenTeeth:
    """Return what looks like a joint of the plan's kind in every strip."""
    return ClosedTeeth(strips) if plan.joint == "closed" else OpenTeeth(strips, plan)


def fit_teeth(strips: Strips, plan: Plan) -> tuple[Lines, NDArray[np.bool_]]:
    """Return each joint's line, and whether it was seen; where it was not, the comb's own place."""
    teeth = teeth_in(strips, plan)
    lines = teeth.lines(np.zeros(len(strips.angle)), PLACE_PRIOR_MM)
    everywhere = np.ones(len(strips.angle), dtype=np.bool_)
    expected, scatter = _common_place(strips.angle, lines.place_mm, everywhere)
    lines = teeth.lines(expected, max(_LEAST_PLACE_PRIOR_MM, 1.5 * scatter))
    seen = lines.strength >= LEAST_STRENGTH
    if isinstance(teeth, ClosedTeeth):
        lines = teeth.refined(lines)
        if seen.any():
            expected, _ = _common_place(strips.angle, lines.place_mm, seen)
    return (
        Lines(
            np.where(seen, lines.place_mm, expected),
            np.where(seen, lines.skew_deg, 0.0),
            np.where(seen, lines.gap_mm, plan.gap_mm),
            lines.strength,
        ),
        seen,
    )


def _common_place(angle: Array, place_mm: Array, among: NDArray[np.bool_]) -> tuple[Array, float]:
    """Fit a turn and a shift of the centre to some places, robustly.

    Return where that puts every joint, and the scatter about it.
    """
    design = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    fit = least_squares(lambda p: (design @ p - place_mm)[among], np.zeros(3), loss="cauchy", f_scale=0.3)
    expected = design @ fit.x
    return expected, float(1.48 * np.median(np.abs(place_mm - expected)))
