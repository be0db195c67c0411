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
from lightgap.faces.filled import FillFit, fit_fill, shows_fill
from lightgap.faces.joint import FaceLine, JointFaces
from lightgap.faces.site import NOISE_FACTOR, Site, heights_mm, taper_deg, unmeasured
from lightgap.faces.squeeze import Beside, Cover, find_cover, look_beside
from lightgap.faces.strip import Strip
from lightgap.plan import Plan
from lightgap.values import Contribution

_PROCESSING_PX = 0.02
_STEP_PROCESSING_PX = 0.15
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
    covers = iter(find_cover([look.beside for look in looks if look is not None]))
    joints = []
    for sight, fit, look in zip(sights, fits, looks, strict=True):
        if fit is None or look is None:
            joints.append(unmeasured(sight.site, plan, "no joint line could be fitted here"))
            continue
        cover = next(covers)
        if cover.is_hidden:
            joints.append(unmeasured(sight.site, plan, _HIDDEN))
        elif look.fill is not None:
            joints.append(_finish_filled(sight.site, look.fill, response))
        elif not cover.is_clear:
            joints.append(_finish_clear_part(sight, cover, plan, response))
        elif look.is_filled:
            joints.append(replace(unmeasured(sight.site, plan, _FILLED), kind="glue"))
        else:
            joints.append(_finish(sight.site, fit, response))
    return joints


@dataclass(frozen=True, eq=False)
class _Look:
    """What is seen beside and in a joint: ``fill`` is None where its edges cannot be told."""

    beside: Beside
    is_filled: bool
    fill: FillFit | None


def _look(sight: ClosedSight, fit: ClosedFit | None, plan: Plan) -> _Look | None:
    if fit is None:
        return None
    site, grain = sight.site, _grain_slope(plan)
    end = site.seen_through(site.ends_mm[1])
    beside = look_beside(sight.strip, fit.line, fit.gap_mm, site.u_range, grain, end)
    if not shows_fill(beside, fit, site.blur_px):
        return _Look(beside, False, None)
    fill = fit_fill(sight.strip, fit, site.u_range, site.blur_px, site.lean, grain)
    if fill is not None:
        beside = look_beside(sight.strip, fill.line, fill.gap_mm, site.u_range, grain, end)
    return _Look(beside, True, fill)


def _finish_clear_part(sight: ClosedSight, cover: Cover, plan: Plan, response: Response) -> JointFaces:
    """Measure a joint on what nothing covers of it."""
    clear = replace(sight, strip=cover.clear_of(sight.strip))
    fit = _fit(clear, plan)
    look = _look(clear, fit, plan)
    if fit is None or look is None or (cover.spans_mm and look.is_filled):
        return unmeasured(sight.site, plan, _HIDDEN)
    if look.fill is not None:
        return _finish_filled(sight.site, look.fill, response)
    if look.is_filled:
        return replace(unmeasured(sight.site, plan, _FILLED), kind="glue")
    return replace(_finish(sight.site, fit, response), doubts=(_COVERED,) if cover.spans_mm else ())


def _finish_filled(site: Site, fill: FillFit, response: Response) -> JointFaces:
    px = 1.0 / site.px_per_mm
    processing = _FILL_PROCESSING_PX * px * (1.0 + 2.0 * response.halo_standard)
    return JointFaces(
        site.tooth.number,
        "glue",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        *_faces(fill),
        site.ends_mm,
        _face_covariance(fill),
        gap_budget=(
            Contribution("how deep the glue stands", fill.depth_standard_mm),
            Contribution("rims of the glue", _RIM_STANDARD_MM),
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


def _finish(site: Site, fit: ClosedFit, response: Response) -> JointFaces:
    budget = _budget(fit, site, response)
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
        _face_covariance(fit),
        gap_budget=budget,
        taper_budget=(Contribution("phone's processing", _taper_processing(fit, site, response)),),
        below_mm=below,
    )


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


def _face_covariance(fit: ClosedFit | FillFit) -> NDArray[np.float64]:
    to_faces = _to_faces(fit.middle_mm)
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
