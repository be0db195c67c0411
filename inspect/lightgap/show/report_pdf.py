"""A check or a whole build on paper: A4 or Letter, photographs included, fit to be filed with the wood.

A check fills two pages or more: what is wrong, the plan and the annotated photo; then the plot, every
value with its uncertainty, the advice and the notes. A build begins with its stack and goes on with
the last check of each ring.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO
from xml.sax.saxutils import escape

from PIL import Image as Pictures
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Frame,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from lightgap.advise import Advice
from lightgap.judge import Judged, Verdict
from lightgap.photo import Photo
from lightgap.plan import Tolerance
from lightgap.report import Report
from lightgap.show.card_pdf import PAPERS_MM, Paper
from lightgap.show.columns import JOINT_COLUMNS, SEGMENT_COLUMNS, Column, found, limit, planned, ring_values
from lightgap.show.elevation import Storey, elevation
from lightgap.show.figures import Units, figure, plain
from lightgap.show.paper_ink import FONT, STRONG, plot_drawing, sign, stack_drawing, writable
from lightgap.show.picture import draw
from lightgap.show.plot import plot
from lightgap.show.words import SIGNS, called, counted, describe_plan, headline, joined, worst_first
from lightgap.values import Unknown

_MARGIN_MM = 16.0
_FOOT_MM = 9.0
_PICTURE_QUALITY = 88
_MOST_FAULTS = 8
_TABLE_START = 40 * mm
"""Room for a table's heading and its first rows: with less than that it begins on the next page."""

_GREY, _RULE = HexColor("#555555"), Color(0, 0, 0, alpha=0.25)
_TITLE = ParagraphStyle("title", fontName=STRONG, fontSize=17, leading=21)
_HEADING = ParagraphStyle("heading", fontName=STRONG, fontSize=11.5, leading=15, spaceBefore=9, spaceAfter=3)
_BODY = ParagraphStyle("body", fontName=FONT, fontSize=9.5, leading=13)
_LEAD = ParagraphStyle("lead", parent=_BODY, fontSize=11.5, leading=15)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=8, leading=10.5, textColor=_GREY)
_CELL = ParagraphStyle("cell", fontName=FONT, fontSize=8, leading=10)
_HEAD = ParagraphStyle("head", parent=_CELL, fontName=STRONG)

_HOW_TO_READ = (
    "Every value stands with its expanded uncertainty (k = 2, about 95 %). In tolerance: value and "
    "uncertainty lie within the limit. Out of tolerance (x): both lie beyond it. Too close to call (?): the "
    "limit lies between. Joints are numbered clockwise; segment k follows joint k."
)
_LIMIT_NAMES = {
    "gap_mm": "gap",
    "taper_deg": "taper",
    "pitch_error_deg": "place",
    "skew_deg": "lean",
    "included_angle_deg": "angle between faces",
    "mitre_deg": "face",
    "outer_length_mm": "outer length",
    "radial_offset_mm": "in or out",
    "twist_deg": "twist",
    "across_flats_mm": "size",
    "out_of_round_mm": "roundness",
    "inner_offset_mm": "hole",
}

Target = Path | BinaryIO
Flowables = list[Any]


@dataclass(frozen=True)
class CheckSheet:
    """One check to be printed.

    Attributes
    ----------
    title : str
        What was checked: the build's and the ring's name.
    made : str
        When, as the reader is to see it.
    program : str
        The version that measured.
    report : Report or None
    refusal : str
        Why there is no report, and what to do.
    photo : callable or None
        Gives the photo when it is needed, so that only one is in memory at a time.
    notes : mapping
    """

    title: str
    made: str
    program: str
    report: Report | None
    refusal: str = ""
    photo: Callable[[], Photo] | None = None
    notes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class RingSheet:
    """One ring to be printed: where it stands, its last check, and one line for each check before."""

    storey: Storey
    latest: CheckSheet | None
    earlier: tuple[str, ...] = ()
    notes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class BuildSheet:
    """A build to be printed; ``spacers`` are sentences about the consistency of its gaps."""

    name: str
    rings: tuple[RingSheet, ...]
    spacers: tuple[str, ...] = ()
    notes: Mapping[str, str] = field(default_factory=dict)


