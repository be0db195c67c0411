"""The real engine on a sample photograph, for the page's tests: each photo is measured once and remembered.

The walnut ring is a good one; `glued_badly` shows it as it was before its repair, with one joint open.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from lightgap.check import check as measure
from lightgap.hand import ByHand
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.samples import samples_folder

MEMORY = "LIGHTGAP_TEST_MEMORY"
"""The folder where what was measured is remembered; the page's measuring process inherits the name."""

OPEN_PX = 5.0
"""How wide the painted gap is at the outside: about half a millimetre."""
_FINER = 8


def check(
    photo: Photo,
    plan: Plan,
    reference: str = "auto",
    *,
    printed_bar_mm: tuple[float, float] | None = None,
    by_hand: ByHand | None = None,
    progress: Callable[[float, str], None],
) -> Report:
    """Measure as `lightgap.check.check` does, or remember what it said of the same question."""
    asked = repr((photo.sha256, plan, reference, printed_bar_mm, by_hand))
    kept = Path(os.environ[MEMORY]) / hashlib.sha256(asked.encode()).hexdigest()
    if kept.exists():
        report: Report = pickle.loads(kept.read_bytes())
        return report
    report = measure(
        photo, plan, reference, printed_bar_mm=printed_bar_mm, by_hand=by_hand, progress=progress
    )
    half = kept.with_suffix(".half")
    half.write_bytes(pickle.dumps(report))
    half.replace(kept)
    return report


def photo_of(name: str) -> bytes:
    """Return a sample photograph as it came."""
    return (samples_folder() / f"{name}.jpg").read_bytes()


def glued_badly(name: str, joint: int = 4) -> bytes:
    """Return a sample photograph, lying half a turn round, with one joint painted open at its outside.

    Parameters
    ----------
    joint : int
        Which of the truth's joints, counted from 0.
    """
    image = Image.open(io.BytesIO(photo_of(name)))
    truth = json.loads((samples_folder() / f"{name}.json").read_text())["joint_px"][joint]
    inner = np.add(truth["A_inner"], truth["B_inner"]) / 2.0
    outer = np.add(truth["A_outer"], truth["B_outer"]) / 2.0
    along = (outer - inner) / np.hypot(*(outer - inner))
    across = np.array([-along[1], along[0]]) * OPEN_PX / 2.0
    corner = np.floor(np.minimum(inner, outer)).astype(int) - 40
    size = np.ceil(np.abs(outer - inner)).astype(int) + 80
    wedge = [tuple((point - corner + 0.5) * _FINER) for point in (inner, outer + across, outer - across)]
    mask = Image.new("L", tuple(size * _FINER))
    ImageDraw.Draw(mask).polygon(wedge, fill=255)
    mask = mask.resize(tuple(size), Image.Resampling.BOX).filter(ImageFilter.GaussianBlur(0.8))
    image.paste((24, 18, 14), (int(corner[0]), int(corner[1])), mask)
    data = io.BytesIO()
    image.transpose(Image.Transpose.ROTATE_180).save(data, "JPEG", quality=95, exif=image.getexif())
    return data.getvalue()
