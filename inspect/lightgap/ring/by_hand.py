"""Joints that a person added or struck, put into the comb that the search found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.hand import ByHand
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.outline import Outline


def help_comb(comb: Comb, hand: ByHand, outline: Outline, plan: Plan) -> Comb:
    """Return the comb with struck teeth not found, and the teeth nearest to added points found.

    A tooth that was not seen is moved to the added point: its line runs through it, out from the centre.
    """
    teeth = {tooth.number: tooth for tooth in comb.teeth}
    for number in hand.struck:
        if number in teeth:
            teeth[number] = replace(teeth[number], found=False)
    for point_px in hand.added_px:
        point = outline.camera.to_plane(np.array(point_px), plan.thickness_mm)
        nearest = min(teeth.values(), key=lambda tooth: float(np.hypot(*(tooth.middle_mm - point))))
        teeth[nearest.number] = nearest if nearest.found else _through(nearest, point, plan)
    return replace(comb, teeth=tuple(teeth[tooth.number] for tooth in comb.teeth))


def _through(tooth: Tooth, point_mm: NDArray[np.float64], plan: Plan) -> Tooth:
    outward = point_mm / np.hypot(*point_mm)
    direction = float(np.degrees(np.arctan2(outward[1], outward[0])))
    return replace(
        tooth,
        middle_mm=outward * float(np.hypot(*tooth.middle_mm)),
        direction_deg=direction,
        gap_mm=plan.gap_mm,
        found=True,
    )