def write_check_pdf(target: Target, sheet: CheckSheet, paper: Paper = "a4", units: Units = "mm") -> None:
    """Write one check."""
    document = _document(target, paper, sheet.title)
    document.build(_check(sheet, document, units))


def write_build_pdf(target: Target, sheet: BuildSheet, paper: Paper = "a4", units: Units = "mm") -> None:
    """Write a build: its stack, then the last check of each ring, the lowest first."""
    document = _document(target, paper, sheet.name)
    story = _cover(sheet, document, units)
    for ring in sheet.rings:
        if ring.latest is not None:
            story += [PageBreak(), *_check(ring.latest, document, units)]
            story += _lines("Earlier checks of this ring", ring.earlier)
    document.build(story)


def _document(target: Target, paper: Paper, title: str) -> BaseDocTemplate:
    width, height = PAPERS_MM[paper]
    margin = _MARGIN_MM * mm
    document = BaseDocTemplate(
        str(target) if isinstance(target, Path) else target,
        pagesize=(width * mm, height * mm),
        leftMargin=margin,
        rightMargin=margin,
        topMargin=margin,
        bottomMargin=margin,
        title=writable(title),
        creator="lightgap",
        lang="en",
        invariant=1,
    )
    frame = Frame(margin, margin, document.width, document.height, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=_foot))
    return document


def _foot(canvas: Any, document: BaseDocTemplate) -> None:
    canvas.setFont(FONT, 8)
    canvas.setFillColor(_GREY)
    canvas.drawString(document.leftMargin, _FOOT_MM * mm, document.title)
    right = document.pagesize[0] - document.rightMargin
    canvas.drawRightString(right, _FOOT_MM * mm, f"page {canvas.getPageNumber()}")


def _check(sheet: CheckSheet, document: BaseDocTemplate, units: Units) -> Flowables:
    verdict = Verdict.UNMEASURED if sheet.report is None else sheet.report.verdict
    story: Flowables = [
        _paragraph(sheet.title, _TITLE),
        _paragraph(f"{sheet.made}. Measured by lightgap {sheet.program}.", _SMALL),
        Spacer(1, 6),
        _verdict(verdict, _said(sheet, units), document.width),
    ]
    if sheet.report is None:
        return [*story, *_notes(sheet.notes)]
    story += [Spacer(1, 4), *_asked(sheet.report, units)]
    story += _picture(sheet, document, story, units)
    return [*story, *_values(sheet.report, document.width, units), *_notes(sheet.notes)]


def _said(sheet: CheckSheet, units: Units) -> str:
    return sheet.refusal if sheet.report is None else f"{headline(sheet.report.verdicts, units)}."


def _verdict(verdict: Verdict, said: str, width: float) -> Table:
    """Draw the verdict by shape and word, and what is wrong first."""
    table = Table(
        [[sign(verdict, 24), [_paragraph(str(verdict).capitalize(), _HEADING), _paragraph(said, _LEAD)]]],
        colWidths=[34, width - 34],
    )
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("LEFTPADDING", (0, 0), (-1, -1), 0)])
    return table


def _asked(report: Report, units: Units) -> Flowables:
    """Say what the ring should be, within which limits, and what gave the scale."""
    scale = f"{report.reference.name}, {report.measurement.mm_per_px:.3f} mm per pixel"
    width, height = report.photo_size
    return [
        _labelled("Plan", describe_plan(report.plan, units)),
        _labelled("Limits", _limits(report.plan.tolerance, report.plan.joint == "closed", units)),
        _labelled("Scale", scale),
        _labelled("Photo", f"{joined(report.joined)}, {width} × {height} pixels"),
    ]


