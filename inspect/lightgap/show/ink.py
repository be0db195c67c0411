"""What the pictures are drawn with: one font, smooth lines, and the verdicts' signs."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import ImageColor, ImageDraw, ImageFont

from lightgap.judge import Verdict
from lightgap.show.words import SIGNS

Pixels = NDArray[np.uint8]
Box = tuple[float, float, float, float]

PAPER, INK = "#16181B", "#F6F4EF"
PAPER_CODES = (22, 24, 27)

_SUBPIXEL_BITS = 4
_TIED = "\u00a0±\u00a0"


@cache
def font(size: int) -> ImageFont.FreeTypeFont:
    """Return the font that Pillow always carries."""
    found = ImageFont.load_default(size)
    assert isinstance(found, ImageFont.FreeTypeFont)
    return found


def text_width(text: str, size: int) -> float:
    return float(font(size).getlength(text))


def wrap(text: str, size: int, width: float) -> list[str]:
    """Break a text into lines of at most ``width`` pixels, but never a figure from its uncertainty."""
    lines: list[str] = []
    for word in text.replace(" ± ", _TIED).split(" "):
        if lines and text_width(f"{lines[-1]} {word}", size) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return [line.replace(_TIED, " ± ") for line in lines]


def line_height(size: int) -> int:
    return round(1.28 * size)


def write(
    brush: ImageDraw.ImageDraw, place: tuple[float, float], text: str, size: int, colour: str = INK
) -> None:
    """Write one line of text centred on ``place``."""
    brush.text(place, text, fill=colour, font=font(size), anchor="mm")


def stroke(
    pixels: Pixels, line: ArrayLike, colour: str, width: int, *, dash: float = 0.0, casing: int = 0
) -> None:
    """Draw a smooth straight line in place.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
    line : array_like, shape (2, 2)
        Both ends (x, y), pixel centres at whole numbers.
    dash : float
        Length of a dash and of the space after it, pixels; 0 for an unbroken line.
    casing : int
        Width of a dark rim on either side, which keeps a line visible on any wood.
    """
    ends = np.asarray(line, dtype=float)
    for start, end in _dashes(ends, dash):
        for paint, wide in ((PAPER, width + 2 * casing), (colour, width))[0 if casing else 1 :]:
            cv2.line(
                pixels,
                _fixed(start),
                _fixed(end),
                ImageColor.getrgb(paint)[:3],
                wide,
                cv2.LINE_AA,
                _SUBPIXEL_BITS,
            )


def _dashes(ends: NDArray[np.float64], dash: float) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    length = float(np.hypot(*(ends[1] - ends[0])))
    if dash <= 0.0 or length <= dash:
        return [(ends[0], ends[1])]
    along = (ends[1] - ends[0]) / length
    starts = np.arange(0.0, length, 2.0 * dash)
    return [(ends[0] + along * s, ends[0] + along * min(s + dash, length)) for s in starts]


def _fixed(point: NDArray[np.float64]) -> tuple[int, int]:
    x, y = np.rint(point * (1 << _SUBPIXEL_BITS)).astype(int)
    return int(x), int(y)


def sign(brush: ImageDraw.ImageDraw, place: tuple[float, float], size: float, verdict: Verdict) -> None:
    """Draw a verdict's shape with its mark inside, ``size`` pixels across, centred on ``place``."""
    look = SIGNS[verdict]
    x, y = place
    half = size / 2.0
    rim = max(2, round(size / 14.0))
    if look.shape == "circle":
        brush.ellipse((x - half, y - half, x + half, y + half), look.colour, INK, rim)
    else:
        corners = {
            "square": ((-0.92, -0.92), (0.92, -0.92), (0.92, 0.92), (-0.92, 0.92)),
            "triangle": ((0.0, -1.05), (1.12, 0.92), (-1.12, 0.92)),
            "diamond": ((0.0, -1.15), (1.15, 0.0), (0.0, 1.15), (-1.15, 0.0)),
        }[look.shape]
        brush.polygon([(x + half * dx, y + half * dy) for dx, dy in corners], look.colour, INK, rim)
    _mark(brush, (x, y), half, verdict)


def _mark(brush: ImageDraw.ImageDraw, place: tuple[float, float], half: float, verdict: Verdict) -> None:
    """Draw a tick, a cross, a question mark or a dash."""
    strokes: dict[Verdict, Sequence[Sequence[tuple[float, float]]]] = {
        Verdict.IN: (((-0.42, 0.05), (-0.12, 0.36), (0.42, -0.34)),),
        Verdict.OUT: (((-0.42, -0.42), (0.42, 0.42)), ((0.42, -0.42), (-0.42, 0.42))),
        Verdict.UNMEASURED: (((-0.45, 0.0), (0.45, 0.0)),),
        Verdict.CLOSE: (),
    }
    x, y = place
    colour = INK if verdict in (Verdict.IN, Verdict.OUT) else PAPER
    for points in strokes[verdict]:
        brush.line([(x + half * dx, y + half * dy) for dx, dy in points], colour, max(2, round(half / 3.6)))
    if verdict is Verdict.CLOSE:
        brush.text((x, y + 0.22 * half), "?", fill=colour, font=font(max(8, round(1.25 * half))), anchor="mm")
