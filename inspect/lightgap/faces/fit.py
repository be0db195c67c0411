"""Every joint of a ring, finely: which kind of joint it is, and where its two faces run."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.faces.blur import Response
from lightgap.faces.closed import SLOT_SHARE, SLOT_SHARE_STANDARD, ClosedFit, fit_closed
from lightgap.faces.gap import GapView, view_gap
from lightgap.faces.joint import FaceLine, JointFaces, JointKind
from lightgap.faces.lamp import LitStrip, WallSight, find_strips
from lightgap.faces.open import EdgeFit, fit_edge
from lightgap.faces.strip import JointFrame, Strip, cut_strip
from lightgap.hand import HandFace
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.comb import Comb, Tooth
from lightgap.ring.edges import EdgeLine, SegmentEdges
from lightgap.ring.outline import Outline
from lightgap.values import Contribution

Array = NDArray[np.float64]

_END_CLEARANCE_MM = 0.6
_HEIGHT_STANDARD_MM = 0.07
"""How far one segment's top face usually stands above or below the others of a sanded ring."""
_NOISE_FACTOR = 1.5
"""What a fit's own scatter understates: grain is alike over more than one block."""
_OPEN_PROCESSING_PX = 0.10
_CLOSED_PROCESSING_PX = 0.02
_STEP_PROCESSING_PX = 0.15
_CLOSED_SHARE = 0.05
_BLOCKED_MARGIN_MM = 1.5
_RESOLVED_CLOSED_MM = 1.2
"""A joint planned closed but wider than this is fitted edge by edge."""


@dataclass(frozen=True, eq=False)
class _Site:
    """What the fit of one joint needs to know of its surroundings."""

    tooth: Tooth
    frame: JointFrame
    ends_mm: tuple[float, float]
    lean: float
    foot_v_mm: float
    camera_height_mm: float
    blur_px: float
    px_per_mm: float


def fit_joints(
    photo: Photo,
    response: Response,
    outline: Outline,
    comb: Comb,
    edges: tuple[SegmentEdges, ...],
    plan: Plan,
    by_hand: dict[int, tuple[HandFace, HandFace]],
) -> tuple[JointFaces, ...]:
    """Fit both faces of every joint, clockwise from joint 1.

    Parameters
    ----------
    by_hand : dict
        Joint number -> faces A and B as dragged; the fit starts from them.
    """
    by_number = {item.number: item for item in edges}
    joints: list[JointFaces | OpenFits] = []
    for tooth in comb.teeth:
        before = by_number.get((tooth.number - 2) % plan.segments + 1)
        after = by_number.get(tooth.number)
        hand = by_hand.get(tooth.number)
        if hand is not None:
            tooth = _hand_tooth(tooth, hand, outline.camera, plan)
        site = _site(outline, tooth, before, after, plan, response)
        missing = {(tooth.number - 2) % plan.segments + 1, tooth.number} & set(comb.missing_segments)
        if missing:
            reason = f"segment {min(missing)} beside it is missing"
            joints.append(_unmeasured(site, plan, reason))
        elif not tooth.found:
            joints.append(_unmeasured(site, plan, "nothing like a joint can be seen at this place"))
        else:
            joints.append(_fit_joint(photo, response, outline, site, plan))
    judged = _under_the_lamp(joints, plan, response)
    return tuple(replace(joint, by_hand=joint.number in by_hand) for joint in judged)


def _under_the_lamp(joints: list[JointFaces | OpenFits], plan: Plan, response: Response) -> list[JointFaces]:
    """Let the walls of all open joints tell where a lit strip hides an edge, then finish them."""
    fits = [joint for joint in joints if isinstance(joint, OpenFits)]
    walls = [wall for joint in fits for wall in joint.walls(plan)]
    blur_px = float(np.median([joint.site.blur_px for joint in fits])) if fits else 1.0
    strips = iter(find_strips(walls, blur_px))
    return [
        joint.finish(next(strips), next(strips), response) if isinstance(joint, OpenFits) else joint
        for joint in joints
    ]


def _hand_tooth(tooth: Tooth, faces: tuple[HandFace, HandFace], camera: Camera, plan: Plan) -> Tooth:
    points = np.array([[face.inner_px, face.outer_px] for face in faces])
    ends = camera.to_plane(points.mean(axis=0), plan.thickness_mm)
    a, b = (camera.to_plane(face.mean(axis=0), plan.thickness_mm) for face in points)
    along = ends[1] - ends[0]
    direction = float(np.degrees(np.arctan2(along[1], along[0])))
    return Tooth(tooth.number, ends.mean(axis=0), direction, float(np.hypot(*(b - a))), True, tooth.strength)


