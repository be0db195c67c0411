"""Closed joints of a ring: fitted, the blur checked on their own thin lines, their budgets gathered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.faces.blur import Response
from lightgap.faces.both_faces import both_faces, face_covariance
from lightgap.faces.closed import (
    SLOT_SHARE_BY_LAMP,
    SLOT_SHARE_STANDARD,
    ClosedFit,
    find_line,
    fit_closed,
    line_blur,
)
from lightgap.faces.closed_look import LEAST_FILLED, ClosedSight, Look, look_at, told_by_others
from lightgap.faces.filled import tint_lag_px
from lightgap.faces.filled_joints import colour_of_filling, finish_by_colour, finish_filled, width_by_colour
from lightgap.faces.filled_width import FilledWidth, FillingColour
from lightgap.faces.joint import JointFaces
from lightgap.faces.long_grain import widened
from lightgap.faces.sections import open_in_parts_mm, spread_of_sections
from lightgap.faces.site import NOISE_FACTOR, Site, heights_mm, taper_deg, uneven_deg, unmeasured
from lightgap.faces.squeeze import Cover, find_cover
from lightgap.plan import Plan
from lightgap.values import Contribution

_PROCESSING_PX = 0.015
_STEP_PROCESSING_PX = 0.075
"""Between two woods a tone curve and a gap look alike: what it leaves, at a step of 0.7 of the mean."""
_PROCESSING_SHARE, _HALO_SHARE = 0.04, 0.22
_HALO_TIMES = 8.0
"""How much less surely a strongly processed photo holds a thin line straight, per unit of halo gain."""
_FAINT_LINE_BLUR = 0.03
"""Noise reduction and a lens's corners blur a faint line otherwise than the strong edges that tell
the blur."""
_WIDEST_GROOVE_MM = 0.07
"""What two upper edges rounded by 0.2 mm darken as a slot of this width would, with no gap between."""
_TIGHTEST = 0.1
_ROUNDED = "rounded edges"
_LEAST_LINES = 4
_LINE_BLUR_STANDARD = 0.08
_LARGEST_STEP = 0.25
_GLUE_OR_SLOT, _MOST_GLUE_PX = 0.25, 1.0
_LAG_SHARE = 0.5
"""How much wider a joint is, over what its tint lags behind its line, and how unsure that is: on drawn rings
(seeds 501 and 601) gaps lack once the lag, give or take as much."""
_TAPER_OF_SPREAD = 0.3
"""What a line that follows grain in part of its length puts into its taper, over its own turn."""
_UNSEEN = "filled with the wood's own colour"
_HIDDEN = "dried glue hides this joint"
_COVERED = "something lies over part of this joint, dried glue perhaps; the clear part is measured"
_FILLED = "glue fills this joint, and its edges cannot be told from the wood"
_BESIDE = "the wood along it has another hue than along the other joints: dried glue may lie over it"
_FAINT = "a faint colour of its own runs along it: glue of nearly the wood's colour may fill it"
_LONE = "no other joint has a line of glue so wide: this may be dried glue that lies over it"
_LONE_MM, _LONE_TIMES = 0.4, 2.0
_LEAST_COVERED_MM = 0.125
"""What a smear may hide of a joint that looks tight, a standard uncertainty."""


def measure_closed(sights: list[ClosedSight], plan: Plan, response: Response) -> list[JointFaces]:
    """Fit closed joints; where the cards could not tell the blur, let the joints' lines tell it."""
    lines = [find_line(sight.view(plan)) for sight in sights]
    if not response.is_sure:
        thin = [line for line in lines if line is not None and line.step < _LARGEST_STEP]
        share = float(np.median([sight.slot_share for sight in sights])) if sights else 0.0
        blur = None
        if len(thin) >= _LEAST_LINES:
            blur = line_blur(np.array([line.profile for line in thin]), share)
        if blur is not None:
            # Two measures of one blur, each by a way of its own: their mean, and half their distance.
            before = float(np.median([sight.site.blur_px for sight in sights]))
            middle = 0.5 * (before + blur)
            apart = 0.5 * (blur - before) / middle
            response = replace(response, standard=float(np.hypot(_LINE_BLUR_STANDARD, apart)))
            sights = [replace(sight, site=replace(sight.site, blur_px=middle)) for sight in sights]
    fits = [
        None if line is None else fit_closed(sight.view(plan), line)
        for sight, line in zip(sights, lines, strict=True)
    ]
    return _with_rounded_edges(_tell(sights, _with_long_grain(fits), plan, response))


def _with_long_grain(fits: list[ClosedFit | None]) -> list[ClosedFit | None]:
    found = [fit for fit in fits if fit is not None]
    covariances = iter(widened([fit.covariance for fit in found], [fit.by_sections for fit in found]))
    return [None if fit is None else replace(fit, covariance=next(covariances)) for fit in fits]


