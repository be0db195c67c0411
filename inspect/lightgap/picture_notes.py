"""What is poor about a picture for this job, and what to do about it: sentences for the person."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.errors import PhotoError
from lightgap.faces.blur import CARDS, Response
from lightgap.measure import Measurement
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.outline import Outline
from lightgap.values import Value

Array = NDArray[np.float64]

_PX_PER_TOLERANCE = 1.0
"""Pixels that the gap's limit should span at the least to be judged."""
_BLURRED_PX, _MOVED_PX, _MOVED_SHARE = 1.8, 0.9, 0.6
_MOST_BLURRED_PX, _MOST_MOVED_PX = 2.8, 1.5
"""Of photographs blurred by more, afterwards, a fifth of the open gaps lay outside of what was stated; in
those moved by more, single closed joints passed for tight."""
_OFF_CENTRE_SHARE = 0.25
"""Camera's foot off the centre, as a share of its height, from which a slot's wall is in the way."""
_GLARE_CODE, _GLARE_SHARE = 252, 0.03
_DARK_CODE, _DARK_SHARE = 12, 0.25
_SAMPLES = 4000
_WIDE_MM, _FEWEST_GAPS = 0.08, 4
"""Sharp edges and careful spacers make less."""


def check_blur(response: Response) -> None:
    """Raise if the cards show that the photo is too blurred to be measured.

    A ring's own edges refuse no photo: they may look soft because they are rounded, and softer on the side
    where a lamp lights the wall below them.

    Raises
    ------
    PhotoError
    """
    if response.source != CARDS:
        return
    if response.middle_px > _MOST_BLURRED_PX:
        raise PhotoError(
            f"This photo is too blurred to be measured ({response.middle_px:.1f} pixels).",
            "Wipe the lens, tap the ring to focus, use more light, and take the photo again; at over 12 "
            "megapixels choose the camera's usual size.",
        )
    if response.moved_px > _MOST_MOVED_PX:
        raise PhotoError(
            "The phone moved while this photo was taken: everything in it is smeared in one direction.",
            "Rest the phone on something, or use its timer and more light, and take the photo again.",
        )


def picture_notes(photo: Photo, outline: Outline, response: Response, plan: Plan) -> tuple[str, ...]:
    """Return a sentence for each thing that makes the values of this photo less sure than they could be.

    Too far away (mm per pixel against what the gap's limit needs), moved or blurred, camera off the
    centre (how much of a slot's wall it shows), glare, dark wood.
    """
    notes = []
    camera, height = outline.camera, plan.thickness_mm
    px_per_mm = camera.px_per_mm([0.0, 0.0], height)
    limit = plan.tolerance.gap_mm
    if limit is not None and limit * px_per_mm < _PX_PER_TOLERANCE:
        notes.append(
            f"the photo was taken from far: {1.0 / px_per_mm:.2f} mm per pixel, where the gap's limit of "
            f"{limit:g} mm needs {limit / _PX_PER_TOLERANCE:.2f} or finer; go nearer, so that the ring "
            "and its reference just fill the picture"
        )
    centre_px = camera.project_plane([0.0, 0.0], height)
    blur = response.blur_at(centre_px)
    if response.moved_px > max(_MOVED_PX, _MOVED_SHARE * blur):
        notes.append(
            f"the phone moved while the photo was taken, which blurs it by {response.moved_px:.1f} pixels in "
            "one direction; rest the phone on something, and use more light"
        )
    elif blur > _BLURRED_PX:
        notes.append(
            f"the photo is blurred ({blur:.1f} pixels); tap the ring to focus, rest the phone on something, "
            "and use more light"
        )
    foot = float(np.hypot(*camera.foot_mm[:2]))
    above = float(camera.foot_mm[2]) - height
    if foot > _OFF_CENTRE_SHARE * above:
        wall = foot / above * height
        notes.append(
            f"the camera stood {foot:.0f} mm off the ring's centre and sees up to {wall:.0f} mm of wall in "
            "a slot that faces it; hold it straight over the centre"
        )
    bright = _top_face(photo, outline, plan).max(axis=1)
    if np.mean(bright >= _GLARE_CODE) > _GLARE_SHARE:
        notes.append("parts of the wood are blown out by glare; turn the lamp away or use softer light")
    if np.mean(bright <= _DARK_CODE) > _DARK_SHARE:
        notes.append("much of the wood is nearly black in the photo; use more light")
    return tuple(notes)


def _top_face(photo: Photo, outline: Outline, plan: Plan) -> NDArray[np.uint8]:
    """Codes at places spread over the ring's top face, shape (n, 3)."""
    turn = np.arange(_SAMPLES) * np.pi * (3.0 - np.sqrt(5.0))
    share = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
    radius = np.sqrt(outline.inner_mm**2 + share * (outline.outer_mm**2 - outline.inner_mm**2))
    points = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
    columns, rows = np.round(outline.camera.project_plane(points, plan.thickness_mm)).astype(int).T
    inside = (columns >= 0) & (rows >= 0) & (columns < photo.width) & (rows < photo.height)
    return np.asarray(photo.codes[rows[inside], columns[inside]])


def wide_gaps_note(measurement: Measurement, plan: Plan) -> tuple[str, ...]:
    """Return a sentence if all open gaps together are wider than planned: what it can be, and how to tell."""
    gaps = [
        joint.gap_middle_mm.value
        for joint in measurement.joints
        if joint.kind == "open" and isinstance(joint.gap_middle_mm, Value)
    ]
    over = float(np.median(gaps)) - plan.gap_mm if gaps else 0.0
    if plan.joint == "closed" or len(gaps) < _FEWEST_GAPS or over < _WIDE_MM:
        return ()
    return (
        f"the gaps look {over:.2f} mm wider than planned on the whole: thicker spacers make them so, and "
        "rounded edges look so, which a photo cannot tell apart; measure a spacer and put its thickness in "
        "the plan, and the values are surer",
    )