def _site(
    outline: Outline,
    tooth: Tooth,
    before: SegmentEdges | None,
    after: SegmentEdges | None,
    plan: Plan,
    response: Response,
) -> _Site:
    camera, height = outline.camera, plan.thickness_mm
    frame = JointFrame(tooth.middle_mm, tooth.direction_deg, height)
    _, across = frame.from_ring(camera.foot_mm[:2])
    camera_height = float(camera.foot_mm[2] - height)
    stretch = 1.0 / np.cos(np.radians(plan.mitre_deg)) if plan.outline == "polygon" else 1.0
    radius = float(np.hypot(*tooth.middle_mm))
    nominal = (outline.inner_mm * stretch - radius, outline.outer_mm * stretch - radius)
    inner = [_crossing(frame, item.inner) for item in (before, after) if item is not None]
    outer = [_crossing(frame, item.outer) for item in (before, after) if item is not None]
    ends = (
        max([u for u in inner if u is not None and abs(u - nominal[0]) < 3.0], default=nominal[0]),
        min([u for u in outer if u is not None and abs(u - nominal[1]) < 3.0], default=nominal[1]),
    )
    middle_px = camera.project_plane(tooth.middle_mm, height)
    return _Site(
        tooth=tooth,
        frame=frame,
        ends_mm=ends,
        lean=float(across) / camera_height,
        foot_v_mm=float(across),
        camera_height_mm=camera_height,
        blur_px=response.blur_at(middle_px),
        px_per_mm=camera.px_per_mm(tooth.middle_mm, height),
    )


def _crossing(frame: JointFrame, edge: EdgeLine | None) -> float | None:
    """Where a segment's edge crosses the joint line: u, mm."""
    if edge is None:
        return None
    u, v = frame.from_ring(edge.middle_mm)
    turn = np.radians(edge.direction_deg - frame.direction_deg)
    if abs(np.sin(turn)) < 0.2:
        return None
    # Along the edge, (u, v) moves by (cos, -sin) of the angle from the joint line: v runs clockwise.
    return float(u + v * np.cos(turn) / np.sin(turn))


def _unmeasured(site: _Site, plan: Plan, reason: str) -> JointFaces:
    kind: JointKind = "closed" if plan.joint == "closed" else "open"
    return JointFaces(
        site.tooth.number,
        kind,
        site.tooth.middle_mm,
        site.tooth.direction_deg,
        None,
        None,
        site.ends_mm,
        np.zeros((4, 4)),
        reason=reason,
    )


def _fit_joint(
    photo: Photo, response: Response, outline: Outline, site: _Site, plan: Plan
) -> JointFaces | OpenFits:
    inner, outer = site.ends_mm
    gap = max(site.tooth.gap_mm, plan.gap_mm)
    reach = 0.5 * gap + max(2.2, 14.0 / site.px_per_mm)
    strip = cut_strip(
        photo, response, outline.camera, site.frame, (inner - 0.5, outer + 0.5), (-reach, reach)
    )
    if strip.u.size < 500:
        return _unmeasured(site, plan, "too few pixels of it are in the photo")
    if plan.joint == "closed" and site.tooth.gap_mm < _RESOLVED_CLOSED_MM:
        return _closed_joint(strip, site, plan, response)
    return _open_joint(strip, site, plan)


def _closed_joint(strip: Strip, site: _Site, plan: Plan, response: Response) -> JointFaces:
    u_range = (site.ends_mm[0] + _END_CLEARANCE_MM, site.ends_mm[1] - _END_CLEARANCE_MM)
    grain = float(np.tan(np.radians(plan.mitre_deg)))
    slot_share = SLOT_SHARE * abs(site.lean)
    fit = fit_closed(strip, u_range, site.blur_px, slot_share, grain)
    if fit is None:
        return _unmeasured(site, plan, "no joint line could be fitted here")
    to_faces = np.array(
        [
            [1.0, -fit.middle_mm, -0.5, 0.5 * fit.middle_mm],
            [0.0, 1.0, 0.0, -0.5],
            [1.0, -fit.middle_mm, 0.5, -0.5 * fit.middle_mm],
            [0.0, 1.0, 0.0, 0.5],
        ]
    )
    faces = to_faces @ np.array([fit.centre_mm, fit.centre_slope, fit.gap_mm, fit.gap_slope])
    budget = _closed_budget(fit, site, response)
    u_gap = float(np.sqrt(sum(part.standard**2 for part in budget) + _NOISE_FACTOR**2 * fit.covariance[2, 2]))
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
        _NOISE_FACTOR**2 * (to_faces @ fit.covariance @ to_faces.T),
        gap_budget=budget,
        taper_budget=(Contribution("processing", _taper_deg(_CLOSED_PROCESSING_PX / site.px_per_mm, site)),),
        below_mm=below,
    )


def _closed_budget(fit: ClosedFit, site: _Site, response: Response) -> tuple[Contribution, ...]:
    px = 1.0 / site.px_per_mm
    gap = max(fit.gap_mm, 0.0)
    return (
        Contribution("slot darkness", abs(fit.gap_per_slot) * SLOT_SHARE_STANDARD),
        Contribution("blur", abs(fit.gap_per_blur) * response.standard * site.blur_px),
        Contribution(
            "phone's processing",
            float(
                np.hypot(
                    gap * (_CLOSED_SHARE + 0.3 * response.halo_standard),
                    px * (_CLOSED_PROCESSING_PX + _STEP_PROCESSING_PX * min(fit.step / 0.7, 1.0) ** 2),
                )
            ),
        ),
        Contribution("heights of the two segments", _heights(site)),
    )


