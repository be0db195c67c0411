"""The annotated picture: every joint's verdict on the photo, and the worst three enlarged.

One column that fits a phone held upright: what is wrong in a sentence, the ring with a label at each
joint, the three worst joints enlarged from the original pixels, and what the signs mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw

from lightgap.judge import Judged, Verdict
from lightgap.measure import JointMeasure, LinePx
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.show.figures import Units
from lightgap.show.ink import (
    INK,
    PAPER,
    PAPER_CODES,
    Box,
    Pixels,
    line_height,
    sign,
    stroke,
    text_width,
    wrap,
    write,
)
from lightgap.show.inset import inset
from lightgap.show.words import SIGNS, called, headline, worst_first

Array = NDArray[np.float64]

WIDTH = 1800
"""Pixels: on a phone of 390 px the smallest text is still 9 px high."""
_TITLE, _NUMBER, _WORD, _CAPTION, _LEGEND = 64, 56, 44, 44, 44
_MARGIN = 36
_INSETS = 3
_INSET_HEIGHT = 620
_BETWEEN = 24
_AWAY = 46.0
"""From a joint's outer end to the near side of its label."""
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


@dataclass(frozen=True)
class _View:
    """The part of the photo that is shown: origin of its upper left pixel's centre, and the scale."""

    origin_px: tuple[int, int]
    scale: float

    def to_picture(self, points_px: ArrayLike) -> Array:
        points = np.asarray(points_px, dtype=float)
        return np.asarray((points - np.array(self.origin_px) + 0.5) * self.scale - 0.5)


@dataclass(frozen=True)
class _Label:
    """A plate with a sign, a name and words below; ``anchor`` is where its leader starts."""

    verdict: Verdict
    name: str
    words: tuple[str, ...]
    centre: tuple[float, float]
    anchor: tuple[float, float]

    @property
    def box(self) -> Box:
        (x, y), (wide, high) = self.centre, _half(self.name, self.words)
        return x - wide, y - high, x + wide, y + high


def _half(name: str, words: tuple[str, ...]) -> tuple[float, float]:
    """Return half of the width and height that a plate needs."""
    wide = max(_NUMBER + 10 + text_width(name, _NUMBER), *(text_width(word, _WORD) for word in words))
    return wide / 2 + 14, (_NUMBER + len(words) * (_WORD + 4) + 20) / 2


def _ring(photo: Photo, report: Report) -> Image.Image:
    measurement, verdicts = report.measurement, report.verdicts
    lines = [np.asarray(joint.place_px, dtype=float) for joint in measurement.joints]
    for reach in (1, 2, 3):
        # Labels stand in one row round the ring, or in two or three by turns where one is too tight.
        view, size = _frame(lines, reach)
        labels = [
            _joint_label(judged, joint, view.to_picture(joint.place_px), index % reach)
            for index, (judged, joint) in enumerate(zip(verdicts.joints, measurement.joints, strict=True))
        ]
        if not _overlap(labels):
            break
    labels += _segment_labels(report, view)
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


def _frame(lines: list[Array], rows: int) -> tuple[_View, tuple[int, int]]:
    """Choose the part of the photo that holds the ring and ``rows`` of labels; may go beyond it."""
    ends = np.array([line[1] for line in lines])
    low, high = ends.min(axis=0), ends.max(axis=0)
    wide, tall = _half("00", (SIGNS[Verdict.UNMEASURED].short,))
    border = np.array([2 * wide, 2 * tall]) * rows + _AWAY + 12.0
    scale = (WIDTH - 2 * border[0]) / (high[0] - low[0])
    corner = np.floor(low - border / scale).astype(int)
    shown = np.ceil((high - low) + 2 * border / scale).astype(int)
    view = _View((int(corner[0]), int(corner[1])), WIDTH / float(shown[0]))
    return view, (int(shown[0]), int(shown[1]))


def _cropped(photo: Photo, view: _View, size: tuple[int, int]) -> Pixels:
    """Cut out the view, dark where it goes beyond the photo, and bring it to the picture's width."""
    (x, y), (width, height) = view.origin_px, size
    left, top = max(-x, 0), max(-y, 0)
    right, bottom = max(x + width - photo.width, 0), max(y + height - photo.height, 0)
    part = photo.codes[y + top : y + height - bottom, x + left : x + width - right]
    whole = cv2.copyMakeBorder(part, top, bottom, left, right, cv2.BORDER_CONSTANT, value=PAPER_CODES)
    method = cv2.INTER_AREA if view.scale < 1.0 else cv2.INTER_CUBIC
    shape = (WIDTH, round(height * view.scale))
    return np.ascontiguousarray(cv2.resize(whole, shape, interpolation=method), dtype=np.uint8)


