"""The columns of a report's tables, alike in the terminal and on paper."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from lightgap.judge import Finding, Judged
from lightgap.measure import RingMeasure
from lightgap.plan import Plan
from lightgap.show.figures import Units, plain
from lightgap.values import Measured


@dataclass(frozen=True)
class Column:
    """One column: key and place of what is judged, the field that holds it, its heading."""

    quantity: str
    place: str | None
    field: str
    heading: str
    signed: bool = False


JOINT_COLUMNS = (
    Column("gap_mm", "inside", "gap_inside_mm", "gap inside"),
    Column("gap_mm", "middle", "gap_middle_mm", "gap middle"),
    Column("gap_mm", "outside", "gap_outside_mm", "gap outside"),
    Column("taper_deg", None, "taper_deg", "taper °", signed=True),
    Column("pitch_error_deg", None, "pitch_error_deg", "place °", signed=True),
    Column("skew_deg", None, "skew_deg", "lean °", signed=True),
)
SEGMENT_COLUMNS = (
    Column("included_angle_deg", None, "included_angle_deg", "angle °"),
    Column("mitre_deg", "start", "mitre_start_deg", "start face °"),
    Column("mitre_deg", "end", "mitre_end_deg", "end face °"),
    Column("outer_length_mm", None, "outer_length_mm", "outer length"),
    Column("radial_offset_mm", None, "radial_offset_mm", "in or out", signed=True),
    Column("twist_deg", None, "twist_deg", "twist °", signed=True),
)


def planned(rows: Iterable[Judged], column: Column, units: Units) -> str:
    """Write what the plan asks for; nothing when it is not judged."""
    finding = _first(rows, column)
    return "" if finding is None else plain(finding.nominal, column.quantity, units, bare=True)


def limit(rows: Iterable[Judged], column: Column, units: Units) -> str:
    """Write how far off a value may be."""
    finding = _first(rows, column)
    if finding is None:
        return "not judged"
    sign = "±" if finding.two_sided else "up to "
    return f"{sign}{plain(finding.limit, column.quantity, units, bare=True)}"


def _first(rows: Iterable[Judged], column: Column) -> Finding | None:
    return next((finding for judged in rows if (finding := found(judged, column))), None)


def found(judged: Judged, column: Column) -> Finding | None:
    """Return the finding of a column; None when it is not judged."""
    for finding in judged.findings:
        if (finding.quantity, finding.place) == (column.quantity, column.place):
            return finding
    return None


def ring_values(ring: RingMeasure, plan: Plan) -> Iterator[tuple[str, str, Measured]]:
    """Yield the ring's own figures: name, quantity and value."""
    yield ("across flats" if plan.outline == "polygon" else "diameter"), "across_flats_mm", ring.size_mm
    yield "out of round", "out_of_round_mm", ring.out_of_round_mm
    yield "hole off centre", "inner_offset_mm", ring.inner_offset_mm
    yield "mean gap", "gap_mm", ring.mean_gap_mm
