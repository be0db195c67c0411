"""One joint enlarged from the photo's original pixels, turned so that the ring's outside is up."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw

from lightgap.judge import Judged, Verdict
from lightgap.measure import JointMeasure
from lightgap.photo import Photo
from lightgap.show.ink import INK, PAPER, PAPER_CODES, Pixels, stroke, text_width, write
from lightgap.values import Value

FACES = ("#56B4E9", "#E8A0CB")
"""Face A and face B; told from the verdicts' colours, and from each other in any colour vision."""

_SMALL = 38
_END_AT = 0.24
_LEAST_PX = 36.0
_BARS_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True, eq=False)
class _Window:
    """A turned window on the photo: ``matrix`` (2, 3) maps the photo's pixels to the inset's."""

    matrix: NDArray[np.float64]
    scale: float

    def to_inset(self, points_px: ArrayLike) -> NDArray[np.float64]:
        points = np.asarray(points_px, dtype=float)
        return np.asarray(points @ self.matrix[:, :2].T + self.matrix[:, 2])


def inset(
    photo: Photo, joint: JointMeasure, judged: Judged, mm_per_px: float, size: tuple[int, int]
) -> Image.Image:
    """Enlarge the worst end of a joint, with its two faces as thin broken lines.

    Parameters
    ----------
    size : (int, int)
        Width and height of the inset, pixels.
    """
    window = _window(joint, judged, size)
    method = cv2.INTER_CUBIC if window.scale > 1.0 else cv2.INTER_AREA
    turned = cv2.warpAffine(photo.codes, window.matrix, size, flags=method, borderValue=PAPER_CODES)
    pixels: Pixels = np.ascontiguousarray(turned, dtype=np.uint8)
    for face, colour in zip(joint.faces_px or (), FACES, strict=False):
        stroke(pixels, window.to_inset(face), colour, 2, dash=16.0)
    image = Image.fromarray(pixels)
    brush = ImageDraw.Draw(image)
    width, height = size
    _plate(brush, (width / 2.0, 8.0 + 0.6 * _SMALL), "outside")
    _bar(brush, (22.0, height - 22.0), mm_per_px / window.scale)
    return image


def _window(joint: JointMeasure, judged: Judged, size: tuple[int, int]) -> _Window:
    inner, outer = np.asarray(joint.place_px, dtype=float)
    length = float(np.hypot(*(outer - inner)))
    outward = (outer - inner) / length
    gap = _widest_px(joint)
    place = _worst_place(judged)
    seen = max(0.26 * length, 5.0 * gap, _LEAST_PX) if place else 1.35 * length
    from_end = (0.5 - _END_AT) * seen
    centre = {
        "outside": outer - from_end * outward,
        "inside": inner + from_end * outward,
    }.get(place or "", (inner + outer) / 2.0)
    scale = size[1] / seen
    right = np.array([-outward[1], outward[0]])
    turn = scale * np.stack([right, -outward])
    middle = (np.array(size, dtype=float) - 1.0) / 2.0
    return _Window(np.column_stack([turn, middle - turn @ centre]), scale)


def _worst_place(judged: Judged) -> str | None:
    """Return the station to look at, or None for the whole joint."""
    gaps = [
        item for item in judged.findings if item.quantity == "gap_mm" and isinstance(item.measured, Value)
    ]
    if judged.verdict is Verdict.UNMEASURED or not gaps:
        return None
    return max(gaps, key=lambda item: item.severity).place


def _widest_px(joint: JointMeasure) -> float:
    if joint.faces_px is None:
        return 0.0
    apart = np.subtract(joint.faces_px[1], joint.faces_px[0])
    return float(np.max(np.hypot(apart[:, 0], apart[:, 1])))


def _plate(brush: ImageDraw.ImageDraw, place: tuple[float, float], text: str) -> None:
    x, y = place
    half = text_width(text, _SMALL) / 2.0 + 14.0
    brush.rounded_rectangle((x - half, y - 0.62 * _SMALL, x + half, y + 0.62 * _SMALL), 10, PAPER)
    write(brush, place, text, _SMALL)


def _bar(brush: ImageDraw.ImageDraw, place: tuple[float, float], mm_per_px: float) -> None:
    """Draw a scale bar of a round length, about a fifth of the inset long."""
    length = min(_BARS_MM, key=lambda bar: abs(bar / mm_per_px - 120.0))
    x, y = place
    long = length / mm_per_px
    text = f"{length:g} mm"
    wide = max(long, text_width(text, _SMALL)) + 24.0
    brush.rounded_rectangle((x - 12.0, y - 1.45 * _SMALL, x - 12.0 + wide, y + 12.0), 10, PAPER)
    brush.rectangle((x, y - 6.0, x + long, y), INK)
    write(brush, (x + text_width(text, _SMALL) / 2.0, y - 0.8 * _SMALL), text, _SMALL)
