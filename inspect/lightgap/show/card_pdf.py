"""The printed cards as an exact-scale PDF, drawn as vectors from the dictionary's own bits."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from lightgap.errors import PlanError
from lightgap.reference.card_corners import (
    CARD_COUNT,
    CARD_MM,
    DICTIONARY,
    MARKER_MM,
    MARKERS,
    MARKERS_MM,
    SQUARE_MM,
    SQUARES,
)

Array = NDArray[np.float64]
Paper = Literal["a4", "letter"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height: ISO 216, ANSI Y14.1."""
BAR_MM = 100.0

_PER_PAGE = 2
_MARKER_CELLS = 7  # 5 bits and a black cell on each side
_LEFT_MM = 14.0
_BAR_WIDTH_MM = 2.0
_BAR_AWAY_MM = 5.0
_TEXT_LEFT_MM = 134.0
_MARGIN_MM = 12.0

_HOW = (
    "<b>Print at 100 %</b> (actual size, no fitting to the page), on matt paper. Measure both black bars "
    "with a rule, end to end: where they are not 100.0 mm, give what they measure, the lying one first: "
    "<font face='Courier'>--printed-bar 99.6 99.8</font>. Cut along the dashed lines. Lay two to four cards "
    "flat on the bench round the ring, each number once, <b>one of them a quarter turn against "
    "another</b>. Nothing may lie on them, and each must be wholly in the picture. Hold the phone over the "
    "ring's middle and take the photo; do not crop it."
)


def write_card_pdf(target: Path | BinaryIO, paper: Paper = "a4", count: int = 4) -> None:
    """Write cards 0 to count - 1, two to a page, with a 100 mm bar along each axis beside every card.

    Parameters
    ----------
    target : Path or binary file
    paper : "a4" or "letter"
    count : int
        1 to 12.

    Raises
    ------
    PlanError
        If there is no such paper or number of cards.
    """
    if paper not in PAPERS_MM:
        raise PlanError(f"'{paper}' is no paper for the cards", f"name one of {', '.join(PAPERS_MM)}")
    if not 1 <= count <= CARD_COUNT:
        raise PlanError(f"there are no {count} cards", f"ask for 1 to {CARD_COUNT}")
    width, height = PAPERS_MM[paper]
    canvas = Canvas(
        str(target) if isinstance(target, Path) else target, pagesize=(width * mm, height * mm), invariant=1
    )
    canvas.setTitle("Cards for lightgap")
    # Only a hint, which not every viewer follows: hence the bars.
    canvas.setViewerPreference("PrintScaling", "None")
    for first in range(0, count, _PER_PAGE):
        for place, number in enumerate(range(first, min(first + _PER_PAGE, count))):
            canvas.saveState()
            x, y = card_middle_mm(paper, place)
            canvas.translate(x * mm, y * mm)
            _card(canvas, number)
            _bars(canvas)
            canvas.restoreState()
        _instructions(canvas, width, height)
        canvas.showPage()
    canvas.save()


def card_middle_mm(paper: Paper, place: int) -> tuple[float, float]:
    """Where a page's card stands: its middle from the page's lower left corner; place 0 above, 1 below."""
    height = PAPERS_MM[paper][1]
    step = CARD_MM + _BAR_AWAY_MM + _BAR_WIDTH_MM + 15.0
    return _LEFT_MM + CARD_MM / 2.0, height - _MARGIN_MM - CARD_MM / 2.0 - place * step


def _card(canvas: Canvas, number: int) -> None:
    """Draw one card round the origin: all its black as one path, so that no seams show between cells."""
    black = canvas.beginPath()
    for x, y, size in _black_squares(number):
        black.rect(x * mm, y * mm, size * mm, size * mm)
    canvas.setFillGray(0.0)
    canvas.drawPath(black, stroke=0, fill=1)
    half = CARD_MM / 2.0
    canvas.setStrokeGray(0.6)
    canvas.setLineWidth(0.15 * mm)
    canvas.setDash([1.5 * mm, 1.5 * mm])
    canvas.rect(-half * mm, -half * mm, CARD_MM * mm, CARD_MM * mm, stroke=1, fill=0)
    canvas.setDash()
    canvas.setFont("Helvetica", 7)
    canvas.drawCentredString(0.0, (4.0 - half) * mm, f"card {number}   squares {SQUARE_MM:g} mm")


def _black_squares(number: int) -> list[tuple[float, float, float]]:
    """Lower left corner and size, mm, of everything black on a card: its squares and its markers' cells."""
    half = SQUARES * SQUARE_MM / 2.0
    squares = [
        (column * SQUARE_MM - half, half - (row + 1) * SQUARE_MM, SQUARE_MM)
        for row in range(SQUARES)
        for column in range(SQUARES)
        if (row + column) % 2 == 0
    ]
    cell = MARKER_MM / _MARKER_CELLS
    for index, corners in enumerate(MARKERS_MM):
        left, top = corners[0]
        bits = np.asarray(cv2.aruco.generateImageMarker(DICTIONARY, MARKERS * number + index, _MARKER_CELLS))
        rows, columns = np.nonzero(bits == 0)
        squares += [
            (float(left + column * cell), float(top - (row + 1) * cell), cell)
            for row, column in zip(rows, columns, strict=True)
        ]
    return squares


def _bars(canvas: Canvas) -> None:
    """Draw the two 100 mm bars beside a card: one below it, one to its right."""
    half, away, width = CARD_MM / 2.0, _BAR_AWAY_MM, _BAR_WIDTH_MM
    canvas.setFillGray(0.0)
    canvas.rect(-BAR_MM / 2.0 * mm, -(half + away + width) * mm, BAR_MM * mm, width * mm, stroke=0, fill=1)
    canvas.rect((half + away) * mm, -BAR_MM / 2.0 * mm, width * mm, BAR_MM * mm, stroke=0, fill=1)
    canvas.setFont("Helvetica", 7)
    text = "this bar is 100 mm (3.937 in) long: measure it"
    canvas.drawCentredString(0.0, -(half + away + width + 3.5) * mm, text)
    canvas.rotate(90)
    canvas.drawCentredString(0.0, -(half + away + width + 3.5) * mm, text)


def _instructions(canvas: Canvas, width: float, height: float) -> None:
    style = ParagraphStyle("how", fontName="Helvetica", fontSize=9, leading=12.5)
    paragraph = Paragraph(_HOW, style)
    room = (width - _MARGIN_MM - _TEXT_LEFT_MM) * mm
    _, used = paragraph.wrap(room, height * mm)
    paragraph.drawOn(canvas, _TEXT_LEFT_MM * mm, height * mm - _MARGIN_MM * mm - used)
