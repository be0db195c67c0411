"""Joints and segments as CSV (RFC 4180): one row each, units in the header, U beside every value.

A value narrower than could be measured stands as its bound in the "..._below_mm" column; what could
not be measured is empty, and "reasons" says why.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator

from lightgap.judge import Judged
from lightgap.measure import JointMeasure, SegmentMeasure
from lightgap.report import Report
from lightgap.show.words import reasons
from lightgap.values import Below, Measured, Value

_GAPS = ("gap_inside_mm", "gap_middle_mm", "gap_outside_mm")
_JOINT_ANGLES = ("taper_deg", "pitch_error_deg", "skew_deg")
_SEGMENT_VALUES = (
    "included_angle_deg",
    "mitre_start_deg",
    "mitre_end_deg",
    "outer_length_mm",
    "radial_offset_mm",
    "twist_deg",
)

Row = dict[str, str | float | int]


def csv_table(reports: Iterable[Report]) -> str:
    """Write the joints, then the segments, of each report under one header.

    The lines end in CR LF, as the standard has it: write the text to a file with ``newline=""``.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, _columns())
    writer.writeheader()
    for report in reports:
        writer.writerows(_rows(report))
    return text.getvalue()


def _columns() -> list[str]:
    columns = ["photo", "part", "number", "verdict", "angle_deg", "kind"]
    for name in (*_GAPS, *_JOINT_ANGLES, *_SEGMENT_VALUES):
        columns += _named(name)
    return [*columns, "blocked_from_mm", "blocked_to_mm", "reasons", "doubts"]


def _named(name: str) -> list[str]:
    """Return the columns of one value: itself, its U, and for a gap its bound."""
    stem, _, unit = name.rpartition("_")
    names = [name, f"{stem}_u95_{unit}"]
    return [*names, f"{stem}_below_{unit}"] if name in _GAPS else names


def _rows(report: Report) -> Iterator[Row]:
    # A spreadsheet would take a name that begins so for a formula.
    photo = "; ".join(report.joined)
    photo = f"'{photo}" if photo.startswith(tuple("=+-@\t\r")) else photo
    for joint, judged in zip(report.measurement.joints, report.verdicts.joints, strict=True):
        yield {"photo": photo, **_joint(joint, judged)}
    for segment, judged in zip(report.measurement.segments, report.verdicts.segments, strict=True):
        yield {"photo": photo, **_segment(segment, judged)}


def _joint(joint: JointMeasure, judged: Judged) -> Row:
    row = _common("joint", judged)
    row |= {
        "angle_deg": round(joint.angle_deg, 3),
        "kind": joint.kind if joint.found else "not found",
        "doubts": "; ".join(joint.doubts),
    }
    for name in (*_GAPS, *_JOINT_ANGLES):
        row |= _cells(name, getattr(joint, name))
    if joint.blocked_mm is not None:
        row["blocked_from_mm"], row["blocked_to_mm"] = (round(radius, 2) for radius in joint.blocked_mm)
    return row


def _segment(segment: SegmentMeasure, judged: Judged) -> Row:
    row = _common("segment", judged)
    row["kind"] = "present" if segment.present else "missing"
    for name in _SEGMENT_VALUES:
        row |= _cells(name, getattr(segment, name))
    return row


def _common(part: str, judged: Judged) -> Row:
    return {
        "part": part,
        "number": judged.number or 0,
        "verdict": str(judged.verdict),
        "reasons": "; ".join(reasons(judged)),
    }


def _cells(name: str, value: Measured) -> Row:
    columns = _named(name)
    if isinstance(value, Value):
        return dict(zip(columns, value.to_dict().values(), strict=False))
    return {columns[2]: value.to_dict()["below"]} if isinstance(value, Below) and len(columns) > 2 else {}
