"""An edge between wood and resin, sought in tint instead of brightness.

Resin can be as bright as the wood, glossy in parts, darker along its rim; the wood's upper edge can
be rounded and lit from one side. All that changes the brightness about the edge. The tint changes
once, at the edge itself. It is stored coarser than brightness, so its blur is measured on the edge.

Without a tint, wood and resin of like brightness still meet in a thin dark line: the resin's rim and the
wood's rounded edge. A step is pulled to one side of it; the line itself lies on the face.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.colour import brightness_and_tint
from lightgap.faces.lamp import PLACES
from lightgap.faces.levels import blurred_step
from lightgap.faces.open import EdgeFit, fit_edge, seek_lines
from lightgap.faces.strip import Strip
from lightgap.photo import LUMA

Array = NDArray[np.float64]

_NEAR_PX, _FAR_PX = 3.0, 11.0
_LEAST_PIXELS = 50
_LEAST_CONTRAST = 0.06
_USUAL_TIMES, _BLUREST_TIMES = 1.6, 2.8
_TINT_STANDARD_PX, _SHIFT_SHARE = 0.10, 0.2
_RIM_STANDARD_MM = 0.012
"""Width, times darkness, of a filling's rim: what of it goes into an edge of brightness."""
_TIMES = np.arange(0.8, 3.21, 0.1)
_NEAR = PLACES > -10.0
"""Where a step's or a seam's own look is sought in an edge's profile: farther into the wood is grain."""
_ROUNDED_STANDARD_MM = 0.02
"""What a wood's edge broken by sandpaper, 0 to some 0.1 mm, darkens beside a filling."""
_SEAM_PX, _SEAM_TIMES = np.arange(-3.0, 3.01, 0.1), 2.0
_SEAM_STANDARD_PX, _SEAM_SHARE = 0.2, 0.2


@dataclass(frozen=True, eq=False)
class Beyond:
    """Typical linear light of the wood beside an edge and of what lies beyond it, shape (3,) each."""

    wood: Array
    filling: Array

    @property
    def tint_step(self) -> Array:
        """Change of tint across the edge, in codes 0..1, shape (2,)."""
        wood, filling = brightness_and_tint(np.stack([self.wood, self.filling]))
        return np.asarray((filling - wood)[1:])

    def tint_standard_mm(self, px_per_mm: float, blur_px: float) -> float:
        """Standard uncertainty of an edge found by its tint, mm."""
        found_px = float(np.hypot(_TINT_STANDARD_PX, _SHIFT_SHARE * self.shift_px(blur_px)))
        return float(np.hypot(found_px / px_per_mm, _ROUNDED_STANDARD_MM))

    def rim_standard_mm(self) -> float:
        """Standard uncertainty, for the filling's rim, of an edge found by its brightness, mm."""
        wood, filling = float(self.wood @ LUMA), float(self.filling @ LUMA)
        rim_mm = _RIM_STANDARD_MM * filling / max(abs(wood - filling), 0.02 * filling)
        return float(np.hypot(rim_mm, _ROUNDED_STANDARD_MM))

    @property
    def is_tinted(self) -> bool:
        """Whether the tint changes enough to be followed."""
        return bool(np.hypot(*self.tint_step) > _LEAST_CONTRAST)

    def tint_of(self, tints: Array) -> Array:
        """Tint along the change, of brightness and tint: 1 on the wood, 2 on the filling."""
        step = self.tint_step
        own = brightness_and_tint(self.wood[None, :])[0, 1:]
        return np.asarray(1.0 + (tints[:, 1:] - own) @ step / (step @ step))

    def shift_px(self, blur_px: float) -> float:
        """How far beyond the edge its blurred tint has its middle, px.

        The lens mixes light, the phone stores codes: half way in light is not half way in tint.
        """
        place = np.linspace(-6.0, 6.0, 241) * blur_px
        share, _ = blurred_step(place, blur_px)
        light = self.wood + np.multiply.outer(share, self.filling - self.wood)
        mixed = self.tint_of(brightness_and_tint(light)) - 1.0
        return float(np.sum((place > 0.0) - mixed) * (place[1] - place[0]))


