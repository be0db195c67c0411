"""Where a sheet of paper's four sides run in a photo.

Coarse first, on a reduced picture: the best four-cornered bright patch. Then each side on the original
pixels: profiles across it, averaged over short blocks along it, with a blurred step fitted to each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.errors import ScaleError
from lightgap.photo import LINEAR_OF_CODE, LUMA, Photo
from lightgap.reference.faint_sheet import faint_corners

Array = NDArray[np.float64]

_COARSE_PX = 600
_BRIGHTNESS_LEVELS = np.linspace(0.12, 0.9, 14)
_WHITENESS_LEVELS = np.linspace(0.4, 0.95, 12)
_OPENING = np.ones((3, 3), dtype=np.uint8)
_CLOSING = np.ones((9, 9), dtype=np.uint8)
_LEAST_AREA = 0.05
_PIECE_AREA = 0.005
_FALL = 0.85  # brightness just outside over that just inside
_FAINT_SCORE = 0.1
"""A patch that shows no more is none; the paper may be hardly brighter than the bench."""
_FALL_PLACES = np.linspace(0.03, 0.97, 64)
_MARGIN = 0.015  # share of a side left out at each corner
_SEARCH_BLOCK_PX = 24
_SEARCH_PX = 30
_SEARCH_EVERY_PX = 3
_BLOCK_PX = 16
_WINDOW_PX = 9
_BLURS_PX = (0.5, 0.7, 0.9, 1.2, 1.6, 2.1, 2.8)
_LEAST_CONTRAST = 0.04
_FLOOR_PX = 0.03
_FEWEST_BLOCKS = 8


@dataclass(frozen=True, eq=False)
class Side:
    """One side of the sheet.

    Attributes
    ----------
    points_px : ndarray, shape (n, 2)
        Edge points in order along the side, one for each block of 16 px that was kept.
    kept : float
        Share of the side's blocks that were kept.
    """

    points_px: Array
    kept: float


@dataclass(frozen=True, eq=False)
class SheetEdges:
    """Four sides, clockwise as seen, side i running from corner i to corner i + 1.

    Attributes
    ----------
    sides : tuple of 4 Side
    corners_px : ndarray, shape (4, 2)
        Where the fitted sides meet.
    score : float
        Evidence, 0 to 1: the smallest share of a side with a clear fall of brightness outwards.
    """

    sides: tuple[Side, ...]
    corners_px: Array
    score: float


def find_quadrilateral(photo: Photo) -> SheetEdges:
    """Find the clearest bright quadrilateral and set its four sides.

    Raises
    ------
    ScaleError
        If there is none, or a side cannot be followed.
    """
    corners, score = _coarse(photo)
    curves = [_search(photo, _Chord(*ends)) for ends in _ends(corners)]
    corners = _meeting(curves)
    sides = []
    for index, ends in enumerate(_ends(corners)):
        curve, points, kept = _follow(photo, curves[index].over(_Chord(*ends)))
        curves[index] = curve
        sides.append(Side(points, kept))
    return SheetEdges(tuple(sides), _meeting(curves), score)


def no_sheet() -> ScaleError:
    """Return what is told when no sheet can be used."""
    return ScaleError(
        "no sheet of paper with four clear edges can be seen in this photo",
        "lay the ring on one white sheet on a darker bench, all four edges in the picture, "
        "or choose another reference",
    )


# The patch ----------------------------------------------------------------------------------------


def _coarse(photo: Photo) -> tuple[Array, float]:
    """Corners (4, 2) in px of the photo, clockwise as seen, and their score."""
    step = max(1, round(max(photo.width, photo.height) / _COARSE_PX))
    size = (photo.width // step, photo.height // step)
    reduced = cv2.resize(photo.codes[: size[1] * step, : size[0] * step], size, interpolation=cv2.INTER_AREA)
    linear = LINEAR_OF_CODE[reduced]
    least, most = linear.min(axis=-1), linear.max(axis=-1)
    luma = np.asarray(linear @ LUMA, dtype=float)
    # The second map forgets the shading: paper in a shadow is still as white as it was.
    maps = (
        (least / np.percentile(least, 99.5), _BRIGHTNESS_LEVELS),
        (least / (most + 0.01), _WHITENESS_LEVELS),
    )
    best_rank, best_score, best = 0.0, 0.0, None
    for picture, levels in maps:
        for level in levels:
            for corners, fullness in _quadrilaterals(np.asarray(picture > level, dtype=np.uint8)):
                size_weight = np.sqrt(_area(corners))
                if (fullness + 0.1) * size_weight <= best_rank:
                    continue
                score = _fall(luma, corners, 4.0) * fullness
                if score == 0.0 or (score + 0.1) * size_weight <= best_rank:
                    continue
                # Among patches that all show their fall, the one whose sides lie closest to it, and the
                # whole sheet rather than the part of it that lies in the light.
                rank = (score + 0.1 * _fall(luma, corners, 2.0)) * size_weight
                if rank > best_rank:
                    best_rank, best_score, best = rank, score, corners
    if best is None or best_score < _FAINT_SCORE:
        faint = faint_corners(luma)
        if faint is not None:
            best, best_score = faint
    if best is None:
        raise no_sheet()
    return best * step + (step - 1) / 2.0, best_score


def _quadrilaterals(mask: NDArray[np.uint8]) -> Iterator[tuple[Array, float]]:
    """Four-cornered patches of a mask: corners (4, 2) clockwise as seen, and how far they fill the four."""
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, _OPENING)
    for patch in (opened, cv2.morphologyEx(opened, cv2.MORPH_CLOSE, _CLOSING)):
        contours, _ = cv2.findContours(patch, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        pieces = [
            contour.reshape(-1, 2)
            for contour in contours
            if cv2.contourArea(contour) > _PIECE_AREA * mask.size
        ]
        # A ring that reaches over the edges cuts the sheet into pieces: try them together, too.
        together = [np.concatenate(pieces)] if len(pieces) > 1 else []
        for piece in [*pieces, *together]:
            hull = cv2.convexHull(piece)
            area = cv2.contourArea(hull)
            if area > _LEAST_AREA * mask.size:
                corners = np.asarray(cv2.approxPolyN(hull, 4, ensure_convex=True), dtype=float).reshape(-1, 2)
                if len(corners) == 4:
                    yield _clockwise(corners), min(1.0, area / abs(_area(corners)))


def _area(corners: Array) -> float:
    """Signed area of four corners, positive when clockwise as seen (y down)."""
    (x1, y1), (x2, y2) = corners[2] - corners[0], corners[3] - corners[1]
    return float(x1 * y2 - y1 * x2) / 2.0


def _clockwise(corners: Array) -> Array:
    return corners if _area(corners) > 0.0 else corners[::-1]


def _fall(luma: Array, corners: Array, reach_px: float) -> float:
    """The smallest share of a side along which brightness falls outwards."""
    run = np.roll(corners, -1, axis=0) - corners
    outward = np.stack([run[:, 1], -run[:, 0]], axis=1) / np.hypot(*run.T)[:, None]
    on = corners[:, None] + _FALL_PLACES[:, None] * run[:, None]
    across = reach_px * outward[:, None]
    inside, outside = _at(luma, np.stack([on - across, on + across]))
    return float(np.mean(outside < _FALL * inside, axis=1).min())


def _at(luma: Array, points: Array) -> Array:
    """Nearest pixels' values, nan out of the picture, where no fall can be seen."""
    whole = np.rint(points).astype(int)
    columns, rows = whole[..., 0], whole[..., 1]
    height, width = luma.shape
    inside = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    return np.where(inside, luma[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)], np.nan)


