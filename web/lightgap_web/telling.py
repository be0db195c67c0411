"""The words and figures of one report as the page shows them, in both units.

All of it comes from `lightgap.show`, so that the page and the command say the same in the same way; the
page's scripts only put the strings in their places.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lightgap.judge import Judged
from lightgap.measure import JointMeasure, RingMeasure, SegmentMeasure
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.show import words
from lightgap.show.figures import Units, figure, plain
from lightgap.show.plot import plot, svg
from lightgap.values import Measured, Unknown, budget_rows

UNITS: tuple[Units, ...] = ("mm", "inch")

Shown = dict[str, Any]


def told(report: Report) -> dict[str, Shown]:
    """Return every sentence and figure of a report, for "mm" and for "inch"."""
    return {units: _told(report, units) for units in UNITS}


def told_figures(plan: Plan) -> dict[str, Shown]:
    """Return the nominal figures that follow from a plan: what the saw and the stop are set to."""
    included = plan.pitch_deg - plan.gap_deg
    return {
        units: {
            "mitre": plain(included / 2.0, "mitre_deg", units),
            "outer_length": plain(plan.edge_length_mm(plan.outer_mm), "outer_length_mm", units),
            "tolerance": {
                key: None if limit is None else plain(limit, key, units)
                for key, limit in plan.tolerance.to_dict().items()
            },
        }
        for units in UNITS
    }


def _told(report: Report, units: Units) -> Shown:
    measurement, verdicts, plan = report.measurement, report.verdicts, report.plan
    return {
        "headline": words.headline(verdicts, units),
        "advice": [item.to_dict() for item in report.advice_in(units)],
        "plot": svg(plot(report, units)),
        "joint_order": [judged.number for judged in words.worst_first(verdicts.joints)],
        "segment_order": [judged.number for judged in words.worst_first(verdicts.segments)],
        "ring": {
            "values": _values(_ring_values(measurement.ring, plan), units),
            "reasons": words.reasons(verdicts.ring, units),
        },
        "joints": [
            {**_row(_joint_values(joint), judged, units), "blocked": _blocked(joint, units)}
            for joint, judged in zip(measurement.joints, verdicts.joints, strict=True)
        ],
        "segments": [
            _row(_segment_values(segment), judged, units)
            for segment, judged in zip(measurement.segments, verdicts.segments, strict=True)
        ],
    }


def _row(values: Mapping[str, tuple[str, Measured]], judged: Judged, units: Units) -> Shown:
    return {"values": _values(values, units), "reasons": words.reasons(judged, units)}


def _blocked(joint: JointMeasure, units: Units) -> str | None:
    """Say over which radii an open gap cannot be seen through."""
    if joint.blocked_mm is None:
        return None
    inner, outer = (plain(radius, "_mm", units) for radius in joint.blocked_mm)
    return f"Blocked from {inner} to {outer} from the centre."


def _values(values: Mapping[str, tuple[str, Measured]], units: Units) -> Shown:
    """Give each value as a table cell, as a full figure, and its budget in words."""
    return {
        name: {
            "cell": figure(value, quantity, units, bare=True, signed=_is_signed(quantity)),
            "full": figure(value, quantity, units, signed=_is_signed(quantity)),
            "reason": value.reason if isinstance(value, Unknown) else None,
            "budget": _budget(value, quantity, units),
        }
        for name, (quantity, value) in values.items()
    }


def _budget(value: Measured, quantity: str, units: Units) -> list[Shown]:
    """Write each line as U = 2 u, to compare with the U beside the value, and as a share of the largest."""
    rows = [row for row in budget_rows(value) if row["standard"] > 0.0]
    return [
        {
            "name": row["name"],
            "shown": plain(2.0 * row["standard"], quantity, units),
            "share": row["standard"] / rows[0]["standard"],
        }
        for row in rows
    ]


def _is_signed(quantity: str) -> bool:
    return quantity in ("taper_deg", "pitch_error_deg", "skew_deg", "radial_offset_mm", "twist_deg")


def _joint_values(joint: JointMeasure) -> dict[str, tuple[str, Measured]]:
    return {
        "inside": ("gap_mm", joint.gap_inside_mm),
        "middle": ("gap_mm", joint.gap_middle_mm),
        "outside": ("gap_mm", joint.gap_outside_mm),
        "taper": ("taper_deg", joint.taper_deg),
        "pitch": ("pitch_error_deg", joint.pitch_error_deg),
        "skew": ("skew_deg", joint.skew_deg),
    }


def _segment_values(segment: SegmentMeasure) -> dict[str, tuple[str, Measured]]:
    return {
        "included": ("included_angle_deg", segment.included_angle_deg),
        "start": ("mitre_deg", segment.mitre_start_deg),
        "end": ("mitre_deg", segment.mitre_end_deg),
        "length": ("outer_length_mm", segment.outer_length_mm),
        "radial": ("radial_offset_mm", segment.radial_offset_mm),
        "twist": ("twist_deg", segment.twist_deg),
    }


def _ring_values(ring: RingMeasure, plan: Plan) -> dict[str, tuple[str, Measured]]:
    size = "Across flats" if plan.outline == "polygon" else "Diameter"
    return {
        size: ("across_flats_mm", ring.size_mm),
        "Out of round": ("out_of_round_mm", ring.out_of_round_mm),
        "Hole off centre": ("inner_offset_mm", ring.inner_offset_mm),
        "Mean gap": ("gap_mm", ring.mean_gap_mm),
        "Closure": ("closure_deg", ring.closure_deg),
    }
