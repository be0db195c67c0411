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
from lightgap.faces.filled import FillFit, Filling, fit_fill, has_own_hue, tell_filling
from lightgap.faces.joint import FaceLine, JointFaces
from lightgap.faces.line import seek_line
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
_RIM_STANDARD_MM = 0.025
"""Dried glue is darker, or a bright edge of light, within some hundredths of a mm of the wood."""
_ROUNDED_STANDARD_MM = 0.035
"""What two upper edges broken by sandpaper, 0 to some 0.1 mm, darken beside a filling."""
_SLOT_OR_GLUE, _SURELY_NO_SLOT, _ALIKE_MM = 0.25, 10.0, 0.1
_SMEARED_FACTOR = 1.6
"""Noise reduction smears grain along a faint line: what is alike over long stretches scatters little."""
_FLANK_BINS, _DARKER, _PALEST = 12, 0.08, 0.9
_HIDDEN = "dried glue hides this joint"
_COVERED = "something lies over part of this joint, dried glue perhaps; the clear part is measured"
_COULD_HIDE = "glue of the tone of its wood fills another joint, and could fill this one unseen"
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
    covers = iter(find_cover([look.beside for look in looks if look is not None]))
    filled = [(look.filling, look.fill) for look in looks if look is not None and look.fill is not None]
    filled_level = float(np.median([fill.level for _, fill in filled])) if filled else None
    could_hide = any(filling == "glue" and fill.hides for filling, fill in filled)
    joints = []
    for sight, fit, look in zip(sights, fits, looks, strict=True):
        if fit is None or look is None:
            joints.append(unmeasured(sight.site, plan, "no joint line could be fitted here"))
            continue
        cover = next(covers)
        if cover.is_hidden:
            joints.append(unmeasured(sight.site, plan, _HIDDEN))
        elif look.fill is not None:
            joints.append(_finish_filled(sight.site, look, look.fill, response))
        elif not cover.is_clear:
            joints.append(_finish_clear_part(sight, cover, plan, response, filled_level))
        elif look.filling is not None:
            joints.append(replace(unmeasured(sight.site, plan, _FILLED), kind="glue"))
        elif could_hide and not _shows_slot(fit):
            joints.append(unmeasured(sight.site, plan, _COULD_HIDE))
        else:
            joints.append(_finish(sight.site, fit, response, filled_level))
    return joints


@dataclass(frozen=True, eq=False)
class _Look:
    """What is seen beside and in a joint: ``fill`` is None where its edges cannot be told.

    ``as_slot_mm`` is the gap of a slot that looks like it; None where no slot does.
    """

    beside: Beside
    filling: Filling | None
    fill: FillFit | None
    as_slot_mm: float | None = None


def _look(sight: ClosedSight, fit: ClosedFit | None, plan: Plan) -> _Look | None:
    if fit is None:
        return None
    site, grain = sight.site, _grain_slope(plan)
    end = site.seen_through(site.ends_mm[1])

    def beside(line: tuple[float, float], gap_mm: float) -> Beside:
        return look_beside(sight.strip, line, gap_mm, site.u_range, grain, end)

    def unfilled() -> _Look:
        # Glue as bright as the wood shows no edges, but it has a hue.
        about = beside(fit.line, fit.gap_mm)
        return _Look(about, "glue" if has_own_hue(about, site.blur_px) else None, None)

    line = seek_line(sight.strip, fit.line, site.u_range, site.blur_px, _slot_share(site))
    if line is None:
        return unfilled()
    place = fit.line[0] + line.shift_px / site.px_per_mm, fit.line[1]
    about = beside(place, line.gap_px / site.px_per_mm)
    filling = tell_filling(line, about, site.blur_px, fit.gap_mm * site.px_per_mm)
    if filling is None:
        return unfilled()
    fill = fit_fill(sight.strip, fit.line, line, site.u_range, site.blur_px, site.lean, grain)
    if fill is None and filling == "dark" and abs(line.gap_px / site.px_per_mm - fit.gap_mm) < _ALIKE_MM:
        return unfilled()
    if fill is not None:
        about = beside(fill.line, fill.gap_mm)
    is_open_question = filling == "dark" and line.over_slot < _SURELY_NO_SLOT
    return _Look(about, filling, fill, fit.gap_mm if is_open_question else None)


