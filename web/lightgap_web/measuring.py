"""One check from the photo's file to the files that the page shows: runs in the process of its own."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PIL import Image

from lightgap.photo import Photo, read_photo
from lightgap.report import Report
from lightgap.show.csv_table import csv_table
from lightgap.show.picture import draw
from lightgap_web.queue import CheckRequest, Progress
from lightgap_web.telling import UNITS, told

PREVIEW_PX = 4096
"""Longest side of the picture that the page shows; a 12-megapixel photo passes whole."""
THUMBNAIL_PX = 360

Check = Callable[..., Report]


def measure(
    request: CheckRequest, folder: Path, progress: Progress, check: Check | None = None
) -> dict[str, Any]:
    """Measure one photo; return its report as JSON, and the words for it.

    Writes ``preview.jpg``, ``thumbnail.jpg`` and ``photo.json`` (the upright photo's size) as soon as
    the photo is read, so that it can be seen while it is measured and when it cannot be; then
    ``report.json``, ``joints.csv`` and the annotated picture in both units.

    Parameters
    ----------
    check : callable
        The engine, by default `lightgap.check.check`.

    Raises
    ------
    LightgapError
        If the photo cannot be measured against this plan.
    """
    if check is None:
        # Loaded late: the server itself never measures.
        from lightgap import check as engine

        check = engine.check
    photo = read_photo(request.photo, request.name)
    if not (folder / "photo.json").exists():
        _write_preview(photo, folder)
    report = check(
        photo,
        request.plan,
        request.reference,
        printed_bar_mm=request.printed_bar_mm,
        by_hand=request.by_hand,
        progress=progress,
    )
    progress(0.97, "drawing the picture")
    _write_results(photo, report, folder)
    return {"report": report.to_dict(), "shown": told(report)}


def _write_preview(photo: Photo, folder: Path) -> None:
    image = Image.fromarray(photo.codes)
    for name, longest, quality in (("preview.jpg", PREVIEW_PX, 88), ("thumbnail.jpg", THUMBNAIL_PX, 80)):
        smaller = image.copy() if name == "thumbnail.jpg" or max(image.size) > longest else image
        smaller.thumbnail((longest, longest), Image.Resampling.LANCZOS)
        smaller.save(folder / name, quality=quality)
    size = {"width_px": photo.width, "height_px": photo.height}
    # Its being there says that the pictures are there too: it appears at once and last.
    half = folder / "photo.json.half"
    half.write_text(json.dumps(size))
    half.replace(folder / "photo.json")


def _write_results(photo: Photo, report: Report, folder: Path) -> None:
    (folder / "report.json").write_text(json.dumps(report.to_dict(budgets=True), indent=1))
    (folder / "joints.csv").write_text(csv_table([report]), newline="")
    for units in UNITS:
        Image.fromarray(draw(photo, report, units)).save(folder / f"picture-{units}.jpg", quality=90)