def _limits(tolerance: Tolerance, closed: bool, units: Units) -> str:
    said = [
        f"{_LIMIT_NAMES[key]} {'up to ' if key == 'gap_mm' and closed else '±'}{plain(size, key, units)}"
        for key, size in tolerance.to_dict().items()
        if size is not None
    ]
    return ", ".join(said) or "none"


def _picture(sheet: CheckSheet, document: BaseDocTemplate, above: Flowables, units: Units) -> Flowables:
    """Return the annotated photo, as large as the rest of the page lets it be."""
    if sheet.photo is None or sheet.report is None:
        return []
    pixels = draw(sheet.photo(), sheet.report, units)
    data = io.BytesIO()
    Pictures.fromarray(pixels).save(data, "JPEG", quality=_PICTURE_QUALITY)
    used = sum(item.wrap(document.width, document.height)[1] + item.getSpaceBefore() for item in above)
    height, width = pixels.shape[:2]
    room = document.height - used - 24.0
    scale = min(document.width / width, room / height)
    return [Spacer(1, 8), Image(data, width * scale, height * scale)]


def _values(report: Report, width: float, units: Units) -> Flowables:
    measurement, verdicts = report.measurement, report.verdicts
    lengths = "mm" if units == "mm" else "inches"
    return [
        PageBreak(),
        *_faults(report, units),
        plot_drawing(plot(report, units), width),
        CondPageBreak(_TABLE_START),
        _paragraph(f"Joints (lengths in {lengths})", _HEADING),
        _table("joint", verdicts.joints, measurement.joints, JOINT_COLUMNS, width, units),
        CondPageBreak(_TABLE_START),
        _paragraph(f"Segments (lengths in {lengths})", _HEADING),
        _table("segment", verdicts.segments, measurement.segments, SEGMENT_COLUMNS, width, units),
        Spacer(1, 4),
        _paragraph(_HOW_TO_READ, _SMALL),
        KeepTogether(_ring(report, units)),
        *_advice(report.advice_in(units)),
        *_lines("About the photos" if report.photos else "About the photo", report.notes),
    ]


def _faults(report: Report, units: Units) -> Flowables:
    nouns = [(item, "joint") for item in report.verdicts.joints]
    nouns += [(item, "segment") for item in report.verdicts.segments]
    names = {id(item): noun for item, noun in nouns}
    faulty = [item for item in worst_first(item for item, _ in nouns) if item.verdict is not Verdict.IN]
    if not faulty:
        return []
    rows = [
        [sign(item.verdict, 9), _paragraph(called(item, names[id(item)], units), _BODY)]
        for item in faulty[:_MOST_FAULTS]
    ]
    table = Table(rows, colWidths=[16, None], hAlign="LEFT")
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
        ]
    )
    more = len(faulty) - _MOST_FAULTS
    rest = [_paragraph(f"and {more} more, in the tables", _SMALL)] if more > 0 else []
    return [_paragraph("Worst first", _HEADING), table, *rest, Spacer(1, 8)]


def _table(
    noun: str,
    judged: Sequence[Judged],
    measures: Sequence[Any],
    columns: tuple[Column, ...],
    width: float,
    units: Units,
) -> Table:
    """Draw every joint or segment in its order; what is not in tolerance is marked and tinted."""
    rows: list[list[Any]] = [
        ["", _paragraph(noun, _HEAD), *(_paragraph(column.heading, _HEAD) for column in columns)],
        ["", _paragraph("plan", _CELL), *(_cell(planned(judged, column, units)) for column in columns)],
        ["", _paragraph("limit", _CELL), *(_cell(limit(judged, column, units)) for column in columns)],
    ]
    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LINEBELOW", (0, 2), (-1, -1), 0.4, _RULE),
        ("TOPPADDING", (0, 0), (-1, -1), 1.2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ]
    for item, measure in zip(judged, measures, strict=True):
        cells: list[Any] = [sign(item.verdict, 8), _paragraph(str(item.number), _HEAD)]
        if item.absent:
            cells.append(_cell("missing"))
        for place, column in enumerate(() if item.absent else columns, 2):
            finding = found(item, column)
            shown = figure(
                getattr(measure, column.field), column.quantity, units, signed=column.signed, bare=True
            )
            if finding is not None and finding.verdict in (Verdict.OUT, Verdict.CLOSE):
                shown = f"{shown} {SIGNS[finding.verdict].mark}"
                tint = HexColor(SIGNS[finding.verdict].colour)
                spot = (place, len(rows))
                style.append(("BACKGROUND", spot, spot, Color(tint.red, tint.green, tint.blue, alpha=0.22)))
            cells.append(_cell(shown))
        rows.append(cells + [""] * (len(rows[0]) - len(cells)))
    numbers = (width - 14 - 44) / len(columns)
    return Table(rows, colWidths=[14, 44, *[numbers] * len(columns)], repeatRows=3, style=style)


