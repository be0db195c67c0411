"""Closed joints of a ring: fitted, the blur checked on their own thin lines, their budgets gathered."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.blur import Response
from lightgap.faces.closed import (
    SLOT_SHARE,
    SLOT_SHARE_BY_LAMP,
    SLOT_SHARE_STANDARD,
    ClosedFit,
    fit_closed,
    line_blur,
)
from lightgap.faces.filled import (
    FillFit,
    Filling,
    could_be_dark,
    fit_fill,
    has_own_hue,
    tell_filling,
)
from lightgap.faces.filled_width import (
    FilledWidth,
    FillingColour,
    WideFilling,
    filled_width,
    filling_colour,
)
from lightgap.faces.joint import FaceLine, JointFaces
from lightgap.faces.line import seek_line
from lightgap.faces.sections import spread_of_sections
from lightgap.faces.site import NOISE_FACTOR, Site, heights_mm, taper_deg, unmeasured
from lightgap.faces.squeeze import Beside, Cover, find_cover, look_beside
from lightgap.faces.strip import Strip
from lightgap.plan import Plan
from lightgap.values import Contribution

_PROCESSING_PX = 0.02
_STEP_PROCESSING_PX = 0.10
"""Between two woods a tone curve and a gap look alike: what it leaves, at a step of 0.7 of the mean."""
_PROCESSING_SHARE = 0.05
_HALO_TIMES = 8.0
"""How much less surely a strongly processed photo holds a thin line straight, per unit of halo gain."""
_FAINT_LINE_BLUR = 0.03
"""Noise reduction and a lens's corners blur a faint line otherwise than the strong edges that tell
the blur."""
_WIDEST_GROOVE_MM = 0.07
"""What two upper edges rounded by 0.2 mm darken as a slot of this width would, with no gap between."""
_TIGHTEST = 0.2
_ROUNDED = "rounded edges"
_LEAST_LINES = 4
_LINE_BLUR_STANDARD = 0.08
_LARGEST_STEP = 0.25
_FILL_PROCESSING_PX = 0.10
_RIM_STANDARD_MM = 0.012
"""Dried glue is darker, or a bright edge of light, within some hundredths of a mm of the wood: width of
that rim times its darkness."""
_ROUNDED_STANDARD_MM = 0.015
"""What a wood's edge broken by sandpaper, 0 to some 0.1 mm, darkens beside a filling."""
_WIDE_PX = 2.5
"""A filling so wide shows its colour."""
_LEAST_FILLED = 2
"""One joint alone may have been taken for a filled one by mistake."""
_SLOT_OR_GLUE, _SURELY_NO_SLOT, _ALIKE_MM = 0.25, 10.0, 0.1
_GLUE_OR_SLOT, _MOST_GLUE_PX = 0.35, 1.0
_TAPER_OF_SPREAD = 0.3
"""What a line that follows grain in part of its length puts into its taper, over its own turn."""
_APART = 0.25
"""Of the distance of two measures of one width, what goes into their mean's uncertainty."""
_SMEARED_FACTOR = 1.6
"""Noise reduction smears grain along a faint line: what is alike over long stretches scatters little."""
_HIDDEN = "dried glue hides this joint"
_COVERED = "something lies over part of this joint, dried glue perhaps; the clear part is measured"
_FILLED = "glue fills this joint, and its edges cannot be told from the wood"


@dataclass(frozen=True, eq=False)
class ClosedSight:
    """The pixels of a closed joint, before the blur is settled."""

    site: Site
    strip: Strip


