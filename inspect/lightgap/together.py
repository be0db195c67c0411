"""Several photos, one check: joined into one report, and a photo that contradicts the others named."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from lightgap.again.matching import Match, match
from lightgap.again.renumber import renumber
from lightgap.again.ring_print import RingPrint
from lightgap.errors import RingError
from lightgap.heights import find_steps, say_steps, with_heights
from lightgap.mean import mean_of
from lightgap.measure import JointMeasure, Measurement, RingMeasure, SegmentMeasure
from lightgap.report import PhotoPart, Report, make_report
from lightgap.show.words import joined, named
from lightgap.values import Below, Unknown, Value

Array = NDArray[np.float64]
Part = TypeVar("Part", JointMeasure, SegmentMeasure, RingMeasure)

_CHANCE = 0.001
"""How rarely photos that agree within their uncertainties may be said to contradict."""
_LEFT = {"left out": "was left out", "not measured": "could not be measured"}


@dataclass(frozen=True)
class Shot:
    """One photo of several: its report, and its print, which tells how the ring is turned in it.

    ``sha256`` is that of its file, so that a photo that was given twice counts once.
    """

    report: Report
    ring_print: RingPrint
    sha256: str | None = None


@dataclass(frozen=True)
class Missed:
    """A photo of several that has nothing to put into the check, and why: a sentence each."""

    photo_name: str
    why: str
    part: Literal["left out", "not measured"] = "not measured"


@dataclass(frozen=True, eq=False)
class _Apart:
    """How far each photo lies from the others in one quantity of one joint or segment."""

    noun: str
    number: int
    quantity: str
    apart: Array


def combine(taken: Sequence[Shot | Missed]) -> Shot:
    """Combine photos of one ring, taken in one go and measured against one plan, into one report.

    Numbers and pixels in the report are those of the first photo; if that is a stranger among the others,
    of the one that most others match. A photo that does not surely show the same face of the same ring is
    left out, and the notes say so, as they do where photos contradict each other.

    Returns
    -------
    Shot
        The combined report with the print of its base.

    Raises
    ------
    RingError
        If there is nothing to combine: no photo was measured, or no two of several match.
    """
    parts = _parts(taken)
    shots = {
        place: shot
        for place, (shot, part) in enumerate(zip(taken, parts, strict=True))
        if isinstance(shot, Shot) and part.part == "joined"
    }
    if not shots:
        raise _nothing_measured(parts)
    if len(taken) == 1:
        return shots[0]
    first, matches = _numbered_by(shots)
    if len(shots) > 1 and not _count_same(matches):
        raise RingError(
            f"No two of these photos surely show the same face of one ring: {joined(_names(parts, shots))}.",
            "Check each on its own; or take them again, the ring lying the same face up, its wood well lit.",
        )
    base = shots[first].report
    reports, measurements = {first: base}, {first: base.measurement}
    parts[first] = replace(parts[first], part="base")
    for place, found in matches.items():
        if _same_face(found):
            reports[place] = shots[place].report
            measurements[place] = renumber(shots[place].report.measurement, found)
        else:
            why = f"{parts[place].name} does not surely show the same face of this ring; it was left out."
            parts[place] = replace(parts[place], part="left out", why=why)
    leans = np.array([_leans(reports[place], each) for place, each in measurements.items()])
    steps = find_steps(list(measurements.values()), leans)
    measurement, apart = _joined([with_heights(each, steps.ratio) for each in measurements.values()], leans)
    for place, why in _contradictions(apart, [parts[place].name for place in measurements]).items():
        place = list(measurements)[place]
        parts[place] = replace(parts[place], why=why)
    notes = _notes({parts[place].name: each.notes for place, each in measurements.items()})
    if len(reports) > 1:
        notes.append(f"Combined from {joined(_names(parts, sorted(reports)))}.")
    notes += [*say_steps(steps), *(part.why for part in parts if part.why is not None)]
    untold = frozenset.intersection(*(report.reference.untold for report in reports.values()))
    report = make_report(
        base.photo_name,
        base.photo_size,
        base.plan,
        replace(base.reference, untold=untold),
        replace(measurement, notes=tuple(notes)),
        sum(shot.report.seconds for shot in shots.values()),
    )
    return replace(shots[first], report=replace(report, photos=tuple(parts)))


def _parts(taken: Sequence[Shot | Missed]) -> list[PhotoPart]:
    """Name every photo, and take all that were measured as joined but for copies."""
    names = [shot.report.photo_name if isinstance(shot, Shot) else shot.photo_name for shot in taken]
    # Some phones give all that they take the same name.
    names = [
        f"{name} ({place})" if names.count(name) > 1 else name for place, name in enumerate(names, start=1)
    ]
    parts, known = [], dict[str, str]()
    for name, shot in zip(names, taken, strict=True):
        if isinstance(shot, Missed):
            parts.append(PhotoPart(name, shot.part, f"{name} {_LEFT[shot.part]}: {shot.why}"))
        elif shot.sha256 in known:
            why = f"{name} is the same file as {known[shot.sha256]}; it was counted once."
            parts.append(PhotoPart(name, "left out", why))
        else:
            if shot.sha256 is not None:
                known[shot.sha256] = name
            parts.append(PhotoPart(name, "joined"))
    return parts


def _notes(by_photo: Mapping[str, Sequence[str]]) -> list[str]:
    """Give the notes of all photos, with the names of those that a note holds for if not for all."""
    told = []
    for note in dict.fromkeys(note for notes in by_photo.values() for note in notes):
        names = [name for name, notes in by_photo.items() if note in notes]
        told.append(note if len(names) == len(by_photo) else f"{joined(names)}: {note}")
    return told


def _names(parts: Sequence[PhotoPart], places: Iterable[int]) -> list[str]:
    return [parts[place].name for place in places]


def _nothing_measured(parts: Sequence[PhotoPart]) -> RingError:
    return RingError(
        " ".join(["None of these photos was measured.", *(part.why for part in parts if part.why)]),
        "Put right what is said of one of them, then try again.",
    )


def _numbered_by(shots: Mapping[int, Shot]) -> tuple[int, dict[int, Match]]:
    """The place of the photo whose numbers hold, and how the ring lies in each of the others."""
    best, best_matches = min(shots), dict[int, Match]()
    for place, shot in shots.items():
        matches = {
            other: match(shot.ring_print, theirs.ring_print)
            for other, theirs in shots.items()
            if other != place
        }
        if not best_matches or _count_same(matches) > _count_same(best_matches):
            best, best_matches = place, matches
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


def _contradictions(apart: Iterable[_Apart], names: Sequence[str]) -> dict[int, str]:
    """Name the photos that differ from the others by more than chance, and where: a sentence for each."""
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
    sentences = {}
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
        sentences[photo] = f"{who} {where}: look at their pictures, and leave out the one that is wrong."
    return sentences


def _outlier(rows: Sequence[Array]) -> int | None:
    """The photo that lies furthest from the others, if that is more than chance (chi-square)."""
    table = np.array(rows)
    total, count = np.nansum(table**2, axis=0), np.sum(~np.isnan(table), axis=0)
    photo = int(np.argmax(total))
    return photo if chi2.sf(total[photo], count[photo]) < _CHANCE else None
