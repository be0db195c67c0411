"""Hold one report against the truth: one row per value, and what was found, missed or invented.

Joints are matched by place, not by number, so that a first joint near 12 o'clock cannot be taken for
the last.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accuracy.truth import TrueJoint, Truth
from lightgap.judge import Finding, Judged, Verdict
from lightgap.measure import JointMeasure
from lightgap.report import Report
from lightgap.values import Below, Measured, Value

Array = NDArray[np.float64]

NEAR_MM = 2.0
"""A joint is found if its line's middle lies within this of the true one's."""


@dataclass(frozen=True)
class Row:
    """One value of one photo beside its truth; lengths in mm, angles in degrees, across flats in mm.

    ``kind`` is the joint's class (open, tapered, closed one wood, closed two woods, resin, glue,
    blocked, squeeze-out), or "segment" or "ring". ``value`` is NaN where nothing was measured; for a
    value "below x", ``below`` is x and ``value`` NaN. ``verdict`` is None where there is no limit.
    """

    photo: str
    kind: str
    number: int
    quantity: str
    place: str | None
    truth: float
    value: float
    u95: float
    below: float
    flagged: bool
    verdict: Verdict | None
    lower: float
    upper: float
    mm_per_px: float

    @property
    def error(self) -> float:
        """Value less truth."""
        return self.value - self.truth

    @property
    def miss(self) -> float:
        """Size of the error; for "below x" how far the truth lies above x; NaN if nothing was said."""
        return max(self.truth - self.below, 0.0) if math.isfinite(self.below) else abs(self.error)

    @property
    def told(self) -> bool:
        """Whether anything was said of it."""
        return math.isfinite(self.value) or math.isfinite(self.below)

    @property
    def covered(self) -> bool:
        """Whether the truth lies within what was said: value +- U, or below x."""
        if math.isfinite(self.below):
            return self.truth <= self.below
        return abs(self.error) <= self.u95

    @property
    def inside(self) -> bool:
        """Whether the truth lies within the limits."""
        return self.lower <= self.truth <= self.upper

    @property
    def to_limit(self) -> float:
        """How far the truth lies from the nearest limit."""
        return min(abs(self.truth - self.lower), abs(self.upper - self.truth))


@dataclass(frozen=True)
class Score:
    """What one photo's report amounts to.

    ``joints`` counts those that are there, with wood on both sides; ``failure`` is the message if
    there is no report at all.
    """

    photo: str
    joints: int
    found: int = 0
    false: int = 0
    rows: tuple[Row, ...] = ()
    failure: str | None = None
    factors: dict[str, Any] = field(default_factory=dict)


def joint_kind(joint: TrueJoint, truth: Truth) -> str:
    """The class a joint is counted in."""
    if joint.filled:
        return joint.filled
    if joint.squeeze_out:
        return "squeeze-out"
    if joint.blocked_mm:
        return "blocked"
    if truth.plan.joint != "closed":
        return "tapered" if truth.plan.joint == "tapered" else "open"
    return "closed two woods" if len(set(woods(truth))) > 1 else "closed one wood"


def woods(truth: Truth) -> tuple[str, ...]:
    """The kinds of wood in the ring."""
    if "species" in truth.raw:
        return tuple(truth.raw["species"])
    return tuple(truth.raw["look"]["wood"]["kinds"])


def score(truth: Truth, report: Report, factors: dict[str, Any] | None = None) -> Score:
    """Compare a report with the truth."""
    name = truth.photo.name
    pairs = _matched(truth, report)
    rows: list[Row] = []
    found = 0
    for number, (joint, index) in enumerate(zip(truth.joints, pairs, strict=True), 1):
        if joint.missing_neighbour or index is None:
            continue
        measure = report.measurement.joints[index]
        found += measure.found
        kind = joint_kind(joint, truth)
        judged = report.verdicts.joints[index]
        for quantity, place, true, value in _joint_values(joint, measure):
            rows.append(_row(name, kind, number, quantity, place, true, value, measure, judged, report))
    rows += _segment_rows(truth, report, pairs)
    ring = report.verdicts.ring
    size = report.measurement.ring.size_mm
    rows.append(
        _row(name, "ring", 0, "across_flats_mm", None, truth.across_flats_mm, size, None, ring, report)
    )
    there = [index for joint, index in zip(truth.joints, pairs, strict=True) if not joint.missing_neighbour]
    seen = [index for index, joint in enumerate(report.measurement.joints) if joint.found]
    false = len(set(seen) - {index for index in there if index is not None})
    return Score(name, len(there), found, false, tuple(rows), None, factors or {})


def failed(truth: Truth, message: str, factors: dict[str, Any] | None = None) -> Score:
    """The score of a photo that gave no report."""
    joints = sum(not joint.missing_neighbour for joint in truth.joints)
    return Score(truth.photo.name, joints, failure=message, factors=factors or {})


def _matched(truth: Truth, report: Report) -> list[int | None]:
    """For each true joint the index of the reported one at its place."""
    places = np.array([np.mean(joint.place_px, axis=0) for joint in report.measurement.joints])
    px_per_mm = truth.camera.px_per_mm([0.0, 0.0], truth.plan.thickness_mm)
    pairs: list[int | None] = []
    for joint in truth.joints:
        away = np.hypot(*(places - joint.middle_px).T) if len(places) else np.array([np.inf])
        # Along its line a joint may end elsewhere; what counts is how far aside it lies.
        index = int(np.argmin(away))
        along = joint.face_a_px[1] - joint.face_a_px[0]
        aside = np.inf
        if len(places):
            offset = places[index] - joint.middle_px
            aside = abs(offset[0] * along[1] - offset[1] * along[0]) / float(np.hypot(*along))
        pairs.append(index if aside <= NEAR_MM * px_per_mm else None)
    return pairs


def _joint_values(
    joint: TrueJoint, measure: JointMeasure
) -> Iterator[tuple[str, str | None, float, Measured]]:
    yield "gap_mm", "inside", joint.gap_inside_mm, measure.gap_inside_mm
    yield "gap_mm", "middle", joint.gap_middle_mm, measure.gap_middle_mm
    yield "gap_mm", "outside", joint.gap_outside_mm, measure.gap_outside_mm
    yield "taper_deg", None, joint.taper_deg, measure.taper_deg
    yield "pitch_error_deg", None, joint.pitch_error_deg, measure.pitch_error_deg
    yield "skew_deg", None, joint.skew_deg, measure.skew_deg


def _segment_rows(truth: Truth, report: Report, pairs: list[int | None]) -> Iterator[Row]:
    """Segment k lies clockwise after joint k, in the truth as in the report."""
    for number, (segment, index) in enumerate(zip(truth.segments, pairs, strict=True), 1):
        if index is None or not segment.present:
            continue
        measure, judged = report.measurement.segments[index], report.verdicts.segments[index]
        values = (
            ("included_angle_deg", None, segment.included_angle_deg, measure.included_angle_deg),
            ("mitre_deg", "start", segment.mitre_start_deg, measure.mitre_start_deg),
            ("mitre_deg", "end", segment.mitre_end_deg, measure.mitre_end_deg),
            ("outer_length_mm", None, segment.outer_length_mm, measure.outer_length_mm),
            ("radial_offset_mm", None, segment.radial_offset_mm, measure.radial_offset_mm),
            ("twist_deg", None, segment.twist_deg, measure.twist_deg),
        )
        for quantity, place, true, value in values:
            yield _row(
                truth.photo.name, "segment", number, quantity, place, true, value, None, judged, report
            )


def _row(
    photo: str,
    kind: str,
    number: int,
    quantity: str,
    place: str | None,
    true: float,
    value: Measured,
    joint: JointMeasure | None,
    judged: Judged,
    report: Report,
) -> Row:
    finding = _finding(judged, quantity, place)
    return Row(
        photo,
        kind,
        number,
        quantity,
        place,
        true,
        value.value if isinstance(value, Value) else math.nan,
        value.u95 if isinstance(value, Value) else math.nan,
        value.below if isinstance(value, Below) else math.nan,
        bool(joint.doubts) if joint is not None else False,
        finding.verdict if finding else None,
        finding.lower if finding else -math.inf,
        finding.upper if finding else math.inf,
        report.measurement.mm_per_px,
    )


def _finding(judged: Judged, quantity: str, place: str | None) -> Finding | None:
    for finding in judged.findings:
        if finding.quantity == quantity and finding.place == place:
            return finding
    return None