def measure_closed(sights: list[ClosedSight], plan: Plan, response: Response) -> list[JointFaces]:
    """Fit closed joints; where the cards could not tell the blur, let the joints' lines tell it."""
    fits = [_fit(sight, plan) for sight in sights]
    if not response.is_sure:
        lines = [fit for fit in fits if fit is not None and fit.step < _LARGEST_STEP]
        share = float(np.median([_slot_share(sight.site) for sight in sights])) if sights else 0.0
        blur = None
        if len(lines) >= _LEAST_LINES:
            blur = line_blur(np.array([fit.profile for fit in lines]), share)
        if blur is not None:
            # Two measures of one blur, each by a way of its own: their mean, and half their distance.
            before = float(np.median([sight.site.blur_px for sight in sights]))
            middle = 0.5 * (before + blur)
            apart = 0.5 * (blur - before) / middle
            response = replace(response, standard=float(np.hypot(_LINE_BLUR_STANDARD, apart)))
            sights = [replace(sight, site=replace(sight.site, blur_px=middle)) for sight in sights]
            fits = [_fit(sight, plan) for sight in sights]
    return _with_rounded_edges(_tell(sights, fits, plan, response))


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
    looks = [_look(sight, fit, plan) for sight, fit in zip(sights, fits, strict=True)]
    found = iter(find_cover([look.beside for look in looks if look is not None]))
    covers = [None if look is None else next(found) for look in looks]
    looks = _told_by_others(sights, looks, covers)
    colour = _filling_colour(sights, looks, response)
    joints = []
    for sight, fit, look, cover in zip(sights, fits, looks, covers, strict=True):
        if fit is None or look is None or cover is None:
            joints.append(unmeasured(sight.site, plan, "no joint line could be fitted here"))
            continue
        if cover.is_hidden:
            joints.append(unmeasured(sight.site, plan, _HIDDEN))
        elif look.fill is not None:
            joints.append(_finish_filled(sight.site, look, look.fill, response, colour))
        elif not cover.is_clear:
            joints.append(_finish_clear_part(sight, cover, plan, response, colour))
        else:
            joints.append(_finish_narrow(sight, fit, look, plan, response, colour))
    return joints


def _told_by_others(
    sights: list[ClosedSight], looks: list[_Look | None], covers: list[Cover | None]
) -> list[_Look | None]:
    """Where some joints are filled, and not just covered, look for a fainter hue in the others."""
    filled = [
        look is not None and cover is not None and look.filling == "glue" and cover.is_clear
        for look, cover in zip(looks, covers, strict=True)
    ]
    if sum(filled) < _LEAST_FILLED:
        return looks
    return [
        replace(look, filling="glue")
        if look is not None
        and look.filling is None
        and has_own_hue(look.beside, sight.site.blur_px, is_likely=True)
        else look
        for sight, look in zip(sights, looks, strict=True)
    ]


def _filling_colour(
    sights: list[ClosedSight], looks: list[_Look | None], response: Response
) -> FillingColour | None:
    """The colour of what fills the ring's joints, where it fills some widely enough."""
    return filling_colour(
        [
            WideFilling(
                look.beside,
                look.fill.gap_mm * sight.site.px_per_mm,
                _total(_fill_budget(sight.site, look, look.fill, response)) / look.fill.gap_mm,
                sight.site.blur_px,
            )
            for sight, look in zip(sights, looks, strict=True)
            if look is not None and look.fill is not None and _is_wide(sight.site, look.fill)
        ]
    )


def _is_wide(site: Site, fill: FillFit) -> bool:
    return fill.gap_mm * site.px_per_mm > _WIDE_PX


def _width(site: Site, look: _Look, colour: FillingColour | None) -> FilledWidth | None:
    return None if colour is None else filled_width(look.beside, site.blur_px, _slot_share(site), colour)


def _finish_narrow(
    sight: ClosedSight,
    fit: ClosedFit,
    look: _Look,
    plan: Plan,
    response: Response,
    colour: FillingColour | None,
) -> JointFaces:
    """Finish a joint whose filling, if there is one, is too narrow for its edges to be seen."""
    site = sight.site
    width = _width(site, look, colour)
    if colour is not None and width is not None and width.is_sure and colour.joints >= _LEAST_FILLED:
        return _finish_by_colour(site, fit, look, width, response)
    if look.filling is not None:
        return replace(unmeasured(site, plan, _FILLED), kind="glue")
    return _finish(sight, fit, look, response, width)


@dataclass(frozen=True, eq=False)
class _Look:
    """What is seen beside and in a joint: ``fill`` is None where its edges cannot be told.

    ``line`` is (offset, slope) of its middle. ``as_slot_mm`` is the gap of a slot that looks like a
    filling, ``as_filled_mm`` that of a filling that looks like a slot; None where none does.
    """

    line: tuple[float, float]
    beside: Beside
    filling: Filling | None
    fill: FillFit | None
    as_slot_mm: float | None = None
    as_filled_mm: float | None = None


