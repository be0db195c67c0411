"""What lies on top of a closed joint and hides it: dried glue, smeared glue, a sliver of wood.

Grain and shading run on from the wood beside a joint to the wood farther off, and whatever they do
differs from one side of the joint to the other. Squeeze-out lies along the joint, on both sides
alike, and has a hue of its own. So along the joint, bin by bin, the wood beside it is compared with
the wood farther off: what both sides share is the sign, what they do not share is its noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.colour import beyond_shade
from lightgap.faces.strip import Strip

Array = NDArray[np.float64]

_BIN_MM = 0.5
_BESIDE_MM, _FAR_MM, _REACH_MM = 0.5, 1.3, 2.3
_LEAST_MM, _CLEAR_PX = 0.2, 4.0
_OVER_MM, _OVER_PX = 0.3, 2.0
_FLOOR = np.array([0.004, 0.0015, 0.0015])
"""Least noise of brightness and tint: an eighth-bit code's."""
_HIDDEN_SIGMAS, _ON_WOOD_SIGMAS = 5.0, 4.0
_FILM_SIGMAS = 1.8
_FILM_BY_BEADS_SIGMAS = 1.0
"""Where beads lie, a fainter film is one."""
_LEAST_HIDDEN = 2
_LIT_SIGMAS, _LIT_SHARE, _LEAST_OUTSIDE = 2.0, 0.3, 3
_LEAST_CLEAR_SHARE = 0.45
_FEWEST_ALIKE, _LONGEST_RUN = 6, 5
_NIL = 0.05
_ODD_HUE, _ODD_RUN = 2.5, 4.0
"""How far a joint stands out of its ring, in its joints' own scatter: two in five of those do that are too
faintly smeared to be told else, and 3 in 1000 others, wide slots but for one (drawn, seeds 303, 601)."""
_LEAST_SCATTER = np.array([0.15, 0.2])


@dataclass(frozen=True, eq=False)
class Beside:
    """Brightness and tint about a joint, bin by bin along it, over those of the wood farther off.

    Attributes
    ----------
    places_mm : ndarray, shape (bins,)
        u of each bin's middle.
    alike, unlike : ndarray, shape (bins, 3)
        Half the sum, and half the difference, of the two sides just beside the joint.
    over : ndarray, shape (bins, 3)
        On the joint line itself.
    line : ndarray, shape (bins, 3)
        Brightness and tint about the joint line, summed across it, over those of the wood just beside
        it; codes times px.
    woods : ndarray, shape (2, 3)
        Brightness and tint of the wood just beside it, sides A and B.
    end_mm : float
        u from which the bench is seen through the slot's outer end.
    """

    places_mm: Array
    alike: Array
    unlike: Array
    over: Array
    line: Array
    woods: Array
    end_mm: float


@dataclass(frozen=True)
class Cover:
    """What is hidden of a joint.

    Attributes
    ----------
    spans_mm : tuple of (float, float)
        Spans of u that something covers.
    is_hidden : bool
        Too little is left to be measured, or a film covers all of it.
    lit_from_mm : float or None
        u from which the slot shows a brighter bench, to its outer end.
    is_odd : bool
        The wood along it has another hue than along the ring's other joints, if only by a little.
    """

    spans_mm: tuple[tuple[float, float], ...]
    is_hidden: bool
    lit_from_mm: float | None = None
    is_odd: bool = False

    @property
    def is_clear(self) -> bool:
        """Whether all of the joint is as it should be."""
        return not self.is_hidden and not self.spans_mm and self.lit_from_mm is None

    def leaves(self, u: Array) -> NDArray[np.bool_]:
        """Which places along the joint, mm, it leaves free."""
        keep = np.ones(u.size, dtype=bool)
        for low, high in self.spans_mm:
            keep &= (u < low) | (u > high)
        return keep

    def clear_of(self, strip: Strip) -> Strip:
        """The pixels that nothing covers, where no bench shows through."""
        keep = self.leaves(strip.u)
        return strip.part(keep if self.lit_from_mm is None else keep & (strip.u < self.lit_from_mm))


