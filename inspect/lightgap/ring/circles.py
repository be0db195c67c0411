"""Where a ring could lie: one orientation-weighted circle correlation.

Every place of the picture votes by the direction of its edges, doubled so that light-on-dark and
dark-on-light count alike, and with its strength saturated so that printed cards and newspaper cannot
outvote the ring. Disordered texture sums to nothing.

What votes can be the ring's two edges, taken for circles, a polygon's sides, or the walls of open joints:
these point to the centre however the camera leans, and no shadow or wall's foot looks like them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.plane import Array, Codes, Float32, px_per_mm, reduced, sampler

Votes = NDArray[np.complex64]
By = Literal["edges", "sides", "joints"]
"""What of the ring votes."""

_HALF_STRENGTH = 6.0
"""Colour gradient, codes per pixel of the picture given, at which a vote has half its weight."""
_INNER_WEIGHT = 0.7
_SOFT_EDGE, _BAND_ENDS = 0.015, 5.0
_JOINT_ENDS = 0.07
"""Share of the width at either edge that is left out."""
_TURN_MISS = 0.15
"""By how much of the apothem a corner moves from one turn of a polygon that is tried to the next."""
_APART = 0.06
_SIZES_APART = 0.055
_PEAKS_APART = 0.15
"""Of the outer apothem."""
_PEAKS = 3
_LEAST_VOTES = 0.1
"""Rings have 0.35 and more of 1.7, cut off by the frame too."""
_VIEW_RADII = 8.0
"""How far from the picture's middle a ring is looked for, in its own radii."""
_SHORT_SIDE = 320.0
"""Pixels of the short side at which a ring of unknown size is looked for."""
SMALLEST, SIZE_STEP = 0.13, 1.05
_OCTAVES, _SIZES = 2, 14
"""Outer apothem over the short side, smallest; then two octaves in steps of 5 %."""


@dataclass(frozen=True)
class Circle:
    """A ring as the circle that it nearly is: centre and outer apothem, and the votes for it.

    In pixels of the photo, or in mm of the plane.
    """

    x: float
    y: float
    outer: float
    votes: float

    @property
    def weight(self) -> float:
        """The votes over what chance gives: the fewer places a circle has, the more their mean scatters."""
        return float(self.votes * np.sqrt(self.outer))

    def like(self, other: Circle) -> bool:
        """Whether the two are so near that a search from one finds the other."""
        apart = np.hypot(self.x - other.x, self.y - other.y)
        return bool(apart < _APART * other.outer and abs(np.log(self.outer / other.outer)) < _SIZES_APART)


def circles_on_plane(
    photo: Photo, camera: Camera, plans: Sequence[Plan], step_mm: float, by: By = "edges"
) -> list[Circle]:
    """Return where on the plane of the top face a ring of one of the plans could lie, in mm.

    The likeliest comes first. The plans differ in size only; ``step_mm`` is the grain of the search.
    By its sides a polygon is looked for in every turn: slower, but with few segments it is far from a circle.
    """
    height = plans[0].thickness_mm
    across, down = photo.width - 1.0, photo.height - 1.0
    corners = camera.to_plane([[0.0, 0.0], [across, 0.0], [across, down], [0.0, down]], height)
    middle = camera.to_plane([across / 2, down / 2], height)
    radius = max(plan.outer_mm for plan in plans)
    reach = min(_VIEW_RADII * radius, 1.5 * max(across, down) / px_per_mm(photo, camera, height))
    low, high = (
        np.maximum(corners.min(axis=0), middle - reach),
        np.minimum(corners.max(axis=0), middle + reach),
    )
    x, y = np.arange(low[0], high[0], step_mm), np.arange(low[1], high[1], step_mm)
    votes = _edge_votes(sampler(photo, camera, height, step_mm)(x[None, :], y[:, None]))
    correlator = _Correlator(votes, max(_reach(plan, plan.outer_mm / (2 * step_mm)) for plan in plans))
    found = []
    for plan in plans:
        for row, column, score in correlator.peaks(plan, plan.outer_mm / (2 * step_mm), by):
            place = low + (2 * np.array([column, row]) + 0.5) * step_mm
            found.append(Circle(float(place[0]), float(place[1]), plan.outer_mm, score))
    return different(found)