# The sides ----------------------------------------------------------------------------------------


class _Chord:
    """A side's own frame: u along it from its start, v outwards (left of it as seen, y down), px."""

    def __init__(self, start: Array, end: Array) -> None:
        self.start = start
        self.length = float(np.hypot(*(end - start)))
        self.along = (end - start) / self.length
        self.outward = np.array([self.along[1], -self.along[0]])

    def pixels(self, u: Array, v: Array) -> Array:
        return np.asarray(self.start + u[..., None] * self.along + v[..., None] * self.outward)

    def uv(self, pixels: Array) -> tuple[Array, Array]:
        offset = pixels - self.start
        return offset @ self.along, offset @ self.outward


@dataclass(frozen=True, eq=False)
class _Curve:
    """A side as a polynomial v(t) in its chord's frame, t from -1 to 1 along it."""

    chord: _Chord
    polynomial: Array

    def v(self, u: Array) -> Array:
        return np.asarray(
            np.polynomial.polynomial.polyval(2.0 * u / self.chord.length - 1.0, self.polynomial)
        )

    def over(self, chord: _Chord) -> _Curve:
        """The same parabola in another chord's frame."""
        own = np.linspace(0.0, self.chord.length, 9)
        u, v = chord.uv(self.chord.pixels(own, self.v(own)))
        t = 2.0 * u / chord.length - 1.0
        return _Curve(chord, np.asarray(np.polynomial.polynomial.polyfit(t, v, 2), dtype=float))


