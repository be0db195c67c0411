"""The report as text for a terminal: what is wrong first, then every value, the worst first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from lightgap.advise import Advice
from lightgap.judge import Judged, Verdict
from lightgap.measure import JointMeasure, RingMeasure, SegmentMeasure
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.show.columns import (
    JOINT_COLUMNS,
    SEGMENT_COLUMNS,
    Column,
    found,
    limit,
    planned,
    ring_values,
)
from lightgap.show.figures import Units, expanded, figure
from lightgap.show.words import SIGNS, called, describe_plan, headline, joined, worst_first
from lightgap.values import Measured, Unknown

WIDTH = 96
_LABEL = 6
_MOST_FAULTS = 12


_Row = tuple[Judged, JointMeasure | SegmentMeasure]


def table(report: Report, units: Units = "mm", *, budget: bool = False) -> str:
    """Return the report as text of at most 96 columns.

    Parameters
    ----------
    budget : bool
        Also tell, for every value, the named contributions to its uncertainty.
    """
    measurement, verdicts = report.measurement, report.verdicts
    joints: list[_Row] = list(zip(verdicts.joints, measurement.joints, strict=True))
    segments: list[_Row] = list(zip(verdicts.segments, measurement.segments, strict=True))
    blocks = [
        _head(report, units),
        _faults(report, units),
        _values("Joints", joints, JOINT_COLUMNS, units),
        _values("Segments", segments, SEGMENT_COLUMNS, units),
        _ring(measurement.ring, report.plan, units),
        _advice(report.advice_in(units)),
        _notes(report.notes, "About the photos" if report.photos else "About the photo"),
    ]
    if budget:
        blocks.append(_budgets(report, units))
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _head(report: Report, units: Units) -> list[str]:
    made = (
        f"{describe_plan(report.plan, units)}. Scale from {report.reference.name}, "
        f"{report.measurement.mm_per_px:.3f} mm per pixel. {report.seconds:.1f} s."
    )
    return [
        *_wrapped(headline(report.verdicts, units)),
        "",
        *_wrapped(f"{joined(report.joined)}: {report.verdict}"),
        *_wrapped(made),
    ]


def _faults(report: Report, units: Units) -> list[str]:
    """Say each joint and segment that is not in tolerance in its own words."""
    verdicts = report.verdicts
    named = [("joint", item) for item in verdicts.joints] + [("segment", item) for item in verdicts.segments]
    nouns = {id(item): noun for noun, item in named}
    faulty = [item for item in worst_first(item for _, item in named) if item.verdict is not Verdict.IN]
    lines = [
        line
        for item in faulty[:_MOST_FAULTS]
        for line in _wrapped(called(item, nouns[id(item)], units), f"{SIGNS[item.verdict].mark} ")
    ]
    if len(faulty) > _MOST_FAULTS:
        lines.append(f"  and {len(faulty) - _MOST_FAULTS} more, below")
    return lines


def _values(title: str, rows: list[_Row], columns: tuple[Column, ...], units: Units) -> list[str]:
    measures = {id(judged): measure for judged, measure in rows}
    ordered = worst_first(judged for judged, _ in rows)
    lengths = "mm" if units == "mm" else "inches"
    cells = {id(judged): _cells(judged, measure, columns, units) for judged, measure in rows}
    head = [
        ("", [column.heading for column in columns]),
        ("plan", [planned(ordered, column, units) for column in columns]),
        ("limit", [limit(ordered, column, units) for column in columns]),
    ]
    grid = [*(row for _, row in head), *(row for row in cells.values() if len(row) == len(columns))]
    widths = [max(map(len, column)) + 2 for column in zip(*grid, strict=True)]
    lines = [f"{title}, worst first (lengths in {lengths}, each value with its 95 % uncertainty)"]
    lines += [_line(label, row, widths) for label, row in head]
    verdict = None
    for judged in ordered:
        if judged.verdict is not verdict:
            verdict = judged.verdict
            lines.append(f"{verdict}:")
        label = f"{SIGNS[judged.verdict].mark} {judged.number:>2}"
        lines.append(_line(label, cells[id(judged)], widths))
        measure = measures[id(judged)]
        if isinstance(measure, JointMeasure):
            lines += [line for doubt in measure.doubts for line in _wrapped(doubt, " " * _LABEL)]
    return lines


def _cells(
    judged: Judged, measure: JointMeasure | SegmentMeasure, columns: tuple[Column, ...], units: Units
) -> list[str]:
    """Write each value, with its verdict's mark behind it when it is out or too close to call."""
    if judged.absent:
        return ["missing"]
    cells = []
    for column in columns:
        value = getattr(measure, column.field)
        finding = found(judged, column)
        off = finding is not None and finding.verdict in (Verdict.OUT, Verdict.CLOSE)
        mark = f" {SIGNS[finding.verdict].mark}" if finding is not None and off else ""
        cells.append(figure(value, column.quantity, units, signed=column.signed, bare=True) + mark)
    return cells


