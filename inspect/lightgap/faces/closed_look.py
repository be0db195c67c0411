"""What a closed joint looks like, apart from its width: a slot, glue, or something that covers it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.faces.closed import SLOT_SHARE, ClosedFit, ClosedView
from lightgap.faces.filled import (
    FillFit,
    Filling,
    could_be_dark,
    faint_filling_px,
    fit_fill,
    has_own_hue,
    tell_filling,
)
from lightgap.faces.line import seek_line
from lightgap.faces.site import Site
from lightgap.faces.squeeze import Beside, Cover, look_beside
from lightgap.faces.strip import Strip
from lightgap.plan import Plan

LEAST_FILLED = 2
"""One joint alone may have been taken for a filled one by mistake."""
_SURELY_NO_SLOT, _ALIKE_MM = 10.0, 0.1


@dataclass(frozen=True, eq=False)
class ClosedSight:
    """The pixels of a closed joint, before the blur is settled."""

    site: Site
    strip: Strip

    @property
    def slot_share(self) -> float:
        """Light of a slot as a share of the wood's."""
        return SLOT_SHARE * abs(self.site.lean)

    def view(self, plan: Plan) -> ClosedView:
        """What the fit is told."""
        site = self.site
        return ClosedView(
            self.strip, site.u_range, site.blur_px, self.slot_share, _grain_slope(plan), site.blur_growth
        )


@dataclass(frozen=True, eq=False)
class Look:
    """What is seen beside and in a joint: ``fill`` is None where its edges cannot be told.

    ``line`` is (offset, slope) of its middle. ``as_slot_mm`` is the gap of a slot that looks like a
    filling, ``as_filled_mm`` that of a filling that looks like a slot, ``as_faint_mm`` that of a filling of
    nearly the wood's colour; None where none does.
    """

    line: tuple[float, float]
    beside: Beside
    filling: Filling | None
    fill: FillFit | None
    as_slot_mm: float | None = None
    as_filled_mm: float | None = None
    as_faint_mm: float | None = None


def look_at(sight: ClosedSight, fit: ClosedFit | None, plan: Plan) -> Look | None:
    """Look whether something fills the joint, about the line that was fitted."""
    if fit is None:
        return None
    site, grain = sight.site, _grain_slope(plan)
    end = site.seen_through(site.ends_mm[1])

    def beside(line: tuple[float, float], gap_mm: float) -> Beside:
        return look_beside(sight.strip, line, gap_mm, site.u_range, grain, end)

    def unfilled(as_filled_mm: float | None = None) -> Look:
        # Glue as bright as the wood shows no edges, but it has a hue.
        about = beside(fit.line, fit.gap_mm)
        filling: Filling | None = "glue" if has_own_hue(about, site.blur_px) else None
        faint_px = faint_filling_px(about, site.blur_px)
        faint_mm = None if faint_px is None else faint_px / site.px_per_mm
        return Look(fit.line, about, filling, None, as_filled_mm=as_filled_mm, as_faint_mm=faint_mm)

    line = seek_line(sight.strip, fit.line, site.u_range, site.blur_px, sight.slot_share)
    if line is None:
        return unfilled()
    place = fit.line[0] + line.shift_px / site.px_per_mm, fit.line[1]
    about = beside(place, line.gap_px / site.px_per_mm)
    filling = tell_filling(line, about, site.blur_px, fit.gap_mm * site.px_per_mm)
    if filling is None:
        return unfilled(line.gap_px / site.px_per_mm if could_be_dark(line) else None)
    fill = fit_fill(
        sight.strip, fit.line, line, site.u_range, site.blur_px, site.lean, grain, site.blur_growth
    )
    if fill is None and filling == "dark" and abs(line.gap_px / site.px_per_mm - fit.gap_mm) < _ALIKE_MM:
        return unfilled()
    if fill is not None:
        place, about = fill.line, beside(fill.line, fill.gap_mm)
    is_open_question = filling == "dark" and line.over_slot < _SURELY_NO_SLOT
    return Look(place, about, filling, fill, fit.gap_mm if is_open_question else None)


def told_by_others(
    sights: list[ClosedSight], looks: list[Look | None], covers: list[Cover | None]
) -> list[Look | None]:
    """Where some joints are filled, and not just covered, look for a fainter hue in the others."""
    filled = [
        look is not None and cover is not None and look.filling == "glue" and cover.is_clear
        for look, cover in zip(looks, covers, strict=True)
    ]
    if sum(filled) < LEAST_FILLED:
        return looks
    return [
        replace(look, filling="glue")
        if look is not None
        and look.filling is None
        and has_own_hue(look.beside, sight.site.blur_px, is_likely=True)
        else look
        for sight, look in zip(sights, looks, strict=True)
    ]


def _grain_slope(plan: Plan) -> float:
    """Grain runs along each segment: at the mitre angle to the square to its joint."""
    return float(np.tan(np.radians(plan.mitre_deg)))
