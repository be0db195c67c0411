"""What the fine fit of one joint needs to know of its surroundings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.faces.blur import Response
from lightgap.faces.joint import JointFaces, JointKind, Side
from lightgap.faces.strip import JointFrame
from lightgap.plan import Plan
from lightgap.ring.comb import Tooth
from lightgap.ring.edges import EdgeLine, SegmentEdges
from lightgap.ring.outline import Outline

END_CLEARANCE_MM = 0.6
"""How far from a joint's ends its faces are fitted: corners are chipped and rounded."""
NOISE_FACTOR = 1.5
"""What a fit's own scatter understates: grain is alike over more than one block."""
_UNEVEN = 0.3
"""How much of what a gap may be wrong by differs between its ends."""
HEIGHT_STANDARD_MM = 0.07
"""How far one segment's top face usually stands above or below the others of a sanded ring."""


@dataclass(frozen=True, eq=False)
class Site:
    """What the fit of one joint needs to know of its surroundings."""

    tooth: Tooth
    frame: JointFrame
    ends_mm: tuple[float, float]
    lean: float
    foot_v_mm: float
    camera_height_mm: float
    blur_px: float
    px_per_mm: float
    foot_u_mm: float = 0.0
    blur_growth: float = 0.0
    """Growth of the blur outward along the joint, over ``blur_px``, per mm."""
    grain_deg: float = 0.0
    """How far grain that runs round the ring lies off square to the joint."""

    @property
    def u_range(self) -> tuple[float, float]:
        """The part of the joint's length that is fitted, mm."""
        return self.ends_mm[0] + END_CLEARANCE_MM, self.ends_mm[1] - END_CLEARANCE_MM

    def moved(self, across_mm: float, gap_mm: float) -> Site:
        """The site of a joint whose middle lies further clockwise, and of another gap."""
        middle = self.frame.to_ring(np.zeros(1), np.array([across_mm]))[0]
        foot = self.foot_v_mm - across_mm
        return replace(
            self,
            tooth=replace(self.tooth, middle_mm=middle, gap_mm=gap_mm),
            frame=replace(self.frame, middle_mm=middle),
            lean=foot / self.camera_height_mm,
            foot_v_mm=foot,
        )

    def wall_mm(self, side: Side, offset_mm: float) -> float:
        """Width on the top plane of the wall that is seen below a face's edge, 0 if it is turned away."""
        across = self.foot_v_mm - offset_mm
        lean = (across if side == "a" else -across) / self.camera_height_mm
        return max(lean, 0.0) * self.frame.height_mm

    def seen_through(self, u_mm: float) -> float:
        """Place on the top plane where the bench straight below ``u_mm`` is seen, were nothing between."""
        share = self.camera_height_mm / (self.camera_height_mm + self.frame.height_mm)
        return self.foot_u_mm + (u_mm - self.foot_u_mm) * share


def find_site(
    outline: Outline,
    tooth: Tooth,
    before: SegmentEdges | None,
    after: SegmentEdges | None,
    plan: Plan,
    response: Response,
) -> Site:
    camera, height = outline.camera, plan.thickness_mm
    frame = JointFrame(tooth.middle_mm, tooth.direction_deg, height)
    along, across = frame.from_ring(camera.foot_mm[:2])
    camera_height = float(camera.foot_mm[2] - height)
    half_gap = 0.5 * (tooth.gap_mm or plan.gap_mm)
    widening = float(np.tan(np.radians(0.5 * plan.gap_deg)))
    stretch = 1.0 / np.cos(np.radians(plan.mitre_deg)) if plan.outline == "polygon" else 1.0
    # Beside the joint's centre line a polygon's edge has already turned inward.
    short = half_gap * np.tan(np.radians(plan.mitre_deg)) if plan.outline == "polygon" else 0.0
    radius = float(np.hypot(*tooth.middle_mm))
    nominal = (outline.inner_mm * stretch - short - radius, outline.outer_mm * stretch - short - radius)
    beside = [(item, side) for item, side in ((before, -1.0), (after, 1.0)) if item is not None]
    crossing = _crossing if plan.outline == "polygon" else _arc_crossing
    inner = [crossing(frame, item.inner, side * half_gap, side * widening) for item, side in beside]
    outer = [crossing(frame, item.outer, side * half_gap, side * widening) for item, side in beside]
    ends = (
        max([u for u in inner if u is not None and abs(u - nominal[0]) < 3.0], default=nominal[0]),
        min([u for u in outer if u is not None and abs(u - nominal[1]) < 3.0], default=nominal[1]),
    )
    middle_px, beside_px = frame.project(camera, np.zeros(2), np.array([0.0, 1.0]))
    across_px = beside_px - middle_px
    blur = response.blur_at(middle_px, across_px)
    inside, outside = (
        response.blur_at(point, across_px) for point in frame.project(camera, np.array(ends), np.zeros(2))
    )
    return Site(
        tooth=tooth,
        frame=frame,
        ends_mm=ends,
        lean=float(across) / camera_height,
        foot_v_mm=float(across),
        camera_height_mm=camera_height,
        blur_px=blur,
        px_per_mm=camera.px_per_mm(tooth.middle_mm, height),
        foot_u_mm=float(along),
        grain_deg=plan.mitre_deg,
        blur_growth=(outside - inside) / (blur * (ends[1] - ends[0])),
    )


def _crossing(frame: JointFrame, edge: EdgeLine | None, offset_mm: float, slope: float) -> float | None:
    """Where a segment's edge meets its own face, v = offset + slope * u: u, mm."""
    if edge is None:
        return None
    u, v = frame.from_ring(edge.middle_mm)
    turn = np.radians(edge.direction_deg - frame.direction_deg)
    # Along the edge, (u, v) moves by (cos, -sin) of the angle from the joint line: v runs clockwise.
    away = float(np.sin(turn) + slope * np.cos(turn))
    if abs(away) < 0.2:
        return None
    return float(u + (v - offset_mm - slope * u) * np.cos(turn) / away)


def _arc_crossing(frame: JointFrame, edge: EdgeLine | None, offset_mm: float, _slope: float) -> float | None:
    """Where a segment's arc, which runs about the ring's centre, meets its own face: u, mm."""
    if edge is None:
        return None
    reach = float(np.hypot(*edge.middle_mm))
    return float(np.sqrt(max(reach**2 - offset_mm**2, 0.0)) - np.hypot(*frame.middle_mm))


def unmeasured(site: Site, plan: Plan, reason: str) -> JointFaces:
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


def heights_mm(site: Site) -> float:
    """What unequal heights of the two segments put into the gap: each moves its face by the lean."""
    return float(np.sqrt(2.0) * HEIGHT_STANDARD_MM * abs(site.lean))


def uneven_deg(standard_mm: float, site: Site) -> float:
    """Taper, standard, degrees, that what makes a gap unsure by so much adds by being uneven along it."""
    return taper_deg(_UNEVEN * standard_mm, site)


def taper_deg(difference_mm: float, site: Site) -> float:
    """Taper that a difference of the gap between the two ends makes, degrees."""
    length = site.ends_mm[1] - site.ends_mm[0]
    return float(np.degrees(2.0 * difference_mm / length))