def look_beside(
    strip: Strip,
    line: tuple[float, float],
    gap_mm: float,
    u_range: tuple[float, float],
    grain_slope: float,
    end_mm: float,
) -> Beside:
    """Gather brightness and tint beside a joint.

    Parameters
    ----------
    line : (offset, slope)
        The joint line, v = offset + slope * u.
    gap_mm : float
        Rough gap.
    grain_slope : float
        Tangent of the angle between the grain and the square to the joint; bins follow the grain.
    end_mm : float
        u from which the bench is seen through the slot's outer end.
    """
    px = 1.0 / strip.px_per_mm
    half = 0.5 * max(gap_mm, 0.0)
    near = max(_LEAST_MM, half + _CLEAR_PX * px)
    far = max(_FAR_MM, near + _BESIDE_MM + 0.15)
    limits = (max(_OVER_MM, half + _OVER_PX * px), near, near + _BESIDE_MM, far, half + _REACH_MM)
    v = strip.v - line[0] - line[1] * strip.u
    sheared = strip.u + np.abs(v) * grain_slope
    count = max(int((u_range[1] - u_range[0]) / _BIN_MM), 1)
    bins = np.floor((sheared - u_range[0]) / _BIN_MM).astype(np.intp)
    signals = strip.tints
    away = np.abs(v)

    def mean(zone: NDArray[np.bool_]) -> Array:
        keep = zone & (bins >= 0) & (bins < count)
        number = np.bincount(bins[keep], minlength=count)
        total = [np.bincount(bins[keep], part[keep], minlength=count) for part in signals.T]
        return np.asarray(np.where(number > 0, np.stack(total) / np.maximum(number, 1), np.nan).T)

    beside, farther = (
        [mean((v * side > low) & (v * side < high)) for side in (-1.0, 1.0)]
        for low, high in ((limits[1], limits[2]), (limits[3], limits[4]))
    )
    a, b = (beyond_shade(here - wood, wood) for here, wood in zip(beside, farther, strict=True))
    wood = 0.5 * (farther[0] + farther[1])
    places = np.asarray(u_range[0] + (np.arange(count) + 0.5) * _BIN_MM, dtype=float)
    over = beyond_shade(mean(away < limits[0]) - wood, wood)
    summed = 2.0 * near * strip.px_per_mm * (mean(away < near) - 0.5 * (beside[0] + beside[1]))
    known = np.all(np.isfinite(a + b + over + summed), axis=1)
    woods = np.stack([np.median(wood[known], axis=0) if np.any(known) else np.zeros(3) for wood in beside])
    return Beside(
        places[known],
        0.5 * (a + b)[known],
        0.5 * (a - b)[known],
        over[known],
        summed[known],
        woods,
        end_mm,
    )


def find_cover(joints: list[Beside]) -> list[Cover]:
    """Tell, from all joints of a ring together, what is covered of each."""
    seen = [joint for joint in joints if joint.places_mm.size]
    if not seen:
        return [Cover((), False) for _ in joints]
    noise = _FLOOR + _spread(np.concatenate([joint.unlike for joint in seen]))
    over_noise = _FLOOR + _spread(np.concatenate([_about_middle(joint.over) for joint in seen]))
    usual = np.median([np.median(joint.alike, axis=0) for joint in seen], axis=0)
    sigmas = [(joint.alike - usual) / noise for joint in seen]
    covers = [_cover(joint, beside, over_noise) for joint, beside in zip(seen, sigmas, strict=True)]
    hues = [
        _hue_of_both(beside, joint.unlike / noise)[cover.leaves(joint.places_mm)]
        for joint, beside, cover in zip(seen, sigmas, covers, strict=True)
    ]
    told = iter(replace(cover, is_odd=is_odd) for cover, is_odd in zip(covers, _odd_ones(hues), strict=True))
    return [next(told) if joint.places_mm.size else Cover((), False) for joint in joints]


