"""Joints that a person added or struck, put into the comb that the search found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.hand import ByHand
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.outline import Outline
from lightgap.ring.plane import px_per_mm, sampler
from lightgap.ring.strips import cut_strips, strip_step_mm
from lightgap.ring.teeth import LEAST_STRENGTH, PLACE_PRIOR_MM, teeth_in

TAP_MM = 2.5
"""Standard deviation of a touch: a thumb on a phone, with the whole ring on its screen."""

_OWN_SHARE = TAP_MM**2 / (TAP_MM**2 + PLACE_PRIOR_MM**2)
"""How much the comb's own place counts beside the touch, by their variances."""
_SPREAD_MM = PLACE_PRIOR_MM * float(np.sqrt(_OWN_SHARE))
"""Standard deviation of the place that both tell together."""


def help_comb(photo: Photo, comb: Comb, hand: ByHand, outline: Outline, plan: Plan) -> Comb:
    """Return the comb with struck teeth not found, and the teeth nearest to added points found.

    A touch tells which joint is meant, and only roughly where it is. So a tooth that was not seen is sought
    about the place that the touch and the comb tell together, and stays there if nothing is seen now
    either. One that the person struck before was seen in the wrong place: its line runs through the touch.
    """
    teeth = {tooth.number: tooth for tooth in comb.teeth}
    for number in hand.struck & teeth.keys():
        teeth[number] = replace(teeth[number], found=False)
    touched: dict[int, NDArray[np.float64]] = {}
    for point_px in hand.added_px:
        point = outline.camera.to_plane(np.array(point_px), plan.thickness_mm)
        nearest = min(teeth.values(), key=lambda tooth: float(np.hypot(*(tooth.middle_mm - point))))
        if not nearest.found:
            touched[nearest.number] = point
    sought = {number: point for number, point in touched.items() if number not in hand.struck}
    teeth |= {number: _through(teeth[number], touched[number], plan) for number in touched.keys() - sought}
    if sought:
        teeth |= _sought(photo, teeth, sought, outline, plan)
    return replace(comb, teeth=tuple(teeth[tooth.number] for tooth in comb.teeth))


def _through(tooth: Tooth, point_mm: NDArray[np.float64], plan: Plan) -> Tooth:
    """Let a tooth run through a point, out from the centre."""
    outward = point_mm / np.hypot(*point_mm)
    direction = float(np.degrees(np.arctan2(outward[1], outward[0])))
    return replace(
        tooth,
        middle_mm=outward * float(np.hypot(*tooth.middle_mm)),
        direction_deg=direction,
        gap_mm=plan.gap_mm,
        found=True,
    )


def _sought(
    photo: Photo,
    teeth: dict[int, Tooth],
    points_mm: dict[int, NDArray[np.float64]],
    outline: Outline,
    plan: Plan,
) -> dict[int, Tooth]:
    """Seek each tooth that was touched in a strip about where it is expected.

    All teeth are cut out, as the search does: how the wood usually looks is told by all strips together.
    """
    number_of = {number: row for row, number in enumerate(teeth)}
    middles = np.array([tooth.middle_mm for tooth in teeth.values()])
    angle = np.arctan2(middles[:, 0], middles[:, 1])
    for number, point in points_mm.items():
        row = number_of[number]
        aside = np.arctan2(point[0], point[1]) - angle[row]
        angle[row] += (1.0 - _OWN_SHARE) * ((aside + np.pi) % (2.0 * np.pi) - np.pi)
    step_mm = strip_step_mm(px_per_mm(photo, outline.camera, plan.thickness_mm))
    look = sampler(photo, outline.camera, plan.thickness_mm, 1.5 * step_mm)
    strips = cut_strips(look, outline, plan, angle, step_mm)
    lines = teeth_in(strips, plan).lines(np.zeros(len(angle)), _SPREAD_MM)
    found = {}
    for number in points_mm:
        row = number_of[number]
        seen = bool(lines.strength[row] >= LEAST_STRENGTH)
        u, v = strips.middle_mm, float(lines.place_mm[row]) if seen else 0.0
        skew = float(lines.skew_deg[row]) if seen else 0.0
        sin, cos = np.sin(angle[row]), np.cos(angle[row])
        found[number] = replace(
            teeth[number],
            middle_mm=np.array([u * sin + v * cos, u * cos - v * sin]),
            direction_deg=float(90.0 - np.degrees(angle[row]) - skew),
            gap_mm=float(lines.gap_mm[row]) if seen else plan.gap_mm,
            found=True,
            strength=float(lines.strength[row]),
        )
    return found
