"""Several photos, one check: joined into one report, and a photo that contradicts the others named."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from lightgap.again.matching import Match, match
from lightgap.again.renumber import renumber
from lightgap.again.ring_print import RingPrint
from lightgap.mean import mean_of
from lightgap.measure import JointMeasure, Measurement, RingMeasure, SegmentMeasure
from lightgap.report import Report, make_report
from lightgap.show.words import joined, named
from lightgap.values import Below, Unknown, Value

Array = NDArray[np.float64]
Part = TypeVar("Part", JointMeasure, SegmentMeasure, RingMeasure)

_CHANCE = 0.001
"""How rarely photos that agree within their uncertainties may be said to contradict."""


@dataclass(frozen=True)
class Shot:
    """One photo of several: its report, and its print, which tells how the ring is turned in it."""

    report: Report
    ring_print: RingPrint


@dataclass(frozen=True, eq=False)
class _Apart:
    """How far each photo lies from the others in one quantity of one joint or segment."""

    noun: str
    number: int
    quantity: str
    apart: Array


def combine(shots: Sequence[Shot]) -> Report:
    """Combine photos of one ring, taken in one go and measured against one plan, into one report.

    Numbers and pixels in the report are those of the first photo; if that is a stranger among the others,
    of the one that most others match. A photo that does not surely show the same face of the same ring is
    left out, and the notes say so, as they do where photos contradict each other.
    """
    first, matches = _numbered_by(shots)
    base = shots[first].report
    reports, measurements, strangers = [base], [base.measurement], []
    for index, found in matches.items():
        report = shots[index].report
        if _same_face(found):
            reports.append(report)
            measurements.append(renumber(report.measurement, found))
        else:
            strangers.append(report.photo_name)
    names = [report.photo_name for report in reports]
    leans = np.array([_leans(*pair) for pair in zip(reports, measurements, strict=True)])
    measurement, apart = _joined(measurements, leans)
    notes = list(dict.fromkeys(note for each in measurements for note in each.notes))
    if len(names) > 1:
        notes.append(f"Combined from {joined(names)}.")
    notes += [
        f"{name} does not surely show the same face of this ring; it was left out." for name in strangers
    ]
    notes += _contradictions(apart, names)
    untold = frozenset.intersection(*(report.reference.untold for report in reports))
    return make_report(
        base.photo_name,
        base.photo_size,
        base.plan,
        replace(base.reference, untold=untold),
        replace(measurement, notes=tuple(notes)),
        sum(shot.report.seconds for shot in shots),
    )


def _numbered_by(shots: Sequence[Shot]) -> tuple[int, dict[int, Match]]:
    """The photo whose numbers hold, and how the ring lies in each of the others."""
    best, best_matches = 0, dict[int, Match]()
    for index, shot in enumerate(shots):
        others = (other for other in range(len(shots)) if other != index)
        matches = {other: match(shot.ring_print, shots[other].ring_print) for other in others}
        if index == 0 or _count_same(matches) > _count_same(best_matches):
            best, best_matches = index, matches
        if _count_same(best_matches) == len(shots) - 1:
            break
    return best, best_matches


def _count_same(matches: dict[int, Match]) -> int:
    return sum(map(_same_face, matches.values()))


def _same_face(found: Match) -> bool:
    return found.sureness == "sure" and not found.face_down


def _leans(report: Report, measurement: Measurement) -> Array:
    """On which side of each joint the camera stood: 1 clockwise of it, -1 the other way, shape (N,)."""
    camera, height = report.reference.camera, report.plan.thickness_mm
    ends = camera.to_plane(np.array([joint.place_px for joint in measurement.joints]), height)
    out, to_camera = ends[:, 1] - ends[:, 0], camera.foot_mm[:2] - ends[:, 0]
    return np.asarray(np.sign(out[:, 1] * to_camera[:, 0] - out[:, 0] * to_camera[:, 1]))


def _joined(measurements: Sequence[Measurement], leans: Array) -> tuple[Measurement, list[_Apart]]:
    """Join measurements that count alike; ``leans`` has shape (photos, N)."""
    apart: list[_Apart] = []
    joints = []
    for index, row in enumerate(zip(*(each.joints for each in measurements), strict=True)):
        joint, differences = _means("joint", row[0].number, row, leans[:, index])
        shown = next((each for each in row if each.found), row[0])
        joints.append(
            replace(
                joint,
                kind=shown.kind,
                found=shown.found,
                reason=shown.reason,
                blocked_mm=next((each.blocked_mm for each in row if each.blocked_mm), None),
                doubts=tuple(dict.fromkeys(doubt for each in row for doubt in each.doubts)),
                by_hand=any(each.by_hand for each in row),
            )
        )
        apart += differences
    segments = []
    for pieces in zip(*(each.segments for each in measurements), strict=True):
        segment, differences = _means("segment", pieces[0].number, pieces)
        segments.append(segment)
        apart += differences
    ring, differences = _means("ring", 0, [each.ring for each in measurements])
    apart += differences
    return replace(measurements[0], ring=ring, joints=tuple(joints), segments=tuple(segments)), apart


def _means(
    noun: str, number: int, row: Sequence[Part], leans: Array | None = None
) -> tuple[Part, list[_Apart]]:
    """The first of the row with every value that it holds replaced by its mean over the row."""
    means: dict[str, Any] = {}
    apart = []
    for item in fields(row[0]):
        values = [getattr(part, item.name) for part in row]
        if isinstance(values[0], Value | Below | Unknown):
            mean = mean_of(values, leans)
            means[item.name] = mean.value
            apart.append(_Apart(noun, number, item.name, mean.apart))
    return replace(row[0], **means), apart


def _contradictions(apart: Iterable[_Apart], names: Sequence[str]) -> list[str]:
    """Name the photos that differ from the others by more than chance, and where."""
    rest: dict[tuple[str, str], list[Array]] = defaultdict(list)
    places: dict[int, dict[str, set[int]]] = defaultdict(lambda: defaultdict(set))
    for each in apart:
        if np.isnan(each.apart).all():
            continue
        photo = _outlier([each.apart])
        if photo is None:
            rest[each.noun, each.quantity].append(each.apart)
        else:
            places[photo][each.noun].add(each.number)
    throughout = {_outlier(rows) for rows in rest.values() if len(rows) > 1}
    sentences = []
    for photo in range(len(names)):
        if photo in throughout:
            where = "all round the ring"
        elif photo in places:
            found = places[photo]
            where = "at " + joined(
                [
                    "the ring's size and shape" if noun == "ring" else named(noun, sorted(found[noun]))
                    for noun in sorted(found)
                ]
            )
        else:
            continue
        who = (
            f"{joined(names)} contradict each other"
            if len(names) == 2
            else f"{names[photo]} contradicts the others"
        )
        sentences.append(f"{who} {where}: look at their pictures, and leave out the one that is wrong.")
    return sentences


def _outlier(rows: Sequence[Array]) -> int | None:
    """The photo that lies furthest from the others, if that is more than chance (chi-square)."""
    table = np.array(rows)
    total, count = np.nansum(table**2, axis=0), np.sum(~np.isnan(table), axis=0)
    photo = int(np.argmax(total))
    return photo if chi2.sf(total[photo], count[photo]) < _CHANCE else None