def _ends(corners: Array) -> Iterator[tuple[Array, Array]]:
    return zip(corners, np.roll(corners, -1, axis=0), strict=True)


def _meeting(curves: list[_Curve]) -> Array:
    """Where each curve meets the one before it, shape (4, 2)."""
    corners = []
    for before, after in zip([curves[-1], *curves[:-1]], curves, strict=True):
        corner = after.chord.start
        for _ in range(4):
            lines = []
            for curve in (before, after):
                u, _ = curve.chord.uv(corner)
                here, there = curve.v(u), curve.v(u + 1.0)
                point = curve.chord.pixels(u, here)
                lines.append((point, curve.chord.along + (there - here) * curve.chord.outward))
            (first, one), (second, other) = lines
            reach = np.linalg.solve(np.column_stack([one, -other]), second - first)
            corner = first + reach[0] * one
        corners.append(corner)
    return np.array(corners)


def _profiles(
    photo: Photo, curve: _Curve, block_px: int, reach_px: int, every_px: int = 1
) -> tuple[Array, Array, Array]:
    """Average the luma across a side over blocks along it, from single pixels as they are.

    Parameters
    ----------
    every_px : int
        Of a block's places along the side one in so many is looked at.

    Returns
    -------
    u : ndarray, shape (blocks,)
        The blocks' middles.
    offset, luma : ndarray, shape (blocks, 2 reach + 1)
        Mean distance of the pixels from the curve, outward, and mean luma; nan beyond the picture.
    """
    chord = curve.chord
    margin = max(block_px, _MARGIN * chord.length)
    blocks = int((chord.length - 2.0 * margin) // block_px)
    if blocks < _FEWEST_BLOCKS:
        raise no_sheet()
    first = (chord.length - blocks * block_px) / 2.0 + 0.5
    u = first + np.arange(0, blocks * block_px, every_px, dtype=float)
    v = curve.v(u)[:, None] + np.arange(-reach_px, reach_px + 1)
    whole = np.rint(chord.pixels(np.broadcast_to(u[:, None], v.shape), v)).astype(int)
    columns, rows = whole[..., 0], whole[..., 1]
    inside = (columns >= 0) & (columns < photo.width) & (rows >= 0) & (rows < photo.height)
    codes = photo.codes[np.clip(rows, 0, photo.height - 1), np.clip(columns, 0, photo.width - 1)]
    luma = np.where(inside, LINEAR_OF_CODE[codes] @ LUMA, np.nan)
    own_u, own_v = chord.uv(whole.astype(float))
    shape = (blocks, block_px // every_px, -1)
    offset = (own_v - curve.v(own_u)).reshape(shape).mean(axis=1)
    return u.reshape(blocks, -1).mean(axis=1), offset, luma.reshape(shape).mean(axis=1)


def _search(photo: Photo, chord: _Chord) -> _Curve:
    """Find a side near a coarse chord: the steepest falls that lie on one parabola."""
    straight = _Curve(chord, np.zeros(1))
    u, offset, luma = _profiles(photo, straight, _SEARCH_BLOCK_PX, _SEARCH_PX, _SEARCH_EVERY_PX)
    smooth = cv2.GaussianBlur(np.nan_to_num(luma), (9, 1), 1.5)
    v = np.take_along_axis(offset, np.argmin(np.gradient(smooth, axis=1), axis=1)[:, None], axis=1)[:, 0]
    t = 2.0 * u / chord.length - 1.0
    return _Curve(chord, _least_median_parabola(t, v))


def _least_median_parabola(t: Array, v: Array) -> Array:
    """Polynomial (3,) of least median of squares over random triples, then polished on what it explains."""
    triples = np.random.default_rng(0).integers(0, len(t), (300, 3))
    triples = triples[np.ptp(np.sort(triples, axis=1), axis=1) > len(t) // 3]
    triples = triples[[len(set(triple)) == 3 for triple in triples.tolist()]]
    table = np.vander(t, 3, increasing=True)
    tries = np.linalg.solve(table[triples], v[triples][..., None])[..., 0]
    miss = np.abs(v - tries @ table.T)
    medians = np.median(miss, axis=1)
    near = miss[np.argmin(medians)] < max(1.5, 3.0 * float(medians.min()))
    return np.polynomial.polynomial.polyfit(t[near], v[near], 2)


def _follow(photo: Photo, curve: _Curve) -> tuple[_Curve, Array, float]:
    """Set a side finely: its curve, its edge points (n, 2) in px, and the share of blocks kept."""
    chord = curve.chord
    blur: float | None = None
    for _ in range(2):
        u, offset, luma = _profiles(photo, curve, _BLOCK_PX, _WINDOW_PX)
        whole = np.all(np.isfinite(luma), axis=1)
        if whole.sum() < _FEWEST_BLOCKS:
            raise no_sheet()
        if blur is None:
            some = offset[whole][::4], luma[whole][::4]
            blur = _likeliest_blur(*some)
        place, miss, contrast = _steps(offset, np.nan_to_num(luma), blur)
        good = whole & (contrast > _LEAST_CONTRAST) & (miss < 4.0 * np.median(miss[whole]))
        good &= np.abs(place) < _WINDOW_PX - 2
        v = curve.v(u) + place
        kept, polynomial = _robust_cubic(2.0 * u / chord.length - 1.0, v, good)
        curve = _Curve(chord, polynomial)
    return curve, chord.pixels(u[kept], v[kept]), float(kept.mean())


def _likeliest_blur(offset: Array, luma: Array) -> float:
    """The blur with which a step fits a side's profiles best; the misfit has one minimum."""
    best, least = _BLURS_PX[0], np.inf
    for blur in _BLURS_PX:
        miss = float(np.median(_steps(offset, luma, blur)[1]))
        if miss > least:
            break
        best, least = blur, miss
    return best


def _steps(offset: Array, luma: Array, blur_px: float) -> tuple[Array, Array, Array]:
    """Fit a blurred step between two sloping levels to every profile.

    The model: (A + a x)(1 - F) + (B + b x) F, F = Phi((x - x0) / s), x outward, s given.

    Returns
    -------
    place, miss, contrast : ndarray, shape (blocks,)
        x0 in px, rms residual in luma, (A - B) / A.
    """
    ones = np.ones_like(offset)
    place = np.zeros(len(offset))
    for _ in range(5):
        z = (offset - place[:, None]) / blur_px
        beyond = ndtr(z)
        bell = np.exp(-(z**2) / 2.0) / (np.sqrt(2.0 * np.pi) * blur_px)
        base = np.stack([ones - beyond, offset * (ones - beyond), beyond, offset * beyond], axis=-1)
        levels = _solve(base, luma)
        inner = levels[:, :1] + levels[:, 1:2] * offset
        outer = levels[:, 2:3] + levels[:, 3:] * offset
        residual = luma - np.sum(base * levels[:, None], axis=-1)
        slope = (inner - outer) * bell
        # The levels follow the place (variable projection, Kaufman's form): take them out of the slope.
        free = slope - np.sum(base * _solve(base, slope)[:, None], axis=-1)
        move = np.sum(free * residual, axis=1) / (np.sum(free**2, axis=1) + 1e-12)
        place = np.clip(place + np.clip(move, -2.0, 2.0), -_WINDOW_PX, _WINDOW_PX)
    contrast = (levels[:, 0] - levels[:, 2]) / np.maximum(np.abs(levels[:, 0]), 1e-3)
    return place, np.sqrt(np.mean(residual**2, axis=1)), contrast


def _solve(base: Array, values: Array) -> Array:
    """Linear least squares of every row: base (n, m, k), values (n, m) to (n, k)."""
    turned = np.swapaxes(base, 1, 2)
    normal = turned @ base + 1e-9 * np.eye(base.shape[-1])
    return np.asarray(np.linalg.solve(normal, turned @ values[..., None])[..., 0])


def _robust_cubic(t: Array, v: Array, good: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Array]:
    """Fit a cubic to the good points, dropping those beyond 3 sigma; which were kept, and the cubic (4,)."""
    kept = good
    for _ in range(6):
        if kept.sum() < _FEWEST_BLOCKS:
            raise no_sheet()
        polynomial = np.asarray(np.polynomial.polynomial.polyfit(t[kept], v[kept], 3), dtype=float)
        miss = np.abs(v - np.polynomial.polynomial.polyval(t, polynomial))
        sigma = max(_FLOOR_PX, 1.4826 * float(np.median(miss[kept])))
        kept = good & (miss < 3.0 * sigma)
    return kept, polynomial
