"""The drawings of a report on paper: signs, the plot round the ring and the stack, as PDF vectors."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from typing import Any

from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Polygon, PolyLine, Rect, String
from reportlab.lib.colors import Color, HexColor, black

from lightgap.judge import Verdict
from lightgap.show import plot as plots
from lightgap.show.elevation import WIDTH as STACK_WIDTH
from lightgap.show.elevation import Course, Elevation
from lightgap.show.words import SIGNS

FONT, STRONG = "Helvetica", "Helvetica-Bold"

_STROKES: dict[plots.Role, dict[str, Any]] = {
    "grid": {"strokeOpacity": 0.15, "strokeWidth": 0.5},
    "nominal": {"strokeOpacity": 0.6, "strokeDashArray": [4, 3], "strokeWidth": 0.7},
    "limit": {"strokeOpacity": 0.5, "strokeWidth": 0.7},
    "uncertainty": {"strokeOpacity": 0.75, "strokeWidth": 1.2},
    "joint": {"strokeOpacity": 0.55, "strokeWidth": 0.8},
}


def writable(text: str) -> str:
    """Return a text in the letters that PDF's own fonts have (Windows Latin 1).

    An accent that they lack is left off; a letter that they lack becomes a question mark.

    Examples
    --------
    >>> writable("Žofie, 0.36 ± 0.05 mm, 木, dvořák")
    'Žofie, 0.36 ± 0.05 mm, ?, dvorák'
    """
    return "".join(_letter(letter) for letter in text)


def sign(verdict: Verdict, size: float) -> Drawing:
    """Draw a verdict's sign, ``size`` points across."""
    drawing = Drawing(size, size)
    drawing.add(_scaled(_marker(plots.Marker((5.0, 5.0), verdict)), size / 10.0))
    return drawing


def plot_drawing(plot: plots.Plot, width: float) -> Drawing:
    """Draw the plot round the ring, ``width`` points wide."""
    marks = [*plot.ground, *(mark for _, _, joint in plot.joints for mark in joint)]
    return _drawing((_mark(mark) for mark in marks), plots.WIDTH, plots.HEIGHT, width)


def stack_drawing(elevation: Elevation, width: float, tallest: float) -> Drawing:
    """Draw a stack, at most ``width`` by ``tallest`` points."""
    shapes = [shape for course in elevation.courses for shape in _course(course)]
    x, y = elevation.caption_place
    shapes.append(_text(x, y, elevation.caption, "middle", size=13.0))
    width = min(width, tallest / elevation.height * STACK_WIDTH)
    return _drawing(shapes, STACK_WIDTH, elevation.height, width)


def _letter(letter: str) -> str:
    if letter < " ":
        return " "
    for form in (letter, unicodedata.normalize("NFKD", letter)[:1]):
        try:
            form.encode("cp1252")
        except UnicodeEncodeError:
            continue
        return form
    return "?"


# The drawings' own y runs down, from 0; a PDF's runs up: every shape is put at -y, the whole then lifted.


def _drawing(shapes: Iterable[Any], width: float, height: float, wanted: float) -> Drawing:
    scale = wanted / width
    drawing = Drawing(wanted, height * scale)
    group = Group(*shapes)
    group.transform = (scale, 0.0, 0.0, scale, 0.0, height * scale)
    drawing.add(group)
    return drawing


def _scaled(shape: Any, scale: float) -> Group:
    group = Group(shape)
    group.transform = (scale, 0.0, 0.0, scale, 0.0, 10.0 * scale)
    return group


def _mark(mark: plots.Mark) -> Any:
    if isinstance(mark, plots.Line):
        (x1, y1), (x2, y2) = mark.start, mark.end
        return Line(x1, -y1, x2, -y2, strokeColor=black, **_STROKES[mark.role])
    if isinstance(mark, plots.Band):
        (left, top), (right, bottom) = mark.corner, mark.opposite
        return _box(left, top, right - left, bottom - top, Color(0, 0, 0, alpha=0.08), None)
    if isinstance(mark, plots.Text):
        return _text(*mark.place, mark.text, mark.anchor, strong=mark.strong)
    return _marker(mark)


def _marker(mark: plots.Marker) -> Any:
    paint = {"fillColor": HexColor(SIGNS[mark.verdict].colour), "strokeColor": black, "strokeWidth": 0.6}
    corners = plots.corners(mark)
    if not corners:
        return Circle(mark.place[0], -mark.place[1], plots.RADIUS, **paint)
    return Polygon([number for x, y in corners for number in (x, -y)], **paint)


def _text(
    x: float, y: float, text: str, anchor: str = "start", *, strong: bool = False, size: float = 12.0
) -> String:
    return String(
        x, -y, writable(text), textAnchor=anchor, fontName=STRONG if strong else FONT, fontSize=size
    )


def _box(
    left: float, top: float, width: float, height: float, fill: Color | None, stroke: Color | None
) -> Rect:
    return Rect(left, -(top + height), width, height, fillColor=fill, strokeColor=stroke, strokeWidth=0.8)


def _course(course: Course) -> list[Any]:
    storey = course.storey
    name, strength = storey.tint
    ink = HexColor(name) if name else black
    tint = Color(ink.red, ink.green, ink.blue, alpha=strength)
    shapes = [_box(course.left, course.top, course.width, course.height, tint, Color(0, 0, 0, alpha=0.7))]
    for left, right in course.slots:
        for x in {left, right}:
            shapes.append(
                Line(
                    x,
                    -course.top,
                    x,
                    -(course.top + course.height),
                    strokeColor=black,
                    strokeOpacity=0.45,
                    strokeWidth=0.6,
                )
            )
    points = [number for x, y in course.leader for number in (x, -y)]
    shapes.append(PolyLine(points, strokeColor=black, strokeOpacity=0.35, strokeWidth=0.7))
    if course.marker is not None:
        shapes.append(_marker(course.marker))
    x, y = course.label
    shapes.append(_text(x, y, storey.name, strong=True, size=13.0))
    away = _width(storey.name, 13.0) + 5.0
    shapes.append(_text(x + away, y, storey.said, size=13.0))
    return shapes


def _width(text: str, size: float) -> float:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(writable(text), STRONG, size))
