"""A build's rings one upon the other in side elevation, to scale, each marked by its latest verdict.

Each ring is drawn as its plan has it: across flats wide, its thickness high, its joints where they
stand on the side that faces the reader; an open joint as the slot that it is. How a ring is turned on
the one below is not in its plan: it is drawn half a pitch on, as bricks are laid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from lightgap.judge import Verdict
from lightgap.plan import Plan
from lightgap.show.figures import Units, plain
from lightgap.show.plot import Marker, marker_svg
from lightgap.show.words import SIGNS, counted

WIDTH = 720.0
_STACK_WIDTH = 380.0
_TALLEST = 620.0
_MARGIN = 16.0
_LABEL_LEFT = 470.0
_LABEL_STEP = 22.0
_FOOT = 30.0


@dataclass(frozen=True)
class Storey:
    """One ring of the stack; ``verdict`` None: not checked yet. ``key`` is its id in the log."""

    key: int
    name: str
    plan: Plan
    verdict: Verdict | None

    @property
    def said(self) -> str:
        """Its verdict in words."""
        return "not checked yet" if self.verdict is None else str(self.verdict)

    @property
    def tint(self) -> tuple[str | None, float]:
        """What its wood is filled with: a colour, or None for the ink; and how strongly, 0 to 1."""
        return (None, 0.05) if self.verdict is None else (SIGNS[self.verdict].colour, 0.16)


@dataclass(frozen=True)
class Course:
    """One ring as drawn, in the drawing's units, y down.

    Attributes
    ----------
    left, top, width, height : float
    slots : tuple of (float, float)
        Left and right edge of each joint on the near side; equal where it is closed.
    marker : Marker or None
    label : (float, float)
        Where its name begins, on the base line; the leader ends just before it.
    """

    storey: Storey
    left: float
    top: float
    width: float
    height: float
    slots: tuple[tuple[float, float], ...]
    marker: Marker | None
    label: tuple[float, float]

    @property
    def leader(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
        """From the ring's edge, level, then to its name."""
        middle = self.top + self.height / 2.0
        level = self.label[1] - 4.0
        elbow = _LABEL_LEFT - 40.0
        return (self.left + self.width, middle), (elbow, middle), (_LABEL_LEFT - 18.0, level)


@dataclass(frozen=True)
class Elevation:
    """The drawing: ``WIDTH`` wide, ``height`` high; the lowest ring first."""

    height: float
    courses: tuple[Course, ...]
    caption: str
    caption_place: tuple[float, float]
    title: str


def elevation(storeys: Sequence[Storey], units: Units = "mm") -> Elevation:
    """Draw a stack.

    Parameters
    ----------
    storeys : sequence of Storey
        At least one, the lowest first.
    """
    if not storeys:
        raise ValueError("a stack of no rings cannot be drawn")
    widest = max(storey.plan.across_flats_mm for storey in storeys)
    tall = sum(storey.plan.thickness_mm for storey in storeys)
    scale = min(_STACK_WIDTH / widest, _TALLEST / tall)
    labels = _LABEL_STEP * len(storeys)
    room = max(scale * tall, labels)
    ground = _MARGIN + (room + scale * tall) / 2.0
    middles, bottom = [], ground
    for storey in storeys:
        middles.append(bottom - scale * storey.plan.thickness_mm / 2.0)
        bottom -= scale * storey.plan.thickness_mm
    levels = _apart(middles, _MARGIN + _LABEL_STEP / 2.0, _MARGIN + room - _LABEL_STEP / 2.0)
    return Elevation(
        height=room + 2.0 * _MARGIN + _FOOT,
        courses=tuple(
            _course(place, storey, middle, level, scale)
            for place, (storey, middle, level) in enumerate(zip(storeys, middles, levels, strict=True))
        ),
        caption=f"{plain(widest, '_mm', units)} across, {plain(tall, '_mm', units)} high",
        caption_place=(_MARGIN + _STACK_WIDTH / 2.0, _MARGIN + room + _FOOT - 6.0),
        title=f"Side elevation of {counted(len(storeys), 'ring')}, by their plans",
    )


def _course(place: int, storey: Storey, middle: float, level: float, scale: float) -> Course:
    plan = storey.plan
    axis = _MARGIN + _STACK_WIDTH / 2.0
    width, height = scale * plan.across_flats_mm, scale * plan.thickness_mm
    slots = _slots(plan, half_on=place % 2 == 1)
    marker = None if storey.verdict is None else Marker((_LABEL_LEFT - 8.0, level), storey.verdict)
    return Course(
        storey=storey,
        left=axis - width / 2.0,
        top=middle - height / 2.0,
        width=width,
        height=height,
        slots=tuple((axis + scale * left, axis + scale * right) for left, right in slots),
        marker=marker,
        label=(_LABEL_LEFT + 4.0, level + 4.0),
    )


