"""What a person is told when the ring in the photo is not the plan's ring, whole and in view."""

from __future__ import annotations

import numpy as np

from lightgap.errors import RingError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.place import Outline

_SIZE_TOLERANCE = 0.03
_SURE_SCORE = 2.7
_MOST_LOST = 0.52


def cut_off(photo: Photo, plan: Plan, outline: Outline) -> RingError | None:
    """Return the error of a ring that the photo's frame cuts off, saying where and how much."""
    angle = np.radians(np.arange(0.0, 360.0, 0.5))
    stretch = np.ones_like(angle)
    if plan.outline == "polygon":
        half = np.radians(plan.mitre_deg)
        stretch = 1.0 / np.cos((angle - np.radians(outline.phase_deg) + half) % (2 * half) - half)
    edge = (outline.outer_mm * stretch * np.stack([np.cos(angle), np.sin(angle)])).T
    x, y = outline.camera.project_plane(edge, plan.thickness_mm).T
    beyond = {
        "left": x < 0.0,
        "right": x > photo.width - 1.0,
        "top": y < 0.0,
        "bottom": y > photo.height - 1.0,
    }
    lost = float(np.mean(np.any(list(beyond.values()), axis=0)))
    # A cut ring's evidence is that of the sides in view.
    if lost == 0.0 or lost > _MOST_LOST or outline.score / (1.0 - lost) < _SURE_SCORE:
        return None
    sides = " and ".join(side for side, out in beyond.items() if np.any(out))
    return RingError(
        f"The ring is cut off at the {sides} of the photo: about {max(1, round(100 * lost))} % of its outer "
        "edge is not in the picture.",
        "Take the photo again with the whole ring in view and some bench all round it.",
    )


def is_plan_size(plan: Plan, outline: Outline) -> bool:
    """Whether the ring found is of the plan's size, within 3 %."""
    return abs(outline.outer_mm / plan.outer_mm - 1.0) <= _SIZE_TOLERANCE


def wrong_segments(entered: int, seen: int) -> RingError:
    """Return the error of a wrong number of segments."""
    return RingError(
        f"The ring looks like {seen} segments, but {entered} were entered.",
        "Count the segments and correct the plan.",
    )


def wrong_size(plan: Plan, size_mm: float) -> RingError:
    """Return the error of a ring of another size than the plan's."""
    what = "across flats" if plan.outline == "polygon" else "in diameter"
    return RingError(
        f"The ring in the photo measures about {size_mm:.0f} mm {what}, but the plan says "
        f"{plan.across_flats_mm:g} mm.",
        "Measure the ring and correct the plan, or check that the reference is of the size that was given.",
    )


def no_ring(plan: Plan) -> RingError:
    """Return the error of a photo in which nothing looks like the plan's ring."""
    shape = f"{plan.segments} segments" if plan.outline == "polygon" else "a round outline"
    return RingError(
        f"No ring of this plan ({shape}, {plan.across_flats_mm:g} mm, {plan.width_mm:g} mm wide) was seen in "
        "the photo.",
        "Compare the plan with the ring; lay it on a bench of another colour, whole in view, in even light.",
    )
