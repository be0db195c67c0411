"""Joints that glue fills: both faces by the glue's edges or by its colour, and their budgets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.faces.blur import Response
from lightgap.faces.both_faces import both_faces, face_covariance
from lightgap.faces.closed import ClosedFit
from lightgap.faces.closed_look import ClosedSight, Look
from lightgap.faces.filled import FillFit
from lightgap.faces.filled_width import (
    FilledWidth,
    FillingColour,
    WideFilling,
    filled_width,
    filling_colour,
)
from lightgap.faces.joint import FaceLine, JointFaces
from lightgap.faces.site import Site, heights_mm, uneven_deg
from lightgap.values import Contribution

_PROCESSING_PX = 0.10
_RIM_STANDARD_MM = 0.012
"""Dried glue is darker, or a bright edge of light, within some hundredths of a mm of the wood: width of
that rim times its darkness."""
_ROUNDED_STANDARD_MM = 0.015
"""What a wood's edge broken by sandpaper, 0 to some 0.1 mm, darkens beside a filling."""
_RIMS, _ROUNDED = "rims of the glue", "rounded edges"
_WIDE_PX = 2.5
"""A filling so wide shows its colour."""
_SLOT_OR_GLUE = 0.25
_APART = 0.25
"""Of the distance of two measures of one width, what goes into their mean's uncertainty."""


def colour_of_filling(
    sights: list[ClosedSight], looks: list[Look | None], response: Response
) -> FillingColour | None:
    """The colour of what fills the ring's joints, where it fills some widely enough."""
    return filling_colour(
        [
            WideFilling(
                look.beside,
                look.fill.gap_mm * sight.site.px_per_mm,
                _total(_budget(sight.site, look, look.fill, response)) / look.fill.gap_mm,
                sight.site.blur_px,
            )
            for sight, look in zip(sights, looks, strict=True)
            if look is not None and look.fill is not None and _is_wide(sight.site, look.fill)
        ]
    )


def width_by_colour(sight: ClosedSight, look: Look, colour: FillingColour | None) -> FilledWidth | None:
    """The width of what fills a joint, by how much of its colour shows; None if no joint shows it."""
    if colour is None:
        return None
    return filled_width(look.beside, sight.site.blur_px, sight.slot_share, colour)


def finish_by_colour(
    site: Site, fit: ClosedFit, look: Look, width: FilledWidth, response: Response
) -> JointFaces:
    """Finish a joint that is filled as others are: its width by colour, about the line that is seen."""
    px = 1.0 / site.px_per_mm
    offset, slope = look.line
    half, widening = 0.5 * width.width_px * px, 0.5 * width.slope_px * px
    covariance = fit.covariance.copy()
    covariance[2:, :] = covariance[:, 2:] = 0.0
    covariance[3, 3] = (width.slope_standard_px * px) ** 2
    middle = fit.middle_mm
    return JointFaces(
        site.tooth.number,
        "glue",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        FaceLine(offset - half + widening * middle, slope - widening),
        FaceLine(offset + half - widening * middle, slope + widening),
        site.ends_mm,
        face_covariance(replace(fit, covariance=covariance), response),
        gap_budget=(
            Contribution("width by its colour", width.standard_px * px),
            Contribution("heights of the two segments", heights_mm(site)),
        ),
        taper_budget=(Contribution("width by its colour", uneven_deg(width.standard_px * px, site)),),
    )


def finish_filled(
    sight: ClosedSight, look: Look, fill: FillFit, response: Response, colour: FillingColour | None
) -> JointFaces:
    """Finish a joint whose filling shows its edges; its colour helps where it is narrow."""
    site = sight.site
    budget = _budget(site, look, fill, response)
    width = width_by_colour(sight, look, colour)
    if width is not None and not _is_wide(site, fill):
        # Two measures of one width, each as far as it is sure.
        own, by_colour = _total(budget), width.standard_px / site.px_per_mm
        share = own**2 / (own**2 + by_colour**2)
        apart = width.width_px / site.px_per_mm - fill.gap_mm
        fill = replace(fill, gap_mm=fill.gap_mm + share * apart)
        budget = (
            *(replace(part, standard=(1.0 - share) * part.standard) for part in budget),
            Contribution("width by its colour", float(np.hypot(share * by_colour, _APART * apart))),
        )
    processing = _processing(site, response)
    return JointFaces(
        site.tooth.number,
        "closed" if look.filling == "dark" else "glue",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        *both_faces(fill),
        site.ends_mm,
        face_covariance(fill, response),
        gap_budget=budget,
        taper_budget=(
            Contribution("phone's processing", uneven_deg(processing, site)),
            Contribution("how deep the glue stands", uneven_deg(fill.depth_standard_mm, site)),
            Contribution(_RIMS, uneven_deg(_RIM_STANDARD_MM * abs(fill.gap_per_rim), site)),
            Contribution(_ROUNDED, uneven_deg(_ROUNDED_STANDARD_MM * abs(fill.gap_per_groove), site)),
        ),
    )


def _is_wide(site: Site, fill: FillFit) -> bool:
    return fill.gap_mm * site.px_per_mm > _WIDE_PX


def _processing(site: Site, response: Response) -> float:
    return _PROCESSING_PX / site.px_per_mm * (1.0 + 2.0 * response.halo_standard)


def _budget(site: Site, look: Look, fill: FillFit, response: Response) -> tuple[Contribution, ...]:
    as_slot = fill.gap_mm if look.as_slot_mm is None else look.as_slot_mm
    slot_or_glue = min(_SLOT_OR_GLUE * abs(fill.gap_mm - as_slot), 2.0 / site.px_per_mm)
    return (
        Contribution("how deep the glue stands", fill.depth_standard_mm),
        Contribution("slot or dark glue", slot_or_glue),
        Contribution(_RIMS, _RIM_STANDARD_MM * abs(fill.gap_per_rim)),
        Contribution(_ROUNDED, _ROUNDED_STANDARD_MM * abs(fill.gap_per_groove)),
        Contribution("blur", abs(fill.gap_per_blur) * response.standard * site.blur_px),
        Contribution("phone's processing", _processing(site, response)),
        Contribution("heights of the two segments", heights_mm(site)),
    )


def _total(budget: tuple[Contribution, ...]) -> float:
    return float(np.sqrt(sum(part.standard**2 for part in budget)))