def _hue_of_both(alike: Array, unlike: Array) -> Array:
    """How far both sides' hue lies off the wood's alike, bin by bin; a pencil line lies on one side."""
    both = np.sum((alike[:, 1:] + unlike[:, 1:]) * (alike[:, 1:] - unlike[:, 1:]), axis=1)
    return np.asarray(np.sqrt(np.maximum(both, 0.0)))


def _odd_ones(hues: list[Array]) -> list[bool]:
    """Which joints' hue stands out of the ring's, on the whole and over a run of bins.

    A smear too faint to be seen in one bin is one along the joint; woods differ in what they vary by.
    """
    run = np.ones(_LONGEST_RUN) / _LONGEST_RUN
    told = {
        index: (np.log(np.mean(hue**2) + _NIL), np.convolve(hue, run, mode="valid").max())
        for index, hue in enumerate(hues)
        if hue.size >= _LONGEST_RUN
    }
    if len(told) < _FEWEST_ALIKE:
        return [False] * len(hues)
    values = np.array(list(told.values()))
    away = _about_middle(values) / np.maximum(_spread(values), _LEAST_SCATTER)
    stands_out = dict(zip(told, np.all(away > (_ODD_HUE, _ODD_RUN), axis=1).tolist(), strict=True))
    return [stands_out.get(index, False) for index in range(len(hues))]


def _cover(joint: Beside, beside: Array, over_noise: Array) -> Cover:
    # Where the bench is seen through the slot, the line's own hue and brightness tell nothing.
    over = np.where(joint.places_mm[:, None] < joint.end_mm, _about_middle(joint.over) / over_noise, 0.0)
    hue = np.maximum(np.hypot(*beside[:, 1:].T), np.hypot(*over[:, 1:].T))
    bright = np.maximum(beside[:, 0], np.minimum(over[:, 0], joint.over[:, 0] / over_noise[0]))
    hidden = (hue > _HIDDEN_SIGMAS) | (bright > _HIDDEN_SIGMAS)
    on_wood = np.maximum(np.hypot(*beside[:, 1:].T), bright)
    if np.sum(hidden) < _LEAST_HIDDEN:
        hidden[:] = False
    hidden = np.convolve(hidden, np.ones(3), mode="same") > 0.5
    film = float(np.hypot(*np.median(beside[:, 1:], axis=0)))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hidden, [False]]).astype(int)))
    spans = tuple(
        (float(joint.places_mm[low] - 0.5 * _BIN_MM), float(joint.places_mm[high - 1] + 0.5 * _BIN_MM))
        for low, high in edges.reshape(-1, 2)
        # What changes the line alone is the slot itself, where it widens or the bench shows through.
        if np.max(on_wood[low:high]) > _ON_WOOD_SIGMAS
    )
    limit = _FILM_BY_BEADS_SIGMAS if spans else _FILM_SIGMAS
    is_hidden = bool(film > limit or np.mean(~hidden) < _LEAST_CLEAR_SHARE)
    return Cover(spans, is_hidden, _lit_from(joint, float(over_noise[0])))


def _lit_from(joint: Beside, noise: float) -> float | None:
    """Where a bench brighter than the slot begins to show through its outer end, u in mm."""
    bright = joint.over[:, 0]
    outside = joint.places_mm > joint.end_mm
    if np.sum(outside) < _LEAST_OUTSIDE or np.sum(~outside) < 2 * _LEAST_OUTSIDE:
        return None
    dark = float(np.median(bright[~outside]))
    more = float(np.median(bright[outside])) - dark
    if more < _LIT_SIGMAS * noise:
        return None
    first = int(np.argmax(outside))
    while first > 0 and bright[first - 1] > dark + _LIT_SHARE * more:
        first -= 1
    return float(joint.places_mm[first] - 0.5 * _BIN_MM)


def _about_middle(values: Array) -> Array:
    return np.asarray(values - np.median(values, axis=0))


def _spread(values: Array) -> Array:
    """Robust standard deviation of each column."""
    return np.asarray(1.4826 * np.median(np.abs(_about_middle(values)), axis=0))
