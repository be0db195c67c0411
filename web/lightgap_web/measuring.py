"""One check from the photo's file to the files that the page shows: runs in the process of its own."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PIL import Image

from lightgap.asked import Asked
from lightgap.photo import Photo, read_photo
from lightgap.report import Report
from lightgap.show.csv_table import csv_table
from lightgap.show.picture import draw
from lightgap_web.queue import CheckRequest, Progress
from lightgap_web.telling import UNITS, told

PREVIEW_PX = 4096
"""Longest side of the picture that the page shows; a 12-megapixel photo passes whole."""
THUMBNAIL_PX = 360
PRINT = "ring-print.npz"

Check = Callable[..., Report]


def measure(
    request: CheckRequest, folder: Path, progress: Progress, check: Check | None = None
) -> dict[str, Any]:
    """Measure one photo, or several of one ring together; return the report as JSON, and the words for it.

    Writes ``preview-0.jpg``, ``thumbnail-0.jpg`` and ``photo-0.json`` (the upright photo's size) as soon as
    the first photo is read, so that it can be seen while it is measured and when it cannot be, and so for
    each of the others; then ``report.json``, ``joints.csv``, the ring's print and the annotated picture in
    both units.

    Parameters
    ----------
    check : callable
        The engine, by default `lightgap.check.check`.

    Raises
    ------
    LightgapError
        If nothing can be measured against this plan.
    """
    # Loaded late: the server itself never measures.
    from lightgap.shots import take_all

    last: Photo | None = None

    def seen(place: int, photo: Photo) -> None:
        nonlocal last
        # One photo is kept for the drawing; several may be too large together.
        last = photo if len(request.photos) == 1 else None
        if not (folder / f"photo-{place}.json").exists():
            _write_preview(photo, folder, place)

    asked = Asked(request.plan, request.reference, request.printed_bar_mm)
    shot = take_all(request.photos, asked, progress, check, seen)
    progress(0.97, "drawing the picture")
    base = request.photos[shot.report.base]
    _write_results(last or read_photo(base.data, base.name), shot.report, folder)
    (folder / PRINT).write_bytes(shot.ring_print.to_bytes())
    return {"report": shot.report.to_dict(), "shown": told(shot.report)}


def _write_preview(photo: Photo, folder: Path, place: int) -> None:
    image = Image.fromarray(photo.codes)
    for name, longest, quality in (("preview", PREVIEW_PX, 88), ("thumbnail", THUMBNAIL_PX, 80)):
        smaller = image.copy() if name == "thumbnail" or max(image.size) > longest else image
        smaller.thumbnail((longest, longest), Image.Resampling.LANCZOS)
        smaller.save(folder / f"{name}-{place}.jpg", quality=quality)
    size = {"width_px": photo.width, "height_px": photo.height}
    # Its being there says that the pictures are there too: it appears at once and last.
    half = folder / f"photo-{place}.half"
    half.write_text(json.dumps(size))
    half.replace(folder / f"photo-{place}.json")


def _write_results(photo: Photo, report: Report, folder: Path) -> None:
    (folder / "report.json").write_text(json.dumps(report.to_dict(budgets=True), indent=1))
    (folder / "joints.csv").write_text(csv_table([report]), newline="")
    for units in UNITS:
        Image.fromarray(draw(photo, report, units)).save(folder / f"picture-{units}.jpg", quality=90)
