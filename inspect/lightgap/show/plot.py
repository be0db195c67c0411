"""Gap and taper round the ring, with the tolerance band and every value's U, as one drawing.

The drawing is a list of plain marks, so that the page (SVG) and a PDF show the same one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

from lightgap.judge import Finding, Judged, Verdict
from lightgap.measure import JointMeasure
from lightgap.report import Report
from lightgap.show.figures import MM_PER_INCH, Units
from lightgap.show.words import SIGNS, called, headline
from lightgap.values import Below, Measured, Value

WIDTH = 720.0
_LEFT, _RIGHT, _TOP = 56.0, 12.0, 26.0
_GAP_HEIGHT, _TAPER_HEIGHT, _BETWEEN, _BOTTOM = 170.0, 120.0, 48.0, 26.0
HEIGHT = _TOP + _GAP_HEIGHT + _BETWEEN + _TAPER_HEIGHT + _BOTTOM
_MARKER = 4.0
RADIUS = 0.8 * _MARKER
"""Of a circle among the markers, in the drawing's units."""

Role = Literal["grid", "nominal", "limit", "uncertainty", "joint"]


@dataclass(frozen=True)
class Line:
    """A straight line, in the drawing's units, y down."""

    start: tuple[float, float]
    end: tuple[float, float]
    role: Role


@dataclass(frozen=True)
class Band:
    """The tolerance: a filled box from its upper left to its lower right corner."""

    corner: tuple[float, float]
    opposite: tuple[float, float]


@dataclass(frozen=True)
class Marker:
    """A value: its place, and the verdict that gives its shape and colour."""

    place: tuple[float, float]
    verdict: Verdict


@dataclass(frozen=True)
class Text:
    """A word or figure; ``place`` is on the base line."""

    place: tuple[float, float]
    text: str
    anchor: Literal["start", "middle", "end"] = "middle"
    strong: bool = False


Mark = Line | Band | Marker | Text


@dataclass(frozen=True)
class Plot:
    """A drawing of ``WIDTH`` by ``HEIGHT`` units.

    ``joints`` holds, for each joint, its number, its verdict in words and its marks.
    """

    title: str
    description: str
    ground: tuple[Mark, ...]
    joints: tuple[tuple[int, str, tuple[Mark, ...]], ...]


@dataclass(frozen=True)
class _Point:
    """One value of one joint; ``place`` from -1 (inside) to 1 (outside); ``judged`` None: no limit."""

    joint: int
    place: float
    value: Measured
    judged: Finding | None


@dataclass(frozen=True)
class _Panel:
    """One of the two plots: maps joint and value to the drawing."""

    top: float
    height: float
    low: float
    high: float
    pitch: float
    size: float

    def x(self, joint: int, place: float = 0.0) -> float:
        return _LEFT + self.pitch * (joint - 0.5 + 0.26 * place)

    def y(self, value: float) -> float:
        share = (value / self.size - self.low) / (self.high - self.low)
        return self.top + self.height * (1.0 - min(max(share, 0.0), 1.0))


def plot(report: Report, units: Units = "mm") -> Plot:
    """Draw the gap at the three stations of each joint, joined by a line, and its taper below."""
    joints = list(zip(report.measurement.joints, report.verdicts.joints, strict=True))
    gaps = [point for pair in joints for point in _gaps(*pair)]
    tapers = [_taper(*pair) for pair in joints]
    length, sign = (1.0, "mm") if units == "mm" else (MM_PER_INCH, "in")
    plan = report.plan
    panels = (
        _panel(_TOP, _GAP_HEIGHT, gaps, plan.gap_mm, plan.segments, length),
        _panel(_TOP + _GAP_HEIGHT + _BETWEEN, _TAPER_HEIGHT, tapers, plan.gap_deg, plan.segments, 1.0),
    )
    headings = (f"Gap, {sign}: inside, middle, outside of each joint", "Taper, degrees: + is wider outside")
    ground = [
        mark
        for panel, points, heading in zip(panels, (gaps, tapers), headings, strict=True)
        for mark in _ground(panel, points, heading)
    ]
    return Plot(
        "Gap and taper round the ring",
        f"{headline(report.verdicts, units)}. Joints 1 to {plan.segments} clockwise; the band is the "
        "tolerance, the bars are the 95 % uncertainty.",
        tuple(ground),
        tuple(
            (
                judged.number or 0,
                called(judged, "joint", units),
                tuple(_joint(panels, [point for point in gaps if point.joint == judged.number], taper)),
            )
            for (_, judged), taper in zip(joints, tapers, strict=True)
        ),
    )


