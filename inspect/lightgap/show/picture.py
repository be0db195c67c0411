"""The annotated picture: every joint's verdict on the photo, and the worst three enlarged.

One column that fits a phone held upright: what is wrong in a sentence, the ring with a label at each
joint, the three worst joints enlarged from the original pixels, and what the signs mean.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from lightgap.judge import Verdict
from lightgap.measure import JointMeasure, LinePx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.show.figures import Units
from lightgap.show.ink import (
    INK,
    PAPER,
    PAPER_CODES,
    Pixels,
    line_height,
    sign,
    stroke,
    text_width,
    wrap,
    write,
)
from lightgap.show.inset import inset
from lightgap.show.labels import NUMBER, WIDTH, WORD, Label, View, frame, joint_labels, segment_labels
from lightgap.show.words import SIGNS, called, headline, worst_first

Array = NDArray[np.float64]

_TITLE, _CAPTION, _LEGEND = 64, 44, 44
_MARGIN = 36
_INSETS = 3
_INSET_HEIGHT = 620
_BETWEEN = 24
_OFFSET = 13.0
"""From a face to the line that runs beside it, so that the line does not hide the joint."""
_LINE_WIDTH = {Verdict.OUT: 7, Verdict.CLOSE: 6, Verdict.IN: 4, Verdict.UNMEASURED: 5}


def draw(photo: Photo, report: Report, units: Units = "mm") -> Pixels:
    """Draw the annotated picture.

    Returns
    -------
    ndarray of uint8, shape (height, 1800, 3)
        sRGB codes, red first.
    """
    strips = [
        _title(report, units),
        _ring(photo, report),
        _insets(photo, report, units),
        _legend(),
    ]
    picture = Image.new("RGB", (WIDTH, sum(strip.height for strip in strips)), PAPER)
    top = 0
    for strip in strips:
        picture.paste(strip, (0, top))
        top += strip.height
    return np.asarray(picture)


def _title(report: Report, units: Units) -> Image.Image:
    side = 110
    lines = wrap(headline(report.verdicts, units), _TITLE, WIDTH - 3 * _MARGIN - side)
    step = line_height(_TITLE)
    height = max(len(lines) * step, side) + 2 * _MARGIN
    image = Image.new("RGB", (WIDTH, height), PAPER)
    brush = ImageDraw.Draw(image)
    sign(brush, (_MARGIN + side / 2, height / 2), side, report.verdict)
    top = (height - len(lines) * step) / 2
    for index, line in enumerate(lines):
        _left(brush, (2 * _MARGIN + side, top + (index + 0.5) * step), line, _TITLE)
    return image


def _legend() -> Image.Image:
    height = round(2.2 * _LEGEND)
    image = Image.new("RGB", (WIDTH, height), PAPER)
    brush = ImageDraw.Draw(image)
    widths = [_LEGEND + 18 + text_width(verdict, _LEGEND) for verdict in SIGNS]
    space = (WIDTH - sum(widths)) / (len(widths) + 1)
    x = space
    for verdict, width in zip(SIGNS, widths, strict=True):
        sign(brush, (x + _LEGEND / 2, height / 2), _LEGEND, verdict)
        _left(brush, (x + _LEGEND + 18, height / 2), verdict, _LEGEND)
        x += width + space
    return image


def _left(brush: ImageDraw.ImageDraw, place: tuple[float, float], text: str, size: int) -> None:
    write(brush, (place[0] + text_width(text, size) / 2, place[1]), text, size)


def _insets(photo: Photo, report: Report, units: Units) -> Image.Image:
    joints = {joint.number: joint for joint in report.measurement.joints}
    chosen = [(item, joints[item.number or 0]) for item in worst_first(report.verdicts.joints)[:_INSETS]]
    width = (WIDTH - 2 * _MARGIN - (_INSETS - 1) * _BETWEEN) // _INSETS
    captions = [wrap(called(item, "joint", units), _CAPTION, width - 64) for item, _ in chosen]
    step = line_height(_CAPTION)
    height = _MARGIN + _INSET_HEIGHT + 16 + max(map(len, captions)) * step
    image = Image.new("RGB", (WIDTH, height), PAPER)
    brush = ImageDraw.Draw(image)
    for index, ((item, joint), caption) in enumerate(zip(chosen, captions, strict=True)):
        left = _MARGIN + index * (width + _BETWEEN)
        view = inset(photo, joint, item, report.measurement.mm_per_px, (width, _INSET_HEIGHT))
        image.paste(view, (left, _MARGIN))
        box = (left, _MARGIN, left + width - 1, _MARGIN + _INSET_HEIGHT - 1)
        brush.rectangle(box, outline=SIGNS[item.verdict].colour, width=6)
        top = _MARGIN + _INSET_HEIGHT + 16
        sign(brush, (left + 24, top + step / 2), 44, item.verdict)
        for row, line in enumerate(caption):
            _left(brush, (left + 60, top + (row + 0.5) * step), line, _CAPTION)
    return image


def _ring(photo: Photo, report: Report) -> Image.Image:
    measurement, verdicts = report.measurement, report.verdicts
    view, size = frame(report)
    labels = [*joint_labels(report, view), *segment_labels(report, view)]
    pixels = _cropped(photo, view, size)
    for joint, judged in zip(measurement.joints, verdicts.joints, strict=True):
        _mark_joint(pixels, joint, judged.verdict, report.plan, view)
    for segment, judged in zip(measurement.segments, verdicts.segments, strict=True):
        if judged.verdict is not Verdict.IN and segment.outer_edge_px is not None:
            _mark_edge(pixels, segment.outer_edge_px, judged.verdict, measurement.ring.centre_px, view)
    for label in labels:
        stroke(pixels, (label.anchor, label.centre), SIGNS[label.verdict].colour, 4, casing=2)
    image = Image.fromarray(pixels)
    brush = ImageDraw.Draw(image)
    for label in labels:
        _plate(brush, label)
    return image


def _cropped(photo: Photo, view: View, size: tuple[int, int]) -> Pixels:
    """Cut out the view, dark where it goes beyond the photo, and bring it to the picture's width."""
    (x, y), (width, height) = view.origin_px, size
    left, top = max(-x, 0), max(-y, 0)
    right, bottom = max(x + width - photo.width, 0), max(y + height - photo.height, 0)
    part = photo.codes[y + top : y + height - bottom, x + left : x + width - right]
    whole = cv2.copyMakeBorder(part, top, bottom, left, right, cv2.BORDER_CONSTANT, value=PAPER_CODES)
    method = cv2.INTER_AREA if view.scale < 1.0 else cv2.INTER_CUBIC
    shape = (WIDTH, round(height * view.scale))
    return np.ascontiguousarray(cv2.resize(whole, shape, interpolation=method), dtype=np.uint8)