def _open_joint(strip: Strip, site: _Site, plan: Plan) -> JointFaces | OpenFits:
    gap = site.tooth.gap_mm or plan.gap_mm
    taper = float(np.tan(np.radians(0.5 * plan.gap_deg)))
    view = view_gap(strip, site.ends_mm, 0.5 * gap, taper)
    if view.blocked_mm is not None:
        low, high = view.blocked_mm[0] - _BLOCKED_MARGIN_MM, view.blocked_mm[1] + _BLOCKED_MARGIN_MM
        strip = strip.part((strip.u < low) | (strip.u > high))
    u_range = (site.ends_mm[0] + _END_CLEARANCE_MM, site.ends_mm[1] - _END_CLEARANCE_MM)
    gap_px = gap * site.px_per_mm
    a = fit_edge(strip, "a", (-0.5 * gap, -taper), u_range, site.blur_px, gap_px)
    b = fit_edge(strip, "b", (0.5 * gap, taper), u_range, site.blur_px, gap_px)
    if a is None or b is None:
        return _unmeasured(site, plan, "one of its two edges could not be fitted")
    return OpenFits(site, view, a, b)


@dataclass(frozen=True, eq=False)
class OpenFits:
    """Both edges of an open or filled joint, fitted alone, before the lamp is known."""

    site: _Site
    view: GapView
    a: EdgeFit
    b: EdgeFit

    def walls(self, plan: Plan) -> tuple[WallSight, WallSight]:
        """What is seen of the wall below each edge; a filled joint shows none."""
        site = self.site
        gap = self.b.offset_mm - self.a.offset_mm
        sights = []
        for fit, sign, turn in ((self.a, 1.0, -90.0), (self.b, -1.0, 90.0)):
            lean = sign * (site.foot_v_mm - fit.offset_mm) / site.camera_height_mm
            seen = max(lean, 0.0) if self.view.kind == "open" else 0.0
            sights.append(
                WallSight(
                    profile=fit.profile,
                    reach_px=seen * gap * fit.px_per_mm,
                    wall_px=seen * plan.thickness_mm * fit.px_per_mm,
                    normal_deg=site.tooth.direction_deg + turn,
                )
            )
        return sights[0], sights[1]

    def finish(self, strip_a: LitStrip | None, strip_b: LitStrip | None, response: Response) -> JointFaces:
        """Move each edge by the lit strip below it, and gather the joint's uncertainty."""
        site, view = self.site, self.view
        a = self.a if strip_a is None else self.a.moved(strip_a, 1.0)
        b = self.b if strip_b is None else self.b.moved(strip_b, -1.0)
        covariance = np.zeros((4, 4))
        for index, fit in enumerate((a, b)):
            shift = np.array([[1.0, -fit.middle_mm], [0.0, 1.0]])
            block = _NOISE_FACTOR**2 * (shift @ fit.covariance @ shift.T)
            covariance[2 * index : 2 * index + 2, 2 * index : 2 * index + 2] = block
        either = float(np.hypot(a.either_mm, b.either_mm))
        processing = _OPEN_PROCESSING_PX / site.px_per_mm * (1.0 + 2.0 * response.halo_standard)
        doubts = []
        if either > 0.04:
            doubts.append("a lit strip of wall lies below an edge; the edge could be either of two lines")
        blocked = None
        if view.blocked_mm is not None:
            doubts.append("the gap is blocked part of the way; the open part is measured")
            radius = float(np.hypot(*site.tooth.middle_mm))
            blocked = (radius + view.blocked_mm[0], radius + view.blocked_mm[1])
        return JointFaces(
            number=site.tooth.number,
            kind=view.kind,
            middle_mm=site.tooth.middle_mm,
            direction_deg=site.tooth.direction_deg,
            face_a=FaceLine(a.offset_mm - a.slope * a.middle_mm, a.slope),
            face_b=FaceLine(b.offset_mm - b.slope * b.middle_mm, b.slope),
            ends_mm=site.ends_mm,
            covariance=covariance,
            gap_budget=(
                Contribution("phone's processing", processing),
                Contribution("heights of the two segments", _heights(site)),
                Contribution("which of two lines is the edge", either),
            ),
            taper_budget=(
                Contribution("phone's processing", _taper_deg(0.3 * processing, site)),
                Contribution("which of two lines is the edge", _taper_deg(0.3 * either, site)),
            ),
            blocked_mm=blocked,
            doubts=tuple(doubts),
        )


def _heights(site: _Site) -> float:
    """What unequal heights of the two segments put into the gap: each moves its face by the lean."""
    return float(np.sqrt(2.0) * _HEIGHT_STANDARD_MM * abs(site.lean))


def _taper_deg(difference_mm: float, site: _Site) -> float:
    """Taper that a difference of the gap between the two ends makes, degrees."""
    length = site.ends_mm[1] - site.ends_mm[0]
    return float(np.degrees(2.0 * difference_mm / length))