def _look(sight: ClosedSight, fit: ClosedFit | None, plan: Plan) -> _Look | None:
    if fit is None:
        return None
    site, grain = sight.site, _grain_slope(plan)
    end = site.seen_through(site.ends_mm[1])

    def beside(line: tuple[float, float], gap_mm: float) -> Beside:
        return look_beside(sight.strip, line, gap_mm, site.u_range, grain, end)

    def unfilled(as_filled_mm: float | None = None) -> _Look:
        # Glue as bright as the wood shows no edges, but it has a hue.
        about = beside(fit.line, fit.gap_mm)
        filling: Filling | None = "glue" if has_own_hue(about, site.blur_px) else None
        return _Look(fit.line, about, filling, None, as_filled_mm=as_filled_mm)

    line = seek_line(sight.strip, fit.line, site.u_range, site.blur_px, _slot_share(site))
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
    return _Look(place, about, filling, fill, fit.gap_mm if is_open_question else None)


def _finish_clear_part(
    sight: ClosedSight,
    cover: Cover,
    plan: Plan,
    response: Response,
    colour: FillingColour | None,
) -> JointFaces:
    """Measure a joint on what nothing covers of it."""
    clear = replace(sight, strip=cover.clear_of(sight.strip))
    fit = _fit(clear, plan)
    look = _look(clear, fit, plan)
    if fit is None or look is None or (cover.spans_mm and look.filling):
        return unmeasured(sight.site, plan, _HIDDEN)
    if look.fill is not None:
        return _finish_filled(sight.site, look, look.fill, response, colour)
    joint = _finish_narrow(clear, fit, look, plan, response, colour)
    if cover.spans_mm and joint.below_mm is not None:
        # Where no line is seen beside the cover, nothing tells that the joint itself was seen.
        return unmeasured(sight.site, plan, _HIDDEN)
    return replace(joint, doubts=(_COVERED,) if cover.spans_mm else ())


def _finish_by_colour(
    site: Site, fit: ClosedFit, look: _Look, width: FilledWidth, response: Response
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
        _face_covariance(replace(fit, covariance=covariance), response),
        gap_budget=(
            Contribution("width by its colour", width.standard_px * px),
            Contribution("heights of the two segments", heights_mm(site)),
        ),
    )


def _finish_filled(
    site: Site, look: _Look, fill: FillFit, response: Response, colour: FillingColour | None
) -> JointFaces:
    budget = _fill_budget(site, look, fill, response)
    width = _width(site, look, colour)
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
    processing = _fill_processing(site, response)
    return JointFaces(
        site.tooth.number,
        "closed" if look.filling == "dark" else "glue",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        *_faces(fill),
        site.ends_mm,
        _face_covariance(fill, response),
        gap_budget=budget,
        taper_budget=(
            Contribution("phone's processing", taper_deg(0.3 * processing, site)),
            Contribution("how deep the glue stands", taper_deg(0.3 * fill.depth_standard_mm, site)),
        ),
    )


def _fill_processing(site: Site, response: Response) -> float:
    return _FILL_PROCESSING_PX / site.px_per_mm * (1.0 + 2.0 * response.halo_standard)


def _fill_budget(site: Site, look: _Look, fill: FillFit, response: Response) -> tuple[Contribution, ...]:
    as_slot = fill.gap_mm if look.as_slot_mm is None else look.as_slot_mm
    slot_or_glue = min(_SLOT_OR_GLUE * abs(fill.gap_mm - as_slot), 2.0 / site.px_per_mm)
    return (
        Contribution("how deep the glue stands", fill.depth_standard_mm),
        Contribution("slot or dark glue", slot_or_glue),
        Contribution("rims of the glue", _RIM_STANDARD_MM * abs(fill.gap_per_rim)),
        Contribution("rounded edges", _ROUNDED_STANDARD_MM * abs(fill.gap_per_groove)),
        Contribution("blur", abs(fill.gap_per_blur) * response.standard * site.blur_px),
        Contribution("phone's processing", _fill_processing(site, response)),
        Contribution("heights of the two segments", heights_mm(site)),
    )


def _total(budget: tuple[Contribution, ...]) -> float:
    return float(np.sqrt(sum(part.standard**2 for part in budget)))


def _slot_share(site: Site) -> float:
    return SLOT_SHARE * abs(site.lean)


def _fit(sight: ClosedSight, plan: Plan) -> ClosedFit | None:
    site = sight.site
    return fit_closed(
        sight.strip, site.u_range, site.blur_px, _slot_share(site), _grain_slope(plan), site.blur_growth
    )


def _grain_slope(plan: Plan) -> float:
    """Grain runs along each segment: at the mitre angle to the square to its joint."""
    return float(np.tan(np.radians(plan.mitre_deg)))