def circles_in_photo(photo: Photo, plan: Plan, by: By = "edges") -> list[Circle]:
    """Return where in the photo a ring of unknown size could lie, in pixels, likeliest first.

    ``by`` is that of `circles_on_plane`.
    """
    short = min(photo.width, photo.height)
    codes, factor = reduced(photo, int(short / _SHORT_SIDE))
    found = []
    for octave in range(_OCTAVES):
        votes, cell = _edge_votes(codes), 2 * factor
        sizes = SMALLEST * 2**octave * short / cell * SIZE_STEP ** np.arange(_SIZES + 1)
        correlator = _Correlator(votes, _reach(plan, float(sizes[-1])))
        for outer in sizes:
            for row, column, score in correlator.peaks(plan, float(outer), by):
                x, y = (column + 0.5) * cell - 0.5, (row + 0.5) * cell - 0.5
                found.append(Circle(x, y, float(outer) * cell, score))
        half = (codes.shape[1] // 2, codes.shape[0] // 2)
        codes = np.asarray(cv2.resize(codes, half, interpolation=cv2.INTER_AREA), np.uint8)
        factor *= 2
    return different(found)


def resized(plan: Plan, size: float) -> Plan:
    """Return the plan with another outer size, relative to its own, and the same width of wood."""
    outer = size * plan.across_flats_mm
    return replace(plan, across_flats_mm=outer, width_mm=min(plan.width_mm, 0.45 * outer))


def different(circles: list[Circle]) -> list[Circle]:
    """Return the circles that are not like one of more weight, in the order of their weight.

    Of those with hardly a vote only the best is kept.
    """
    kept: list[Circle] = []
    for circle in sorted(circles, key=lambda circle: -circle.weight):
        if kept and circle.votes < _LEAST_VOTES:
            continue
        if not any(circle.like(other) for other in kept):
            kept.append(circle)
    return kept


def _edge_votes(codes: Codes) -> Votes:
    """Return the saturated, direction-doubled gradient of a colour picture, at half its resolution."""
    smooth = cv2.GaussianBlur(codes, (0, 0), 1.0).astype(np.float32)
    right = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32.0)
    down = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32.0)
    size = (codes.shape[1] // 2, codes.shape[0] // 2)
    along, across, both = (
        cv2.resize(np.einsum("ijk,ijk->ij", a, b), size, interpolation=cv2.INTER_AREA)
        for a, b in ((right, right), (down, down), (right, down))
    )
    votes = (along - across + 2j * both) / (along + across + _HALF_STRENGTH**2)
    return np.asarray(votes, dtype=np.complex64)


def _reach(plan: Plan, outer: float) -> int:
    """How far a ring of this outer apothem reaches from its centre."""
    return int(np.ceil(outer / np.cos(np.radians(plan.mitre_deg)))) + 2


class _Correlator:
    """Correlates one picture's votes with rings of several sizes, none reaching further than ``reach``.

    Centres may lie outside the picture by up to a ring's radius, so that one cut by the frame still scores.
    """

    def __init__(self, votes: Votes, reach: int) -> None:
        self._size = votes.shape
        self._shape = tuple(fft.next_fast_len(size + 2 * reach) for size in votes.shape)
        self._votes = fft.fft2(votes, self._shape)

    def peaks(self, plan: Plan, outer: float, by: By) -> list[tuple[float, float, float]]:
        """Row, column and score, in grid steps, of the likeliest rings of this shape and outer apothem."""
        pad = _reach(plan, outer)
        kernels = _kernels(plan, outer, pad, by)
        spectra = (np.conj(fft.fft2(kernel, self._shape)) for kernel in kernels)
        score = reduce(np.maximum, (fft.ifft2(self._votes * spectrum).real for spectrum in spectra))
        # A kernel has its centre at its window's middle; beyond the padding the sum has wrapped round.
        rows, columns = (size + 2 * pad for size in self._size)
        score = np.roll(score, (2 * pad, 2 * pad), axis=(0, 1))[:rows, :columns]
        return _peaks(score.copy(), pad, _PEAKS_APART * outer)


def _window(pad: int) -> Votes:
    """Places within ``pad`` of a ring's centre as complex numbers, shape (2 pad + 1, 2 pad + 1)."""
    along = np.arange(-pad, pad + 1, dtype=np.float32)
    return np.asarray(along + 1j * along[:, None], dtype=np.complex64)


def _kernels(plan: Plan, outer: float, pad: int, by: By) -> Iterable[Votes]:
    if by == "sides":
        return _polygons(plan, outer, pad)
    return [(_joints if by == "joints" else _circle)(plan, outer, pad)]


def _joints(plan: Plan, outer: float, pad: int) -> Votes:
    """Lines to the centre, of even weight from near the inner to near the outer edge."""
    place = _window(pad)
    radius = np.maximum(np.abs(place), 1.0)
    inner = outer * plan.inner_mm / plan.outer_mm
    share = (radius - inner) / (outer - inner)
    weight = np.where((share > _JOINT_ENDS) & (share < 1.0 - _JOINT_ENDS), 1.0 / radius, 0.0)
    return np.asarray(-weight / weight.sum() * (place / radius) ** 2, dtype=np.complex64)


def _circle(plan: Plan, outer: float, pad: int) -> Votes:
    corner = 1.0 / np.cos(np.radians(plan.mitre_deg)) if plan.outline == "polygon" else 1.0
    place = _window(pad)
    radius = np.abs(place)
    return np.asarray(_edges(radius, plan, outer, corner) * (place / np.maximum(radius, 1.0)) ** 2)


def _polygons(plan: Plan, outer: float, pad: int) -> Iterator[Votes]:
    """The polygon in so many turns that each is like one of them."""
    pitch, place = np.radians(plan.pitch_deg), _window(pad)
    radius, angle = np.abs(place), np.angle(place)
    turns = int(np.ceil(pitch * np.tan(pitch / 2.0) / _TURN_MISS))
    for start in np.arange(turns) * (pitch / turns):
        off_side = (angle - np.float32(start) + np.float32(pitch / 2)) % np.float32(pitch)
        off_side -= np.float32(pitch / 2)
        distance = radius * np.cos(off_side)
        yield np.asarray(_edges(distance, plan, outer, 1.0) * np.exp(2j * (angle - off_side)))


def _edges(distance: Float32, plan: Plan, outer: float, corner: float) -> Float32:
    """The outer and the inner edge at a distance from the centre, or up to ``corner`` times as far."""
    inner = outer * plan.inner_mm / plan.outer_mm
    return _band(distance, outer, corner) + _INNER_WEIGHT * _band(distance, inner, corner)


def _band(distance: Float32, apothem: float, corner: float) -> Float32:
    """A soft band, its sum 1."""
    beyond = np.maximum(np.maximum(apothem - distance, distance - corner * apothem), 0.0)
    soft = max(1.0, _SOFT_EDGE * apothem)
    near = beyond < _BAND_ENDS * soft
    band = np.zeros_like(distance)
    band[near] = np.exp(-0.5 * (beyond[near] / soft) ** 2)
    return np.asarray(band / band.sum(), dtype=np.float32)


def _peaks(score: Array, pad: int, apart: float) -> list[tuple[float, float, float]]:
    found = []
    reach = int(np.ceil(apart))
    for _ in range(_PEAKS):
        row, column = (int(place) for place in np.unravel_index(int(np.argmax(score)), score.shape))
        found.append((float(row - pad), float(column - pad), float(score[row, column])))
        score[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1] = -np.inf
    return found