def _joint_label(judged: Judged, joint: JointMeasure, line: Array, row: int) -> _Label:
    """Put a joint's label on its own line, outside the ring, in the given row from the ring out."""
    outward = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    name = str(judged.number)
    words = (SIGNS[judged.verdict].short, *(("blocked",) if joint.blocked_mm is not None else ()))
    wide, high = _half(name, words)
    # Half of the plate's extent along the line, so that its near side keeps the same distance.
    half = min(wide / max(abs(outward[0]), 1e-6), high / max(abs(outward[1]), 1e-6))
    step = 2.0 * abs(outward[0]) * wide + 2.0 * abs(outward[1]) * high + 8.0
    centre = line[1] + (_AWAY + half + row * step) * outward
    return _Label(
        judged.verdict,
        name,
        words,
        (float(centre[0]), float(centre[1])),
        (float(line[1][0]), float(line[1][1])),
    )


def _overlap(labels: list[_Label]) -> bool:
    return any(
        _meet(first.box, second.box) for index, first in enumerate(labels) for second in labels[:index]
    )


def _meet(first: Box, second: Box, air: float = 4.0) -> bool:
    return (
        first[0] < second[2] + air
        and second[0] < first[2] + air
        and first[1] < second[3] + air
        and second[1] < first[3] + air
    )


def _segment_labels(report: Report, view: _View) -> list[_Label]:
    """Name the segments that are not in tolerance, the worst first, in the ring's hole."""
    joints = [np.asarray(joint.place_px, dtype=float) for joint in report.measurement.joints]
    centre = view.to_picture(report.measurement.ring.centre_px)
    labels: list[_Label] = []
    for judged in worst_first(report.verdicts.segments):
        if judged.verdict is Verdict.IN or judged.number is None:
            continue
        before, after = joints[judged.number - 1], joints[judged.number % len(joints)]
        inner = view.to_picture((before[0] + after[0]) / 2.0)
        anchor = view.to_picture((before + after).mean(axis=0) / 2.0)
        words = ("missing" if judged.absent else SIGNS[judged.verdict].short,)
        label = _free_place(judged, words, inner, anchor, centre, labels)
        if label is not None:
            labels.append(label)
    return labels


def _free_place(
    judged: Judged, words: tuple[str, ...], inner: Array, anchor: Array, centre: Array, taken: list[_Label]
) -> _Label | None:
    """Move a segment's label from the inner edge towards the centre until it covers no other."""
    inward = (centre - inner) / np.hypot(*(centre - inner))
    wide, high = _half(f"seg {judged.number}", words)
    nearest = 40.0 + abs(inward[0]) * wide + abs(inward[1]) * high
    for away in np.arange(nearest, float(np.hypot(*(centre - inner))), 20.0):
        x, y = inner + away * inward
        ink = (float(anchor[0]), float(anchor[1]))
        label = _Label(judged.verdict, f"seg {judged.number}", words, (float(x), float(y)), ink)
        if not any(_meet(label.box, other.box) for other in taken):
            return label
    return None


def _mark_joint(pixels: Pixels, joint: JointMeasure, verdict: Verdict, plan: Plan, view: _View) -> None:
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
    pixels: Pixels, edge: LinePx, verdict: Verdict, centre_px: tuple[float, float], view: _View
) -> None:
    """Draw a line just outside a segment's outer edge."""
    ends = view.to_picture(edge)
    outward = ends.mean(axis=0) - view.to_picture(centre_px)
    outward /= np.hypot(*outward)
    stroke(pixels, ends + 12.0 * outward, SIGNS[verdict].colour, _LINE_WIDTH[verdict], casing=2)


def _plate(brush: ImageDraw.ImageDraw, label: _Label) -> None:
    out = label.verdict is Verdict.OUT
    brush.rounded_rectangle(label.box, 16, "#7A3400" if out else PAPER, SIGNS[label.verdict].colour, 4)
    x = label.centre[0]
    upper = label.box[1] + 10 + _NUMBER / 2
    wide = _NUMBER + 10 + text_width(label.name, _NUMBER)
    sign(brush, (x - wide / 2 + _NUMBER / 2, upper), 0.9 * _NUMBER, label.verdict)
    _left(brush, (x - wide / 2 + _NUMBER + 10, upper), label.name, _NUMBER)
    for index, word in enumerate(label.words):
        write(brush, (x, upper + _NUMBER / 2 + 2 + (index + 0.5) * (_WORD + 4)), word, _WORD)