def look_beyond(
    strip: Strip, side: Literal["a", "b"], start: tuple[float, float], gap_px: float
) -> Beyond | None:
    """Look at the wood and the filling on both sides of an edge; None without enough pixels."""
    sign = 1.0 if side == "a" else -1.0
    distance = sign * (strip.v - start[0] - start[1] * strip.u) * strip.scale
    half = 0.5 * gap_px
    wood = (distance < -_NEAR_PX) & (distance > -_FAR_PX)
    filling = (distance > min(_NEAR_PX, 0.3 * half)) & (distance < min(_FAR_PX, half))
    if min(np.sum(wood), np.sum(filling)) < _LEAST_PIXELS:
        return None
    return Beyond(*(np.median(strip.light[zone], axis=0).astype(float) for zone in (wood, filling)))


def tint_strip(strip: Strip, beyond: Beyond) -> Strip:
    """The same pixels with the tint for their light: 1 on the wood, 2 on the filling."""
    tint = beyond.tint_of(strip.tints).astype(np.float32)
    return replace(strip, light=np.stack([tint] * 3, axis=1))


def fit_tinted_edge(
    strip: Strip,
    side: Literal["a", "b"],
    beyond: Beyond,
    start: tuple[float, float],
    u_range: tuple[float, float],
    blur_px: float,
    gap_px: float,
) -> EdgeFit | None:
    """Fit one face's top edge by the tint.

    ``start`` is where to look, v = offset + slope * u; the others are as for `lightgap.faces.open.fit_edge`.
    """
    seen = tint_strip(strip, beyond)
    line, *_ = seek_lines(seen, start, u_range)
    rough = fit_edge(line, seen, side, u_range, _USUAL_TIMES * blur_px, gap_px, is_slot=False)
    if rough is None:
        return None
    own_px = _blur(rough.profile, blur_px)
    if own_px > _BLUREST_TIMES * blur_px:
        return None
    fit = fit_edge(line, seen, side, u_range, own_px, gap_px, is_slot=False)
    if fit is None:
        return None
    sign = 1.0 if side == "a" else -1.0
    return replace(fit, offset_mm=fit.offset_mm - sign * beyond.shift_px(blur_px) / fit.px_per_mm)


def seek_seam(fit: EdgeFit, side: Literal["a", "b"], blur_px: float) -> tuple[EdgeFit, float] | None:
    """Move an edge of brightness onto the thin dark line along it; None where none is seen.

    A line's place and a step's tell apart by the whole profile: the line must explain it clearly better.

    Returns
    -------
    (EdgeFit, float)
        The edge, and its standard uncertainty, mm.
    """
    blur = max(round(blur_px, 1), 0.4)
    near = fit.profile[_NEAR]
    step, seam = (near @ near - np.sum((bases @ near) ** 2, axis=-1) for bases in _seams(blur))
    best = int(np.argmin(seam))
    if not 0 < best < _SEAM_PX.size - 1 or np.min(step) < _SEAM_TIMES * seam[best]:
        return None
    shift_px = float(_SEAM_PX[best])
    sign = 1.0 if side == "a" else -1.0
    standard_px = float(np.hypot(_SEAM_STANDARD_PX, _SEAM_SHARE * shift_px))
    moved = replace(fit, offset_mm=fit.offset_mm + sign * shift_px / fit.px_per_mm)
    return moved, float(np.hypot(standard_px / fit.px_per_mm, _ROUNDED_STANDARD_MM))


@lru_cache(maxsize=16)
def _seams(blur_px: float) -> tuple[Array, Array]:
    """Transposed orthonormal bases of a step, and of a step with a line on it, at every place."""
    place = PLACES[None, _NEAR] - _SEAM_PX[:, None]
    step, line = blurred_step(place, blur_px)
    plain = [1.0 - step, step, np.minimum(place, 0.0)]
    bases = (np.linalg.qr(np.stack(columns, axis=-1))[0] for columns in (plain, [*plain, line]))
    bare, lined = (np.swapaxes(base, 1, 2) for base in bases)
    return bare, lined


def _blur(profile: Array, blur_px: float) -> float:
    """The blur that explains an edge's mean profile best, px."""
    cost = []
    place, near = PLACES[_NEAR], profile[_NEAR]
    for times in _TIMES:
        # The bell lets the edge lie a little off.
        step, bell = blurred_step(place, times * blur_px)
        design = np.stack([1.0 - step, step, bell, np.minimum(place, 0.0), np.maximum(place, 0.0)], axis=1)
        base, _ = np.linalg.qr(design)
        cost.append(float(near @ near - np.sum((base.T @ near) ** 2)))
    return float(_TIMES[int(np.argmin(cost))]) * blur_px