def _with_rounded_edges(joints: list[JointFaces]) -> list[JointFaces]:
    """Carry in every slot's budget what the rounded edges above it may add to its look.

    Two edges broken by sandpaper form a dark groove above the slot, about a third of their radius wide
    to the eye, which no profile at a phone's blur tells from a slot. But the edges of one ring are
    alike, and no gap is negative: a groove is no wider than the ring's tightest joints look. From
    nothing to there all is as likely, and it only ever adds: hence the root of three.
    """
    gaps = [gap for joint in joints if _is_slot(joint) and (gap := _middle_gap_mm(joint)) is not None]
    if not gaps:
        return joints
    groove = min(max(float(np.quantile(gaps, _TIGHTEST)), 0.0), _WIDEST_GROOVE_MM)
    part = Contribution(_ROUNDED, groove / np.sqrt(3.0))
    return [
        replace(
            joint,
            gap_budget=(*joint.gap_budget, part),
            below_mm=None if joint.below_mm is None else joint.below_mm + 2.0 * part.standard,
        )
        if _is_slot(joint)
        else joint
        for joint in joints
    ]


def _is_slot(joint: JointFaces) -> bool:
    told = {part.name for part in joint.gap_budget}
    return joint.kind == "closed" and bool(told) and _ROUNDED not in told


def _middle_gap_mm(joint: JointFaces) -> float | None:
    if joint.face_a is None or joint.face_b is None:
        return None
    widening = joint.face_b.slope - joint.face_a.slope
    return joint.face_b.offset_mm - joint.face_a.offset_mm + widening * sum(joint.ends_mm) / 2.0


def _tell(
    sights: list[ClosedSight], fits: list[ClosedFit | None], plan: Plan, response: Response
) -> list[JointFaces]:
    """Finish every joint as what it is: a slot, a glue line, or one that something covers."""
    looks = [look_at(sight, fit, plan) for sight, fit in zip(sights, fits, strict=True)]
    found = iter(find_cover([look.beside for look in looks if look is not None]))
    covers = [None if look is None else next(found) for look in looks]
    looks = told_by_others(sights, looks, covers)
    colour = colour_of_filling(sights, looks, response)
    joints = []
    for sight, fit, look, cover, is_lone in zip(sights, fits, looks, covers, _lone(looks), strict=True):
        if fit is None or look is None or cover is None:
            joints.append(unmeasured(sight.site, plan, "no joint line could be fitted here"))
            continue
        if cover.is_hidden:
            joint = unmeasured(sight.site, plan, _HIDDEN)
        elif look.fill is not None:
            joint = finish_filled(sight, look, look.fill, response, colour)
        elif not cover.is_clear:
            joint = _finish_clear_part(sight, cover, plan, response, colour)
        else:
            joint = _finish_narrow(sight, fit, look, plan, response, colour)
        if is_lone or cover.is_odd:
            joint = _perhaps_covered(joint, sight.site, _LONE if is_lone else _BESIDE)
        joints.append(joint)
    return joints


def _lone(looks: list[Look | None]) -> list[bool]:
    """Which joints alone of the ring show a wide line of glue.

    Of twelve such on drawn rings (seeds 303 and 601) five were smears, and two more no line of glue.
    """
    widths = np.array(
        [look.fill.gap_mm if look and look.fill and look.filling == "glue" else 0.0 for look in looks]
    )
    return [bool(width > _LONE_MM and np.sum(_LONE_TIMES * widths > width) == 1) for width in widths]


def _perhaps_covered(joint: JointFaces, site: Site, doubt: str) -> JointFaces:
    """Carry that what is measured may be what lies over the joint, or hides it; glue is no wide slot."""
    gap = _middle_gap_mm(joint)
    if gap is None or (joint.kind == "closed" and gap > 2.0 * _LEAST_COVERED_MM):
        return joint
    standard = max(0.5 * gap, _LEAST_COVERED_MM)
    name = "dried glue over it"
    return replace(
        joint,
        gap_budget=(*joint.gap_budget, Contribution(name, standard)),
        taper_budget=(*joint.taper_budget, Contribution(name, uneven_deg(standard, site))),
        below_mm=None if joint.below_mm is None else joint.below_mm + 2.0 * standard,
        doubts=(*joint.doubts, doubt),
    )


def _finish_narrow(
    sight: ClosedSight,
    fit: ClosedFit,
    look: Look,
    plan: Plan,
    response: Response,
    colour: FillingColour | None,
) -> JointFaces:
    """Finish a joint whose filling, if there is one, is too narrow for its edges to be seen."""
    site = sight.site
    width = width_by_colour(sight, look, colour)
    if colour is not None and width is not None and width.is_sure and colour.joints >= LEAST_FILLED:
        return finish_by_colour(site, fit, look, width, response)
    if look.filling is not None:
        return replace(unmeasured(site, plan, _FILLED), kind="glue")
    return _finish(sight, fit, look, response, width)


