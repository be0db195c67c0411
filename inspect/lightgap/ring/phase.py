"""Where the comb of joints stands, and whether it is a comb of the plan's N at all."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.errors import RingError
from lightgap.plan import Plan
from lightgap.ring.plane import Array
from lightgap.ring.refusal import wrong_segments
from lightgap.ring.unroll import Unrolled

_PEAK_MM = 1.2
_TOLERANCE_MM = 2.0
_FEWEST, _MOST = 5, 72
_CLEAR = 0.3
"""Mean clearness of the teeth of another N below which it is not named: right ones have 0.6 and more."""
_BETTER = 0.05
_ONE_CLASS = 0.55
"""Joints over noise: the lower peaks have less than half of the higher ones. More: there is no noise to split
off, as with clear gaps in plain wood."""
_LEAST_FIT, _SURE_FIT = 0.5, 0.8
"""Right combs fit by 0.63 and more, combs of a near but wrong N by 0.4 at most, or 0.65 at 48 teeth."""
_CLEARLY_BETTER = 0.12
"""The right comb fits better than its neighbours by 0.25 and more, a wrong one by 0.02 at most."""


def find_phase(unrolled: Unrolled, plan: Plan) -> float:
    """Return the direction of one joint, radians clockwise from 12 o'clock."""
    heights = peaks(unrolled, plan)
    ceiling = np.sort(heights)[-plan.segments]
    reached = reach(np.minimum(heights, ceiling), unrolled.step_mm, tolerance_mm(plan))
    columns = len(reached)
    starts = np.arange(int(np.ceil(columns / plan.segments)))
    teeth = np.rint(starts[:, None] + np.arange(plan.segments) * (columns / plan.segments)).astype(int)
    best = int(np.argmax(reached[teeth % columns].sum(axis=1)))
    return float(2 * np.pi * starts[best] / columns)


def check_segments(unrolled: Unrolled, plan: Plan, first: float, rough: bool = False) -> None:
    """Raise if the joints do not make a comb of the plan's N; with ``rough`` leave it open in doubt.

    Raises
    ------
    RingError
        It names the number of segments that the joints make, where they tell.
    """
    count, clear = likely_segments(unrolled, plan)
    if count == plan.segments and clear > _CLEAR:
        return
    fit = comb_fit(unrolled, plan, first)
    other = replace(plan, segments=count)
    other_fit = comb_fit(unrolled, other, find_phase(unrolled, other))
    if count != plan.segments and clear > _CLEAR and other_fit > fit + _BETTER:
        raise wrong_segments(plan.segments, count)
    if fit < _LEAST_FIT or not (rough or fit >= _SURE_FIT or _beats_neighbours(unrolled, plan, fit)):
        raise RingError(
            f"The joints seen do not stand at {plan.segments} even places round the ring.",
            "Count the segments again; if the number is right, take the photo nearer or in better light.",
        )


def _beats_neighbours(unrolled: Unrolled, plan: Plan, fit: float) -> bool:
    """Whether the comb fits clearly better than those of a near N: many teeth meet something by chance."""
    counts = (plan.segments + more for more in (-2, -1, 1, 2))
    others = (replace(plan, segments=count) for count in counts if count >= 3)
    fits = (comb_fit(unrolled, other, find_phase(unrolled, other)) for other in others)
    return fit > max(fits) + _CLEARLY_BETTER


def peaks(unrolled: Unrolled, plan: Plan) -> Array:
    """Keep the evidence where it is a local maximum, 0 elsewhere; shape (columns,)."""
    half_mm = _PEAK_MM if plan.joint == "closed" else plan.gap_mm + _PEAK_MM
    half_mm = min(half_mm, 0.4 * len(unrolled.evidence) * unrolled.step_mm / plan.segments)
    half = max(1, round(half_mm / unrolled.step_mm))
    evidence = unrolled.evidence
    around = np.max([np.roll(evidence, shift) for shift in range(-half, half + 1)], axis=0)
    return np.where(evidence >= around, np.maximum(evidence, 0.0), 0.0)