def _gaps(joint: JointMeasure, judged: Judged) -> Iterator[_Point]:
    values = (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm)
    for place, name, value in zip((-1.0, 0.0, 1.0), ("inside", "middle", "outside"), values, strict=True):
        yield _Point(joint.number, place, value, _finding(judged, "gap_mm", name))


def _taper(joint: JointMeasure, judged: Judged) -> _Point:
    return _Point(joint.number, 0.0, joint.taper_deg, _finding(judged, "taper_deg", None))


def _finding(judged: Judged, quantity: str, place: str | None) -> Finding | None:
    for item in judged.findings:
        if (item.quantity, item.place) == (quantity, place):
            return item
    return None


def _interval(value: Measured) -> tuple[float, float] | None:
    """Return where the true value may lie, or None when nothing is known."""
    if isinstance(value, Below):
        return 0.0, value.below
    if isinstance(value, Value) and math.isfinite(value.value) and math.isfinite(value.u95):
        return value.value - value.u95, value.value + value.u95
    return None


def _panel(
    top: float, height: float, points: Sequence[_Point], nominal: float, joints: int, size: float
) -> _Panel:
    """Choose a range that holds every interval, the limits and nominal, with a little air."""
    reach = [nominal]
    for point in points:
        reach += _interval(point.value) or ()
        if point.judged is not None:
            reach += [point.judged.upper, *([point.judged.lower] if point.judged.two_sided else [])]
    low, high = min(reach) / size, max(reach) / size
    air = 0.06 * (high - low) or 0.1
    return _Panel(top, height, low - air, high + air, (WIDTH - _LEFT - _RIGHT) / joints, size)


def _ground(panel: _Panel, points: Sequence[_Point], heading: str) -> Iterator[Mark]:
    left, right, bottom = _LEFT, WIDTH - _RIGHT, panel.top + panel.height
    yield from _bands(panel, points)
    for tick, shown in _ticks(panel.low, panel.high):
        y = panel.y(tick * panel.size)
        yield Line((left, y), (right, y), "grid")
        yield Text((left - 6.0, y + 4.0), shown, "end")
    yield Text((left, panel.top - 10.0), heading, "start", strong=True)
    joints = sorted({point.joint for point in points})
    every = math.ceil(22.0 / panel.pitch)
    for joint in joints[::every]:
        yield Text((panel.x(joint), bottom + 16.0), str(joint))


def _bands(panel: _Panel, points: Iterable[_Point]) -> Iterator[Mark]:
    """Draw each station's limits: one band when they are alike, a short one per station when not."""
    limits = {
        (point.place, point.judged.lower, point.judged.upper, point.judged.nominal)
        for point in points
        if point.judged is not None
    }
    numbers = sorted({point.joint for point in points})
    alike = len({limit[1:] for limit in limits}) == 1
    for place, lower, upper, nominal in sorted(limits)[: 1 if alike else None]:
        floor = lower if math.isfinite(lower) else panel.low * panel.size
        spans = (
            [(_LEFT, WIDTH - _RIGHT)]
            if alike
            else [(panel.x(number, place - 0.5), panel.x(number, place + 0.5)) for number in numbers]
        )
        for left, right in spans:
            yield Band((left, panel.y(upper)), (right, panel.y(floor)))
            yield Line((left, panel.y(upper)), (right, panel.y(upper)), "limit")
            if math.isfinite(lower):
                yield Line((left, panel.y(floor)), (right, panel.y(floor)), "limit")
            yield Line((left, panel.y(nominal)), (right, panel.y(nominal)), "nominal")


def _joint(panels: tuple[_Panel, _Panel], gaps: Sequence[_Point], taper: _Point) -> Iterator[Mark]:
    gap_panel, taper_panel = panels
    known = [point for point in gaps if isinstance(point.value, Value)]
    for first, second in pairwise(known):
        yield Line(_place(gap_panel, first), _place(gap_panel, second), "joint")
    for point in gaps:
        yield from _point(gap_panel, point)
    yield from _point(taper_panel, taper)


