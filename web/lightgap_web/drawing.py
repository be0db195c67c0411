"""The ring that a plan describes, drawn to scale as SVG in mm: from above, and its height from the side.

Class names and no colours: the page's stylesheet draws it, in light and in dark. Each dimension bears
the plan's own key (``data-key``), so that the page can light it up while its number is typed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.plan import Plan

Array = NDArray[np.float64]


def ring_svg(plan: Plan) -> str:
    """Draw the plan. Joints are numbered clockwise; one flat faces straight to the right."""
    size = plan.across_flats_mm
    text = 0.055 * size
    outer = float(plan.joint_radii_mm[1])
    side = outer + 2.6 * text
    left, top = -max(0.62 * size, outer + text), -(outer + 2.4 * text)
    height = side + plan.thickness_mm + text - top
    parts = [
        *(f'<path class="wood" d="{_outline(plan, k)}"/>' for k in range(plan.segments)),
        _gap(plan, text),
        _dimension("across_flats_mm", (-size / 2, outer + text), (size / 2, outer + text)),
        _text((0.0, outer + 2.1 * text), _size_word(plan), text),
        f'<rect class="wood" x="{-size / 2:.2f}" y="{side:.2f}" width="{size:.2f}" '
        f'height="{plan.thickness_mm:.2f}"/>',
        _dimension("thickness_mm", (size / 2 + text, side), (size / 2 + text, side + plan.thickness_mm)),
        _dimension("width_mm", (plan.inner_mm, 0.0), (plan.outer_mm, 0.0)),
        _text((plan.inner_mm - 0.4 * text, 0.35 * text), "width", text, "end"),
        _text((0.0, 0.7 * text if plan.inner_mm > 5.0 * text else -text), str(plan.segments), 2.0 * text),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="ring-drawing" role="img" '
        f'aria-label="{_words(plan)}" viewBox="{left:.2f} {top:.2f} {-2 * left:.2f} {height:.2f}">'
        f"{''.join(parts)}</svg>"
    )


def segment_corners(plan: Plan, number: int) -> Array:
    """Return corners of segment ``number`` (0 to N - 1), mm, x right and y down, shape (4, 2).

    Start inner, start outer, end outer, end inner, going clockwise as seen.
    """
    first, last = _joint_deg(plan, number), _joint_deg(plan, number + 1)
    start = [_face_point(plan, radius) for radius in (plan.inner_mm, plan.outer_mm)]
    end = [(u, -v) for u, v in reversed(start)]
    return np.array([_turned(p, first) for p in start] + [_turned(p, last) for p in end])


def _joint_deg(plan: Plan, number: int) -> float:
    """Direction of a joint, clockwise from 12 o'clock; half a pitch from it, a flat faces right."""
    return 90.0 - plan.mitre_deg + number * plan.pitch_deg


def _face_point(plan: Plan, radius: float) -> tuple[float, float]:
    """Where face B meets an edge at ``radius``, in the joint frame (u outward, v clockwise), mm.

    The face stands half the gap from the joint's centre line at mid-length and turns from it by half
    the taper: v = start + turn * u.
    """
    turn = np.tan(np.radians(plan.gap_deg) / 2.0)
    start = plan.gap_mm / 2.0 - turn * plan.middle_radius_mm
    if plan.outline == "polygon":
        sine, cosine = np.sin(np.radians(plan.mitre_deg)), np.cos(np.radians(plan.mitre_deg))
        u = (radius - start * sine) / (cosine + turn * sine)
    else:
        u = (np.sqrt(max(radius**2 * (1.0 + turn**2) - start**2, 0.0)) - turn * start) / (1.0 + turn**2)
    return float(u), float(start + turn * u)


def _turned(point: tuple[float, float], degrees: float) -> tuple[float, float]:
    """From a joint's frame to the drawing."""
    (u, v), sine, cosine = point, np.sin(np.radians(degrees)), np.cos(np.radians(degrees))
    return float(u * sine + v * cosine), float(-u * cosine + v * sine)


def _outline(plan: Plan, number: int) -> str:
    inner_a, outer_a, outer_b, inner_b = (f"{x:.2f} {y:.2f}" for x, y in segment_corners(plan, number))
    if plan.outline == "polygon":
        return f"M{inner_a}L{outer_a}L{outer_b}L{inner_b}Z"
    outer, inner = f"{plan.outer_mm:.2f}", f"{plan.inner_mm:.2f}"
    return f"M{inner_a}L{outer_a}A{outer} {outer} 0 0 1 {outer_b}L{inner_b}A{inner} {inner} 0 0 0 {inner_a}Z"


def _gap(plan: Plan, text: float) -> str:
    """Mark one joint's gap, outside the ring, at the joint nearest to 11 o'clock."""
    if plan.joint == "closed":
        return ""
    number = round((-30.0 - _joint_deg(plan, 0)) / plan.pitch_deg)
    degrees = _joint_deg(plan, number)
    u, v = _face_point(plan, plan.outer_mm)
    ends = [_turned((u + 0.5 * text, side * v), degrees) for side in (-1.0, 1.0)]
    x, y = _turned((u + 1.1 * text, 0.0), degrees)
    return _dimension("gap_mm", *ends) + _text((x, y), "gap", text, "end")


def _dimension(key: str, start: tuple[float, float], end: tuple[float, float]) -> str:
    return (
        f'<line class="dimension" data-key="{key}" x1="{start[0]:.2f}" y1="{start[1]:.2f}" '
        f'x2="{end[0]:.2f}" y2="{end[1]:.2f}"/>'
    )


def _text(place: tuple[float, float], words: str, size: float, anchor: str = "middle") -> str:
    return (
        f'<text x="{place[0]:.2f}" y="{place[1]:.2f}" font-size="{size:.2f}" '
        f'text-anchor="{anchor}">{words}</text>'
    )


def _size_word(plan: Plan) -> str:
    return "across flats" if plan.outline == "polygon" else "diameter"


def _words(plan: Plan) -> str:
    shape = "polygon" if plan.outline == "polygon" else "round"
    return f"Drawing of a {shape} ring of {plan.segments} segments with {plan.joint} joints"