def tolerance_mm(plan: Plan) -> float:
    """Return how far from its even place a joint may peak; a gap may peak at either wall."""
    return _TOLERANCE_MM + 0.3 * plan.gap_mm


def reach(heights: Array, step_mm: float, tolerance_mm: float) -> Array:
    """Return for every column the best peak near it, less the farther away it is."""
    half = int(tolerance_mm / step_mm)
    shifts = np.arange(-half, half + 1)
    weight = 1.0 - (shifts * step_mm / tolerance_mm) ** 2
    near = [w * np.roll(heights, -s) for s, w in zip(shifts, weight, strict=True)]
    return np.asarray(np.max(near, axis=0))


def comb_fit(unrolled: Unrolled, plan: Plan, first: float) -> float:
    """Return how well the joints make a comb of the plan's N: the F-measure of two shares, 0 to 1.

    One share is how much of the evidence (squared) stands on the comb, the other how many teeth have any.
    """
    heights = peaks(unrolled, plan)
    near = _near_teeth(unrolled, plan, first)
    usual = float(np.median(np.sort(heights)[-plan.segments :]))
    clear = np.minimum(heights, 1.5 * usual)
    on_comb = np.zeros(len(heights), dtype=bool)
    on_comb[near] = True
    share = float(np.sum(clear[on_comb] ** 2) / max(np.sum(clear**2), 1e-9))
    filled = float(np.mean(heights[near].max(axis=1) > 0.4 * usual))
    return 2 * share * filled / max(share + filled, 1e-9)


def evenness(unrolled: Unrolled, plan: Plan, first: float) -> float:
    """Return how high every second tooth of a comb is, over the others: the lower over the higher median.

    Where N joints are, every second tooth of 2N stands on plain wood: at most 0.30 on 90 drawn rings, against
    0.60 and more for the right N.
    """
    heights = peaks(unrolled, plan)[_near_teeth(unrolled, plan, first)].max(axis=1)
    low, high = sorted(float(np.median(heights[start::2])) for start in (0, 1))
    return low / max(high, 1e-9)


def _near_teeth(unrolled: Unrolled, plan: Plan, first: float) -> NDArray[np.intp]:
    """Return the columns near every tooth, shape (N, near)."""
    columns = len(unrolled.evidence)
    teeth = np.rint((first / (2 * np.pi) + np.arange(plan.segments) / plan.segments) * columns).astype(
        np.intp
    )
    half = int(tolerance_mm(plan) / unrolled.step_mm)
    return np.asarray((teeth[:, None] + np.arange(-half, half + 1)) % columns)


def likely_segments(unrolled: Unrolled, plan: Plan) -> tuple[int, float]:
    """Return the N whose comb the joints fit best, and its sum over N (1 when each tooth is clear)."""
    heights = peaks(unrolled, plan)
    strong = heights[heights > 0]
    if not strong.size:
        return plan.segments, 0.0
    codes = np.round(strong * (255.0 / strong.max())).astype(np.uint8)
    split, _ = cv2.threshold(codes, 0, 255, cv2.THRESH_OTSU)
    threshold = (split + 0.5) * strong.max() / 255.0
    low, high = strong[strong <= threshold], strong[strong > threshold]
    if low.size and low.mean() > _ONE_CLASS * high.mean():
        threshold = 0.5 * float(np.median(strong))
    graded = np.minimum(heights, 2 * threshold) / threshold
    reached = reach(graded, unrolled.step_mm, tolerance_mm(plan)) - 1.0
    columns = len(reached)
    best = (0, -np.inf)
    for count in sorted({*range(_FEWEST, _MOST + 1), plan.segments}):
        starts = np.arange(int(np.ceil(columns / count)))
        teeth = np.rint(starts[:, None] + np.arange(count) * (columns / count)).astype(int) % columns
        total = float(reached[teeth].sum(axis=1).max())
        if total > best[1]:
            best = (count, total)
    return best[0], best[1] / best[0]
