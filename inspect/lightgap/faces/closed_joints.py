"""Closed joints of a ring: fitted, the blur checked on their own thin lines, their budgets gathered."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.faces.blur import Response
from lightgap.faces.closed import SLOT_SHARE, SLOT_SHARE_STANDARD, ClosedFit, fit_closed, line_blur
from lightgap.faces.joint import FaceLine, JointFaces
from lightgap.faces.site import NOISE_FACTOR, Site, heights_mm, taper_deg, unmeasured
from lightgap.faces.strip import Strip
from lightgap.plan import Plan
from lightgap.values import Contribution

_PROCESSING_PX = 0.02
_STEP_PROCESSING_PX = 0.15
"""Between two woods a tone curve and a gap look alike: what it leaves, at a step of 0.7 of the mean."""
_PROCESSING_SHARE = 0.05
_HALO_TIMES = 8.0
"""How much less surely a strongly processed photo holds a thin line straight, per unit of halo gain."""
_LEAST_LINES = 4
_LINE_BLUR_STANDARD = 0.08
_LARGEST_STEP = 0.25


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
    return [_finish(sight.site, fit, plan, response) for sight, fit in zip(sights, fits, strict=True)]


def _slot_share(site: Site) -> float:
    return SLOT_SHARE * abs(site.lean)


def _fit(sight: ClosedSight, plan: Plan) -> ClosedFit | None:
    site = sight.site
    grain = float(np.tan(np.radians(plan.mitre_deg)))
    return fit_closed(sight.strip, site.u_range, site.blur_px, _slot_share(site), grain)


def _finish(site: Site, fit: ClosedFit | None, plan: Plan, response: Response) -> JointFaces:
    if fit is None:
        return unmeasured(site, plan, "no joint line could be fitted here")
    to_faces = np.array(
        [
            [1.0, -fit.middle_mm, -0.5, 0.5 * fit.middle_mm],
            [0.0, 1.0, 0.0, -0.5],
            [1.0, -fit.middle_mm, 0.5, -0.5 * fit.middle_mm],
            [0.0, 1.0, 0.0, 0.5],
        ]
    )
    faces = to_faces @ np.array([fit.centre_mm, fit.centre_slope, fit.gap_mm, fit.gap_slope])
    budget = _budget(fit, site, response)
    u_gap = float(np.sqrt(sum(part.standard**2 for part in budget) + NOISE_FACTOR**2 * fit.covariance[2, 2]))
    widest = fit.gap_mm + abs(fit.gap_slope) * fit.half_mm
    below = max(fit.gap_mm, 0.0) + 2.0 * u_gap if widest < 2.0 * u_gap else None
    return JointFaces(
        site.tooth.number,
        "closed",
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        FaceLine(float(faces[0]), float(faces[1])),
        FaceLine(float(faces[2]), float(faces[3])),
        site.ends_mm,
        NOISE_FACTOR**2 * (to_faces @ fit.covariance @ to_faces.T),
        gap_budget=budget,
        taper_budget=(Contribution("phone's processing", _taper_processing(fit, site, response)),),
        below_mm=below,
    )


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
    return (
        Contribution("slot darkness", abs(fit.gap_per_slot) * SLOT_SHARE_STANDARD),
        Contribution("blur", abs(fit.gap_per_blur) * response.standard * site.blur_px),
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