def _slots(plan: Plan, *, half_on: bool) -> list[tuple[float, float]]:
    """Return the joints of the near side, mm from the axis: seen from far, at the outer edge.

    The outer edge is drawn as the circle of its flats, on which a joint at angle a from the line of
    sight stands at R sin(a), its slot g cos(a) wide.
    """
    outside = plan.gap_mm + math.tan(math.radians(plan.gap_deg) / 2.0) * (
        plan.joint_radii_mm[1] - plan.joint_radii_mm[0]
    )
    slots = []
    for number in range(plan.segments):
        turn = math.radians((number + 0.5 * half_on) * plan.pitch_deg)
        if math.cos(turn) <= 1e-9:
            continue
        middle, half = plan.outer_mm * math.sin(turn), outside * math.cos(turn) / 2.0
        slots.append((middle - half, middle + half))
    return sorted(slots)


def _apart(wanted: Sequence[float], top: float, bottom: float) -> list[float]:
    """Move places, given from the lowest up, apart until no two names overlap, and into the drawing."""
    levels: list[float] = []
    for place in wanted:
        lowest = levels[-1] - _LABEL_STEP if levels else bottom
        levels.append(min(place, lowest))
    highest = top
    for index in reversed(range(len(levels))):
        levels[index] = max(levels[index], highest)
        highest = levels[index] + _LABEL_STEP
    return levels


def svg(drawing: Elevation, name: str = "stack", link: str | None = None) -> str:
    """Write a stack as one SVG element that takes its ink from the page (``currentColor``).

    Parameters
    ----------
    name : str
        Start of the ids within it; different for each drawing of one page.
    link : str, optional
        Where each ring leads, with ``{}`` for its key: "/rings/{}".
    """
    title = f"{name}-title"
    (x, y), size = drawing.caption_place, f"{WIDTH:g} {drawing.height:.1f}"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" role="img" '
        f'aria-labelledby={quoteattr(title)} font-family="system-ui, sans-serif" font-size="13">',
        f"<title id={quoteattr(title)}>{escape(drawing.title)}</title>",
        *(_svg(course, link) for course in reversed(drawing.courses)),
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="middle" fill="currentColor">'
        f"{escape(drawing.caption)}</text>",
        "</svg>",
    ]
    if link is not None:
        lines[0] = lines[0].replace('role="img"', 'role="group"')
    return "\n".join(lines)


def _svg(course: Course, link: str | None) -> str:
    storey = course.storey
    colour, strength = storey.tint
    place = f'x="{course.left:.1f}" y="{course.top:.1f}"'
    size = f'width="{course.width:.1f}" height="{course.height:.1f}"'
    paint = f'fill="{colour or "currentColor"}" fill-opacity="{strength}"'
    (x1, y1), (x2, y2), (x3, y3) = course.leader
    x, y = course.label
    said = f"{storey.name}: {storey.said}"
    parts = [
        f'<g class="storey" data-ring="{storey.key}"><title>{escape(said)}</title>',
        f'<rect {place} {size} {paint} stroke="currentColor" stroke-opacity="0.7"/>',
        *(_slot(course, left, right) for left, right in course.slots),
        f'<polyline points="{x1:.1f},{y1:.1f} {x2:.1f},{y2:.1f} {x3:.1f},{y3:.1f}" fill="none" '
        'stroke="currentColor" stroke-opacity="0.35"/>',
        "" if course.marker is None else marker_svg(course.marker),
        f'<text x="{x:.1f}" y="{y:.1f}" fill="currentColor"><tspan font-weight="600">'
        f"{escape(storey.name)}</tspan> {escape(storey.said)}</text>",
        "</g>",
    ]
    drawn = "".join(parts)
    return drawn if link is None else f"<a href={quoteattr(link.format(storey.key))}>{drawn}</a>"


def _slot(course: Course, left: float, right: float) -> str:
    """Draw a joint: a line where it is closed, the slot's two edges where it is open."""
    top, bottom = course.top, course.top + course.height
    edges = (left,) if right - left < 0.5 else (left, right)
    return "".join(
        f'<line x1="{x:.1f}" y1="{top:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" stroke="currentColor" '
        'stroke-opacity="0.45"/>'
        for x in edges
    )