def _finish(
    sight: ClosedSight, fit: ClosedFit, look: _Look, response: Response, width: FilledWidth | None
) -> JointFaces:
    site = sight.site
    spread = spread_of_sections(sight.strip, fit, site.u_range, site.blur_px, _slot_share(site))
    # The fit's own scatter is widened by NOISE_FACTOR later on.
    also = np.array([spread.place_mm, spread.slope, 0.0, _TAPER_OF_SPREAD * spread.slope]) / NOISE_FACTOR
    fit = replace(fit, covariance=fit.covariance + np.diag(also**2))
    wider = max((look.as_filled_mm or 0.0) - max(fit.gap_mm, 0.0), 0.0)
    budget = (
        *_budget(fit, site, response),
        _as_filled(fit, site, width),
        Contribution("slot or dark glue", min(_GLUE_OR_SLOT * wider, _MOST_GLUE_PX / site.px_per_mm)),
        Contribution("grain along the joint", spread.gap_mm),
    )
    u_gap = float(np.sqrt(sum(part.standard**2 for part in budget) + NOISE_FACTOR**2 * fit.covariance[2, 2]))
    widest = fit.gap_mm + abs(fit.gap_slope) * fit.half_mm
    below = max(fit.gap_mm, 0.0) + 2.0 * u_gap if widest < 2.0 * u_gap else None
    return JointFaces(
        site.tooth.number,
        "closed",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        *_faces(fit),
        site.ends_mm,
        _face_covariance(fit, response),
        gap_budget=budget,
        taper_budget=(Contribution("phone's processing", _taper_processing(fit, site, response)),),
        below_mm=below,
    )


def _as_filled(fit: ClosedFit, site: Site, width: FilledWidth | None) -> Contribution:
    """What a gap lacks if the joint is filled as others are, as narrowly as would not show."""
    widest_mm = 0.0 if width is None else width.widest_px / site.px_per_mm
    return Contribution("filled as other joints are", 0.5 * max(widest_mm - max(fit.gap_mm, 0.0), 0.0))


def _to_faces(middle_mm: float) -> NDArray[np.float64]:
    """From centre, its slope, gap, its slope, all at the middle, to both faces' lines at u = 0."""
    return np.array(
        [
            [1.0, -middle_mm, -0.5, 0.5 * middle_mm],
            [0.0, 1.0, 0.0, -0.5],
            [1.0, -middle_mm, 0.5, -0.5 * middle_mm],
            [0.0, 1.0, 0.0, 0.5],
        ]
    )


def _faces(fit: ClosedFit | FillFit) -> tuple[FaceLine, FaceLine]:
    lines = _to_faces(fit.middle_mm) @ [fit.centre_mm, fit.centre_slope, fit.gap_mm, fit.gap_slope]
    return FaceLine(float(lines[0]), float(lines[1])), FaceLine(float(lines[2]), float(lines[3]))


def _face_covariance(fit: ClosedFit | FillFit, response: Response) -> NDArray[np.float64]:
    """Covariance of both faces' lines; a line's own place is less sure in a smeared picture."""
    place = 1.0 if response.is_sure else _SMEARED_FACTOR
    to_faces = _to_faces(fit.middle_mm) @ np.diag([place, place, 1.0, 1.0])
    return np.asarray(NOISE_FACTOR**2 * (to_faces @ fit.covariance @ to_faces.T))


def _taper_processing(fit: ClosedFit, site: Site, response: Response) -> float:
    """What the phone's processing may put into the taper, standard, degrees."""
    at_ends_px = _PROCESSING_PX * (1.0 + _HALO_TIMES * response.halo_standard)
    at_ends_px += 0.3 * _STEP_PROCESSING_PX * min(fit.step / 0.7, 1.0) ** 2
    share = _PROCESSING_SHARE + 0.3 * response.halo_standard
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
                    gap * (_PROCESSING_SHARE + 0.3 * response.halo_standard),
                    px * (_PROCESSING_PX + _STEP_PROCESSING_PX * min(fit.step / 0.7, 1.0) ** 2),
                )
            ),
        ),
        Contribution("heights of the two segments", heights_mm(site)),
        # No gap is negative: a fit that says so is wrong by at least that much.
        Contribution("the model of the joint", 0.5 * max(-fit.gap_mm, 0.0)),
    )