def _finish_clear_part(
    sight: ClosedSight, cover: Cover, plan: Plan, response: Response, filled_level: float | None
) -> JointFaces:
    """Measure a joint on what nothing covers of it."""
    clear = replace(sight, strip=cover.clear_of(sight.strip))
    fit = _fit(clear, plan)
    look = _look(clear, fit, plan)
    if fit is None or look is None or (cover.spans_mm and look.filling):
        return unmeasured(sight.site, plan, _HIDDEN)
    if look.fill is not None:
        return _finish_filled(sight.site, look, look.fill, response)
    if look.filling is not None:
        return replace(unmeasured(sight.site, plan, _FILLED), kind="glue")
    joint = _finish(sight.site, fit, response, filled_level)
    if cover.spans_mm and joint.below_mm is not None:
        # Where no line is seen beside the cover, nothing tells that the joint itself was seen.
        return unmeasured(sight.site, plan, _HIDDEN)
    return replace(joint, doubts=(_COVERED,) if cover.spans_mm else ())


def _finish_filled(site: Site, look: _Look, fill: FillFit, response: Response) -> JointFaces:
    px = 1.0 / site.px_per_mm
    processing = _FILL_PROCESSING_PX * px * (1.0 + 2.0 * response.halo_standard)
    as_slot = fill.gap_mm if look.as_slot_mm is None else look.as_slot_mm
    return JointFaces(
        site.tooth.number,
        "closed" if look.filling == "dark" else "glue",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        *_faces(fill),
        site.ends_mm,
        _face_covariance(fill, response),
        gap_budget=(
            Contribution("how deep the glue stands", fill.depth_standard_mm),
            Contribution("slot or dark glue", min(_SLOT_OR_GLUE * abs(fill.gap_mm - as_slot), 2.0 * px)),
            Contribution("rims of the glue", _RIM_STANDARD_MM),
            Contribution("rounded edges", _ROUNDED_STANDARD_MM),
            Contribution("blur", abs(fill.gap_per_blur) * response.standard * site.blur_px),
            Contribution("phone's processing", processing),
            Contribution("heights of the two segments", heights_mm(site)),
        ),
        taper_budget=(
            Contribution("phone's processing", taper_deg(0.3 * processing, site)),
            Contribution("how deep the glue stands", taper_deg(0.3 * fill.depth_standard_mm, site)),
        ),
    )


def _slot_share(site: Site) -> float:
    return SLOT_SHARE * abs(site.lean)


def _fit(sight: ClosedSight, plan: Plan) -> ClosedFit | None:
    site = sight.site
    return fit_closed(sight.strip, site.u_range, site.blur_px, _slot_share(site), _grain_slope(plan))


def _grain_slope(plan: Plan) -> float:
    """Grain runs along each segment: at the mitre angle to the square to its joint."""
    return float(np.tan(np.radians(plan.mitre_deg)))


def _finish(site: Site, fit: ClosedFit, response: Response, filled_level: float | None) -> JointFaces:
    budget = (*_budget(fit, site, response), _as_filled(fit, site, filled_level))
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


def _shows_slot(fit: ClosedFit) -> bool:
    """Whether a line darker than both woods is seen."""
    woods = np.median(fit.profile[:_FLANK_BINS]), np.median(fit.profile[-_FLANK_BINS:])
    return bool(np.min(fit.profile) < (1.0 - _DARKER) * min(woods))


def _as_filled(fit: ClosedFit, site: Site, filled_level: float | None) -> Contribution:
    """What a gap lacks if the joint is filled as other joints of the ring are.

    A line no darker than such a filling can be a narrow slot or a wide filling: what the eye sees of
    either is its width times its lack of light.
    """
    name = "filled as other joints are"
    if filled_level is None or not 0.0 < filled_level < 1.0:
        return Contribution(name, 0.0)
    wood = 0.5 * float(np.median(fit.profile[:_FLANK_BINS]) + np.median(fit.profile[-_FLANK_BINS:]))
    if np.min(fit.profile) < (filled_level - _DARKER) * wood:
        return Contribution(name, 0.0)
    share = _slot_share(site)
    wider = max(fit.gap_mm, 0.0) * (1.0 - share) / (1.0 - min(filled_level, _PALEST))
    return Contribution(name, 0.5 * max(wider - max(fit.gap_mm, 0.0), 0.0))


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