def _finish_clear_part(
    sight: ClosedSight,
    cover: Cover,
    plan: Plan,
    response: Response,
    colour: FillingColour | None,
) -> JointFaces:
    """Measure a joint on what nothing covers of it."""
    clear = replace(sight, strip=cover.clear_of(sight.strip))
    fit = fit_closed(clear.view(plan))
    look = look_at(clear, fit, plan)
    if fit is None or look is None or (cover.spans_mm and look.filling):
        return unmeasured(sight.site, plan, _HIDDEN)
    if look.fill is not None:
        return finish_filled(sight, look, look.fill, response, colour)
    joint = _finish_narrow(clear, fit, look, plan, response, colour)
    if cover.spans_mm and joint.below_mm is not None:
        # Where no line is seen beside the cover, nothing tells that the joint itself was seen.
        return unmeasured(sight.site, plan, _HIDDEN)
    return replace(joint, doubts=(*joint.doubts, _COVERED)) if cover.spans_mm else joint


def _finish(
    sight: ClosedSight, fit: ClosedFit, look: Look, response: Response, width: FilledWidth | None
) -> JointFaces:
    site = sight.site
    spread = spread_of_sections(sight.strip, fit, site.u_range, site.blur_px, sight.slot_share)
    # The fit's own scatter is widened by NOISE_FACTOR later on.
    also = np.array([spread.place_mm, spread.slope, 0.0, _TAPER_OF_SPREAD * spread.slope]) / NOISE_FACTOR
    lag_mm = _LAG_SHARE * tint_lag_px(look.beside, site.blur_px) / site.px_per_mm
    fit = replace(fit, gap_mm=fit.gap_mm + lag_mm, covariance=fit.covariance + np.diag(also**2))
    gap = max(fit.gap_mm, 0.0)
    wider = max((look.as_filled_mm or 0.0) - gap, 0.0)
    faint = 0.5 * max((look.as_faint_mm or 0.0) - gap, 0.0)
    budget = (
        *_budget(fit, site, response),
        _as_filled(fit, site, width),
        Contribution(_UNSEEN, faint),
        Contribution("slot or dark glue", min(_GLUE_OR_SLOT * wider, _MOST_GLUE_PX / site.px_per_mm)),
        Contribution("grain along the joint", spread.gap_mm),
        Contribution("parts of it that stand open", open_in_parts_mm(sight.strip, fit, site.u_range)),
        Contribution("brightness and tint change at two places", lag_mm),
    )
    u_gap = float(np.sqrt(sum(part.standard**2 for part in budget) + NOISE_FACTOR**2 * fit.covariance[2, 2]))
    widest = fit.gap_mm + abs(fit.gap_slope) * fit.half_mm
    below = gap + 2.0 * u_gap if widest < 2.0 * u_gap else None
    return JointFaces(
        site.tooth.number,
        "closed",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        *both_faces(fit),
        site.ends_mm,
        face_covariance(fit, response),
        gap_budget=budget,
        taper_budget=(
            Contribution("phone's processing", _taper_processing(fit, site, response)),
            Contribution(_UNSEEN, uneven_deg(faint, site)),
        ),
        below_mm=below,
        doubts=(_FAINT,) if faint else (),
    )


def _as_filled(fit: ClosedFit, site: Site, width: FilledWidth | None) -> Contribution:
    """What a gap lacks if the joint is filled as others are, as narrowly as would not show."""
    widest_mm = 0.0 if width is None else width.widest_px / site.px_per_mm
    return Contribution("filled as other joints are", 0.5 * max(widest_mm - max(fit.gap_mm, 0.0), 0.0))


def _taper_processing(fit: ClosedFit, site: Site, response: Response) -> float:
    """What the phone's processing may put into the taper, standard, degrees."""
    at_ends_px = _PROCESSING_PX * (1.0 + _HALO_TIMES * response.halo_standard)
    at_ends_px += 0.3 * _STEP_PROCESSING_PX * min(fit.step / 0.7, 1.0) ** 2
    share = _PROCESSING_SHARE + _HALO_SHARE * response.halo_standard
    return float(
        np.hypot(taper_deg(at_ends_px / site.px_per_mm, site), np.degrees(abs(fit.gap_slope)) * share)
    )


def _budget(fit: ClosedFit, site: Site, response: Response) -> tuple[Contribution, ...]:
    px = 1.0 / site.px_per_mm
    gap = max(fit.gap_mm, 0.0)
    slot = float(np.hypot(SLOT_SHARE_STANDARD, SLOT_SHARE_BY_LAMP * site.lean))
    blur = float(np.hypot(response.standard, _FAINT_LINE_BLUR))
    return (
        Contribution("slot darkness", abs(fit.gap_per_slot) * slot),
        Contribution("blur", abs(fit.gap_per_blur) * blur * site.blur_px),
        Contribution(
            "phone's processing",
            float(
                np.hypot(
                    gap * (_PROCESSING_SHARE + _HALO_SHARE * response.halo_standard),
                    px * (_PROCESSING_PX + _STEP_PROCESSING_PX * min(fit.step / 0.7, 1.0) ** 2),
                )
            ),
        ),
        Contribution("heights of the two segments", heights_mm(site)),
        # No gap is negative: a fit that says so is wrong by at least that much.
        Contribution("the model of the joint", 0.5 * max(-fit.gap_mm, 0.0)),
    )
