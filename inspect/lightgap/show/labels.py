"""Where the labels stand in the annotated picture: none covers another, nor any joint."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightgap.judge import Verdict
from lightgap.report import Report
from lightgap.show.ink import Box, text_width
from lightgap.show.words import SIGNS, worst_first

Array = NDArray[np.float64]

WIDTH = 1800
"""Of the picture, pixels: on a phone of 390 px the smallest text is still 9 px high."""
NUMBER, WORD = 56, 44
"""Sizes of a label's number and words."""
_AWAY = 46.0
"""From a joint's outer end to the near side of its label."""
_BORDER = 12.0
_STEP = 12.0
_AIR = 4.0
_CROWDED = 28
"""More joints than this, and the label of a joint in tolerance is its sign and number alone."""


@dataclass(frozen=True)
class View:
    """The part of the photo that is shown: its upper left pixel, and the scale; may go beyond the photo."""

    origin_px: tuple[int, int]
    scale: float

    def to_picture(self, points_px: ArrayLike) -> Array:
        points = np.asarray(points_px, dtype=float)
        return np.asarray((points - np.array(self.origin_px) + 0.5) * self.scale - 0.5)


@dataclass(frozen=True)
class Label:
    """A plate with a sign, a name and words below.

    ``half`` is half of its width and height, ``anchor`` where its leader starts.
    """

    verdict: Verdict
    name: str
    words: tuple[str, ...]
    half: tuple[float, float]
    centre: tuple[float, float]
    anchor: tuple[float, float]

    @property
    def box(self) -> Box:
        (x, y), (wide, high) = self.centre, self.half
        return x - wide, y - high, x + wide, y + high


def _label(verdict: Verdict, name: str, words: tuple[str, ...], anchor: Array) -> Label:
    """Make a label just as large as its words, still without a place."""
    wide = max(NUMBER + 10 + text_width(name, NUMBER), *(text_width(word, WORD) for word in words), 0.0)
    half = wide / 2 + 14, (NUMBER + len(words) * (WORD + 4) + 20) / 2
    return Label(verdict, name, words, half, (0.0, 0.0), _point(anchor))


def frame(report: Report) -> tuple[View, tuple[int, int]]:
    """Choose the part of the photo that holds the ring and its labels; also return its size in the photo.

    The labels have one size whatever the scale, so the scale is found by turns with their places.
    """
    ends = np.array([joint.place_px[1] for joint in report.measurement.joints])
    ring = float(np.ptp(ends[:, 0]))
    view = View((0, 0), 0.7 * WIDTH / ring)
    for _ in range(4):
        boxes = np.array([label.box for label in joint_labels(report, view)])
        low = boxes[:, :2].min(axis=0) - _BORDER
        high = boxes[:, 2:].max(axis=0) + _BORDER
        corner = np.floor(low / view.scale).astype(int) + view.origin_px
        shown = np.ceil((high - low) / view.scale).astype(int)
        beside = float(high[0] - low[0]) - view.scale * ring
        scale = (WIDTH - beside) / ring
        view = View((int(corner[0]), int(corner[1])), scale)
    view = View(view.origin_px, WIDTH / float(shown[0]))
    return view, (int(shown[0]), int(shown[1]))


def joint_labels(report: Report, view: View) -> list[Label]:
    """Put each joint's label on its own line outside the ring, as near as the labels before it allow."""
    labels: list[Label] = []
    crowded = report.plan.segments > _CROWDED
    for joint, judged in zip(report.measurement.joints, report.verdicts.joints, strict=True):
        words = [] if crowded and judged.verdict is Verdict.IN else [SIGNS[judged.verdict].short]
        words += ["blocked"] if joint.blocked_mm is not None else []
        inner, outer = view.to_picture(joint.place_px)
        outward = (outer - inner) / np.hypot(*(outer - inner))
        label = _label(judged.verdict, str(judged.number), tuple(words), outer)
        labels.append(_moved_free(label, outer, outward, _AWAY, labels))
    return labels


def _moved_free(label: Label, start: Array, along: Array, gap: float, taken: list[Label]) -> Label:
    """Move a label along a direction, ``gap`` clear of ``start``, until it covers no other."""
    wide, high = label.half
    # The plate's own extent along the direction, so that its near side keeps the distance.
    away = gap + min(wide / max(abs(along[0]), 1e-6), high / max(abs(along[1]), 1e-6))
    moved = replace(label, centre=_point(start + away * along))
    while any(overlap(moved.box, other.box) for other in taken):
        away += _STEP
        moved = replace(label, centre=_point(start + away * along))
    return moved


def _point(place: Array) -> tuple[float, float]:
    return float(place[0]), float(place[1])


def overlap(first: Box, second: Box) -> bool:
    """Whether two boxes cover each other, or nearly touch."""
    return (
        first[0] < second[2] + _AIR
        and second[0] < first[2] + _AIR
        and first[1] < second[3] + _AIR
        and second[1] < first[3] + _AIR
    )


def segment_labels(report: Report, view: View) -> list[Label]:
    """Name the segments that are not in tolerance in the ring's hole, the worst first, while room lasts."""
    joints = np.array([joint.place_px for joint in report.measurement.joints])
    centre = view.to_picture(report.measurement.ring.centre_px)
    labels: list[Label] = []
    for judged in worst_first(report.verdicts.segments):
        if judged.verdict is Verdict.IN or judged.number is None:
            continue
        both = view.to_picture(joints[[judged.number - 1, judged.number % len(joints)]])
        inner, middle = both[:, 0].mean(axis=0), both.mean(axis=(0, 1))
        inward = (centre - inner) / np.hypot(*(centre - inner))
        words = ("missing" if judged.absent else SIGNS[judged.verdict].short,)
        label = _label(judged.verdict, f"seg {judged.number}", words, middle)
        label = _moved_free(label, inner, inward, 40.0, labels)
        if np.dot(centre - label.centre, inward) > 0.0:
            labels.append(label)
    return labels