def _ring(report: Report, units: Units) -> Flowables:
    said = []
    for name, quantity, value in ring_values(report.measurement.ring, report.plan):
        why = f" ({value.reason})" if isinstance(value, Unknown) else ""
        said.append(_labelled(name.capitalize(), f"{figure(value, quantity, units)}{why}"))
    return [_paragraph("The ring", _HEADING), *said]


def _advice(advised: Iterable[Advice]) -> Flowables:
    story: Flowables = []
    for advice in advised:
        block = [_labelled(advice.title, advice.cause), _paragraph(advice.action, _BODY)]
        if advice.caution:
            block.append(_labelled("Caution", advice.caution))
        heading = [] if story else [_paragraph("What to do", _HEADING)]
        story.append(KeepTogether([*heading, *block, Spacer(1, 4)]))
    return story


def _cover(sheet: BuildSheet, document: BaseDocTemplate, units: Units) -> Flowables:
    checked = sum(ring.latest is not None for ring in sheet.rings)
    story: Flowables = [
        _paragraph(sheet.name, _TITLE),
        _paragraph(f"{counted(len(sheet.rings), 'ring')}, {checked} of them checked.", _SMALL),
        Spacer(1, 10),
    ]
    if sheet.rings:
        drawing = elevation([ring.storey for ring in sheet.rings], units)
        story.append(stack_drawing(drawing, document.width, 0.55 * document.height))
        story += [_paragraph("The rings, the lowest first", _HEADING), *_rings(sheet.rings, units)]
    return [*story, *_lines("Spacers", sheet.spacers), *_notes(sheet.notes)]


def _rings(rings: Iterable[RingSheet], units: Units) -> Iterator[Any]:
    for ring in rings:
        storey = ring.storey
        said = [_labelled(storey.name, f"{storey.said}. {describe_plan(storey.plan, units)}.")]
        if ring.latest is not None and storey.verdict is not Verdict.IN:
            said.append(_paragraph(_said(ring.latest, units), _BODY))
        if ring.notes:
            said.append(_paragraph(_noted(ring.notes), _SMALL))
        yield KeepTogether([*said, Spacer(1, 3)])


def _notes(notes: Mapping[str, str]) -> Flowables:
    if not notes:
        return []
    return [_paragraph("Notes", _HEADING), *(_labelled(key, value) for key, value in notes.items())]


def _noted(notes: Mapping[str, str]) -> str:
    return "; ".join(f"{key}: {value}" for key, value in notes.items())


def _lines(heading: str, lines: Iterable[str]) -> Flowables:
    said = [_paragraph(f"{line[:1].upper()}{line[1:]}", _BODY) for line in lines]
    return [KeepTogether([_paragraph(heading, _HEADING), *said])] if said else []


def _labelled(label: str, text: str) -> Paragraph:
    return Paragraph(f"<b>{escape(writable(label))}:</b> {escape(writable(text))}", _BODY)


def _paragraph(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(writable(text)), style)


def _cell(text: str) -> Paragraph:
    return _paragraph(text, _CELL)