def _line(label: str, cells: list[str], widths: list[int]) -> str:
    return (label.ljust(_LABEL) + "".join(map(str.ljust, cells, widths))).rstrip()


def _ring(ring: RingMeasure, plan: Plan, units: Units) -> list[str]:
    lines = ["The ring"]
    for name, quantity, value in ring_values(ring, plan):
        why = f": {value.reason}" if isinstance(value, Unknown) else ""
        lines += _wrapped(f"{name:<16}{figure(value, quantity, units)}{why}", "  ")
    return lines


def _advice(advised: Iterable[Advice]) -> list[str]:
    lines: list[str] = []
    for advice in advised:
        lines += ["" if lines else "What to do", *_wrapped(f"{advice.title}.", "* ")]
        lines += _wrapped(advice.cause, "  ")
        lines += _wrapped(advice.action, "  ")
        if advice.caution:
            lines += _wrapped(f"Caution: {advice.caution}", "  ")
    return lines


def _notes(notes: Iterable[str], title: str) -> list[str]:
    lines = [line for note in notes for line in _wrapped(note, "* ")]
    return [title, *lines] if lines else []


def _budgets(report: Report, units: Units) -> list[str]:
    """Tell every value's budget, each part as 2 standard uncertainties so that it compares with U."""
    lengths = "mm" if units == "mm" else "inches"
    lines = [f"Where the uncertainty comes from (lengths in {lengths}; the squares add up to that of U)"]
    for joint in report.measurement.joints:
        lines += _budget(f"joint {joint.number}", joint, JOINT_COLUMNS, units)
    for segment in report.measurement.segments:
        lines += _budget(f"segment {segment.number}", segment, SEGMENT_COLUMNS, units)
    lines.append("the ring")
    for name, quantity, value in ring_values(report.measurement.ring, report.plan):
        lines += _parts(name, quantity, value, units)
    return lines


def _budget(
    title: str, measure: JointMeasure | SegmentMeasure, columns: tuple[Column, ...], units: Units
) -> list[str]:
    lines = [title]
    for column in columns:
        name = column.heading.removesuffix(" °")
        lines += _parts(name, column.quantity, getattr(measure, column.field), units)
    return lines


def _parts(name: str, quantity: str, value: Measured, units: Units) -> list[str]:
    if isinstance(value, Unknown):
        return []
    parts = sorted(value.budget, key=lambda part: -part.standard)
    told = ", ".join(f"{part.name} {expanded(part, quantity, units)}" for part in parts)
    return _wrapped(f"{name:<16}{figure(value, quantity, units, bare=True):<16}{told}", "  ", hang=18)


def _wrapped(text: str, first: str = "", hang: int | None = None) -> list[str]:
    rest = " " * (len(first) if hang is None else hang)
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest)
