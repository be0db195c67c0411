"""A line of one level of its own between two woods, sought in the mean light across a joint.

A fit follows what it is started on: where glue fills a joint, the edge between glue and wood can be
taken for a thin joint between two woods. So every place and width that a filling could have is tried
on the joint's mean profile, and told from a slot of any width, and from the soft lines of grain that
runs along a joint.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.levels import blurred_step
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_REACH_PX, _BIN_PX = 14.0, 0.5
_PLACES = np.arange(-_REACH_PX, _REACH_PX, _BIN_PX) + 0.5 * _BIN_PX
_SHIFTS_PX = np.arange(-6.5, 6.51, 0.5)
_GAPS_PX = np.arange(1.5, 11.01, 0.5)
_SLOT_GAPS_PX = np.concatenate([np.arange(0.0, 4.0, 0.25), np.arange(4.0, 11.01, 0.5)])
_SOFT_PX = np.array([1.0, 1.5, 2.0, 3.0, 4.0])
_BLUR_STEP_PX, _SHARE_STEP = 0.05, 0.02
_LEAST_CONTRAST, _LEAST_WOOD = 0.1, 0.2
_TINY = 1e-9


@dataclass(frozen=True)
class Line:
    """The line of one level that explains a joint's mean profile best.

    Attributes
    ----------
    shift_px, gap_px : float
        Its middle, from the line that was sought about, and its width.
    level, woods : float, (float, float)
        Linear light of the line and of the woods beside it, sides A and B.
    over_slot, over_soft : float
        What the best slot, and the best soft line, leave unexplained over what this line leaves.
    """

    shift_px: float
    gap_px: float
    level: float
    woods: tuple[float, float]
    over_slot: float
    over_soft: float


def seek_line(
    strip: Strip, about: tuple[float, float], u_range: tuple[float, float], blur_px: float, slot_share: float
) -> Line | None:
    """Seek a line about v = offset + slope * u; None if no level differs from both woods.

    Parameters
    ----------
    slot_share : float
        Light of a slot as a share of the wood's.
    """
    profile = _profile(strip, about, u_range)
    if profile is None:
        return None
    blur = round(max(blur_px, _BLUR_STEP_PX) / _BLUR_STEP_PX) * _BLUR_STEP_PX
    share = round(slot_share / _SHARE_STEP) * _SHARE_STEP
    lines = _models("line", blur, 0.0)
    rest, known = lines.rest(profile)
    levels = np.einsum("gij,gj->gi", lines.inverses, known)[:, :3]
    woods = np.maximum(levels[:, [0, 2]], _TINY)
    is_own = np.min(np.abs(levels[:, 1, None] / woods - 1.0), axis=1) > _LEAST_CONTRAST
    is_own &= (levels[:, 1] > 0.0) & (np.min(woods, axis=1) > _LEAST_WOOD * np.median(profile))
    if not np.any(is_own):
        return None
    best = int(np.argmin(np.where(is_own, rest, np.inf)))
    slot, soft = (float(np.min(_models(kind, blur, share).rest(profile)[0])) for kind in ("slot", "soft"))
    left = max(float(rest[best]), _TINY)
    return Line(
        shift_px=float(lines.shifts[best]),
        gap_px=float(lines.gaps[best]),
        level=float(levels[best, 1]),
        woods=(float(levels[best, 0]), float(levels[best, 2])),
        over_slot=slot / left,
        over_soft=soft / left,
    )


def _profile(strip: Strip, about: tuple[float, float], u_range: tuple[float, float]) -> Array | None:
    """Mean light along the joint at each of the places."""
    distance = (strip.v - about[0] - about[1] * strip.u) * strip.scale
    keep = (strip.u > u_range[0]) & (strip.u < u_range[1]) & (np.abs(distance) < _REACH_PX)
    bins = np.floor((distance[keep] + _REACH_PX) / _BIN_PX).astype(np.intp)
    count = np.bincount(bins, minlength=_PLACES.size)
    known = count > 0
    if np.mean(known) < 0.5:
        return None
    total = np.bincount(bins, strip.luma[keep], minlength=_PLACES.size)
    return np.interp(_PLACES, _PLACES[known], total[known] / count[known])


@dataclass(frozen=True, eq=False)
class _Models:
    """Models of every width and place: transposed orthonormal bases, inverse triangles."""

    gaps: Array
    shifts: Array
    bases: Array
    inverses: Array

    def rest(self, profile: Array) -> tuple[Array, Array]:
        """Sum of squares that each model leaves, and the profile's part along each base."""
        known = self.bases @ profile
        return np.maximum(profile @ profile - np.sum(known**2, axis=-1), _TINY), known


@lru_cache(maxsize=24)
def _models(kind: Literal["line", "slot", "soft"], blur_px: float, slot_share: float) -> _Models:
    widths_px = {"line": _GAPS_PX, "slot": _SLOT_GAPS_PX, "soft": _SOFT_PX}[kind]
    gaps, shifts = (axis.ravel() for axis in np.meshgrid(widths_px, _SHIFTS_PX, indexing="ij"))
    place = _PLACES[None, :] - shifts[:, None]
    slopes = [np.minimum(place, 0.0), np.maximum(place, 0.0)]
    if kind == "soft":
        step, bell = blurred_step(place, gaps[:, None])
        columns = [1.0 - step, bell, step, *slopes]
    else:
        half = 0.5 * gaps[:, None]
        face_a, face_b = blurred_step(place + half, blur_px)[0], blurred_step(place - half, blur_px)[0]
        between = face_a - face_b
        dark = 0.5 * slot_share * between
        columns = (
            [1.0 - face_a, between, face_b, *slopes]
            if kind == "line"
            else [1.0 - face_a + dark, face_b + dark, *slopes]
        )
    bases, triangles = np.linalg.qr(np.stack(columns, axis=-1))
    return _Models(gaps, shifts, np.swapaxes(bases, 1, 2), np.linalg.inv(triangles))