def _mark_joint(pixels: Pixels, joint: JointMeasure, verdict: Verdict, plan: Plan, view: View) -> None:
    """Draw a line beside each face, clear of it, so that the joint itself stays to be seen."""
    place = view.to_picture(joint.place_px)
    along = (place[1] - place[0]) / np.hypot(*(place[1] - place[0]))
    clockwise = np.array([-along[1], along[0]])
    colour, width = SIGNS[verdict].colour, _LINE_WIDTH[verdict]
    faces = joint.faces_px or (joint.place_px, joint.place_px)
    dash = 22.0 if verdict is Verdict.UNMEASURED else 0.0
    for face, side in zip(faces, (-_OFFSET, _OFFSET), strict=True):
        stroke(pixels, view.to_picture(face) + side * clockwise, colour, width, dash=dash, casing=2)
    for tick in _blocked_ends(joint, place, plan):
        reach = np.array([[-24.0], [24.0]]) * clockwise
        stroke(pixels, tick + reach, INK, 5, casing=2)


def _blocked_ends(joint: JointMeasure, place: Array, plan: Plan) -> list[Array]:
    """Return the two ends of the span that cannot be seen through, on the joint line; none if it is open."""
    inner, outer = plan.joint_radii_mm
    shares = [min(max((r - inner) / (outer - inner), 0.0), 1.0) for r in joint.blocked_mm or ()]
    return [place[0] + share * (place[1] - place[0]) for share in shares]


def _mark_edge(
    pixels: Pixels, edge: LinePx, verdict: Verdict, centre_px: tuple[float, float], view: View
) -> None:
    """Draw a line just outside a segment's outer edge."""
    ends = view.to_picture(edge)
    outward = ends.mean(axis=0) - view.to_picture(centre_px)
    outward /= np.hypot(*outward)
    stroke(pixels, ends + 12.0 * outward, SIGNS[verdict].colour, _LINE_WIDTH[verdict], casing=2)


def _plate(brush: ImageDraw.ImageDraw, label: Label) -> None:
    out = label.verdict is Verdict.OUT
    brush.rounded_rectangle(label.box, 16, "#7A3400" if out else PAPER, SIGNS[label.verdict].colour, 4)
    x = label.centre[0]
    upper = label.box[1] + 10 + NUMBER / 2
    wide = NUMBER + 10 + text_width(label.name, NUMBER)
    sign(brush, (x - wide / 2 + NUMBER / 2, upper), 0.9 * NUMBER, label.verdict)
    _left(brush, (x - wide / 2 + NUMBER + 10, upper), label.name, NUMBER)
    for index, word in enumerate(label.words):
        write(brush, (x, upper + NUMBER / 2 + 2 + (index + 0.5) * (WORD + 4)), word, WORD)