def _point(panel: _Panel, point: _Point) -> Iterator[Mark]:
    interval = _interval(point.value)
    x = panel.x(point.joint, point.place)
    if interval is None:
        # Nothing measured stands at the bottom, as its own shape, so that it is not overlooked.
        yield Marker((x, panel.top + panel.height - 6.0), Verdict.UNMEASURED)
        return
    yield Line((x, panel.y(interval[0])), (x, panel.y(interval[1])), "uncertainty")
    verdict = Verdict.IN if point.judged is None else point.judged.verdict
    yield Marker(_place(panel, point), verdict)


def _place(panel: _Panel, point: _Point) -> tuple[float, float]:
    interval = _interval(point.value) or (0.0, 0.0)
    height = interval[1] if isinstance(point.value, Below) else sum(interval) / 2.0
    return panel.x(point.joint, point.place), panel.y(height)


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return some round figures (1, 2 or 5 times a power of ten) of a range, and how to write them."""
    rough = (high - low) / 5.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(index * step, f"{index * step:.{places}f}") for index in range(first, last + 1)]


_STROKES: dict[Role, str] = {
    "grid": 'stroke="currentColor" stroke-opacity="0.15"',
    "nominal": 'stroke="currentColor" stroke-opacity="0.6" stroke-dasharray="4 3"',
    "limit": 'stroke="currentColor" stroke-opacity="0.5"',
    "uncertainty": 'stroke="currentColor" stroke-opacity="0.75" stroke-width="1.4"',
    "joint": 'stroke="currentColor" stroke-opacity="0.55"',
}


def svg(drawing: Plot, name: str = "plot") -> str:
    """Write a plot as one SVG element that takes its ink from the page (``currentColor``).

    Parameters
    ----------
    name : str
        Start of the ids within it; different for each plot of one page.
    """
    title, description = f"{name}-title", f"{name}-description"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        f'aria-labelledby={quoteattr(f"{title} {description}")} font-family="system-ui, sans-serif" '
        'font-size="12">',
        f"<title id={quoteattr(title)}>{escape(drawing.title)}</title>",
        f"<desc id={quoteattr(description)}>{escape(drawing.description)}</desc>",
        *(_svg(mark) for mark in drawing.ground),
    ]
    for number, said, marks in drawing.joints:
        lines += [
            f'<g data-joint="{number}"><title>{escape(said)}</title>',
            *(_svg(mark) for mark in marks),
            "</g>",
        ]
    return "\n".join([*lines, "</svg>"])


def _svg(mark: Mark) -> str:
    if isinstance(mark, Line):
        (x1, y1), (x2, y2) = mark.start, mark.end
        return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {_STROKES[mark.role]}/>'
    if isinstance(mark, Band):
        (left, top), (right, bottom) = mark.corner, mark.opposite
        box = f'x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
        return f'<rect {box} fill="currentColor" fill-opacity="0.08"/>'
    if isinstance(mark, Text):
        x, y = mark.place
        weight = ' font-weight="600"' if mark.strong else ""
        at = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{mark.anchor}"'
        return f'<text {at} fill="currentColor"{weight}>{escape(mark.text)}</text>'
    return marker_svg(mark)


def corners(mark: Marker) -> tuple[tuple[float, float], ...]:
    """Return the corners of a marker's shape; none of a circle, whose radius is `RADIUS`."""
    x, y = mark.place
    shape: tuple[tuple[float, float], ...] = {
        "circle": (),
        "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
        "triangle": ((0, -1.3), (1.2, 0.9), (-1.2, 0.9)),
        "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
    }[SIGNS[mark.verdict].shape]
    return tuple((x + _MARKER * dx, y + _MARKER * dy) for dx, dy in shape)


def marker_svg(mark: Marker) -> str:
    """Write a marker as an SVG element."""
    x, y = mark.place
    paint = f'fill="{SIGNS[mark.verdict].colour}" stroke="currentColor" stroke-width="0.8"'
    points = " ".join(f"{px:.1f},{py:.1f}" for px, py in corners(mark))
    if not points:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{RADIUS:.1f}" {paint}/>'
    return f'<polygon points="{points}" {paint}/>'
