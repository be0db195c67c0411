"""A drawn photo and an engine that 'measures' it: for the page's tests, which are not about measuring.

The photo shows the ring of `made_ring`; the engine returns that ring's report, with the faults that the
photo's name asks for. Its functions can be imported by the page's measuring process.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from PIL import Image, ImageDraw

import made_ring
from lightgap.errors import PhotoError, RingError
from lightgap.hand import ByHand
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report, make_report

PLAN = {
    "segments": 12,
    "joint": "closed",
    "across_flats_mm": 220.0,
    "width_mm": 38.0,
    "thickness_mm": 20.0,
    "tolerance": {"gap_mm": 0.15, "taper_deg": 0.3, "mitre_deg": 0.2},
}


def photo_bytes(kind: str = "JPEG") -> bytes:
    """The ring from straight above on grey cloth, its joints as thin dark lines."""
    image = Image.new("RGB", made_ring.PHOTO_SIZE, (120, 122, 118))
    brush = ImageDraw.Draw(image)
    plan = made_ring.make_plan()
    joints = [made_ring.make_joint(plan, number) for number in range(1, plan.segments + 1)]
    brush.polygon([joint.place_px[1] for joint in joints], fill=(196, 160, 106))
    brush.polygon([joint.place_px[0] for joint in joints], fill=(120, 122, 118))
    for joint in joints:
        brush.line(joint.place_px, fill=(70, 50, 30), width=2)
    data = io.BytesIO()
    image.save(data, kind)
    return data.getvalue()


def check(
    photo: Photo,
    plan: Plan,
    reference: str = "auto",
    *,
    printed_bar_mm: tuple[float, float] | None = None,
    by_hand: ByHand | None = None,
    progress: Callable[[float, str], None],
) -> Report:
    """Report segment 7's end face off and joint 8 open; other faults by the photo's name."""
    del reference  # The drawing has no scale to look for.
    name = photo.name
    if "slow" in name:
        for share in range(1, 10):
            progress(share / 10, f"step {share}")
            time.sleep(0.15)
    if "endless" in name:
        time.sleep(60)
    if "fault" in name:
        raise ZeroDivisionError("a fault in the engine")
    if "empty" in name and not (by_hand and by_hand.outline_px):
        raise RingError("No ring was found in this photo.", "Let the whole ring fill most of the picture.")
    if "smeared" in name:
        raise PhotoError("The phone moved.", "Rest it on something, and take the photo again.")
    hand = by_hand or ByHand()
    joints: dict[int, dict[str, Any]] = {8: {"gap": (0.02, 0.19, 0.36)}, 3: {"gap": (0.13, 0.13, 0.13)}}
    for number in hand.struck:
        joints[number] = {"found": False, "faces_px": None, "reason": "struck out by hand"}
    for number, both in hand.faces.items():
        lines = tuple((face.inner_px, face.outer_px) for face in both)
        joints[number] = {**joints.get(number, {}), "faces_px": lines, "by_hand": True}
    segments = {} if "good" in name else {7: {"end": -0.52}}
    measurement = made_ring.make_measurement(plan, {} if "good" in name else joints, segments)
    made = made_ring.make_reference()
    notes = (f"printed bars {printed_bar_mm}",) if printed_bar_mm else ()
    found = replace(made, notes=notes)
    return make_report(name, (photo.width, photo.height), plan, found, measurement, 0.1)
