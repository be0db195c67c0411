"""A sheet that hardly stands out from a bright bench: four long straight lines, however faint.

No level of brightness parts white paper from a bench nearly as white, with its stains and shading. But the
paper's sides are straight and sharp, and along all of them the light falls a little, outwards. So every
pixel votes for the lines that its own fall of light could lie on, strong falls for no more than faint
ones, and four of the strongest lines must make a sheet (P. Hough's voting, with the gradient's direction
as D. H. Ballard, Pattern Recognition 13, 1981).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter

Array = NDArray[np.float64]

_SMOOTH_PX = 0.8
_STRONGEST = 0.02
"""Fall of light a pixel, as a share, above which a vote counts no more."""
_FAINTEST = 0.002
_ANGLES, _SPREAD = 360, 8
"""Bins of direction, and how many of them to either side a pixel votes for: its own direction is noisy."""
_LINES, _APART = 20, 9
_LEAST_VOTES = 0.15
"""Of the strongest line's."""
_OPPOSITE_DEG, _SQUARE_DEG = 25.0, 35.0
_LEAST_AREA, _MARGIN = 0.05, 0.02
_PLACES, _TOGETHER = 64, 4
_INSIDE_PX = np.arange(1.5, 5.0)
_FALLS = 1.01
_LEAST_SHARE = 0.6


@dataclass(frozen=True)
class _Line:
    """x cos + y sin = reach, about the picture's middle; the light falls towards (cos, sin)."""

    direction_deg: float
    reach: float
    votes: float

    @property
    def normal(self) -> Array:
        angle = np.radians(self.direction_deg)
        return np.array([np.cos(angle), np.sin(angle)])


def faint_corners(luma: Array) -> tuple[Array, float] | None:
    """Corners (4, 2) of the likeliest sheet, clockwise as seen, px, and the share of its sides that is seen.

    Parameters
    ----------
    luma : ndarray, shape (rows, columns)
        Linear brightness, reduced to some 300 to 600 px.
    """
    light = np.log(np.maximum(gaussian_filter(luma, _SMOOTH_PX), 1e-3))
    lines = _strongest_lines(light)
    middle = 0.5 * (np.array(luma.shape[::-1]) - 1.0)
    best: tuple[float, float, Array] | None = None
    pairs = [pair for pair in combinations(lines, 2) if _apart_deg(*pair) > 180.0 - _OPPOSITE_DEG]
    for (a, c), (b, d) in combinations(pairs, 2):
        if abs(_apart_deg(a, b) - 90.0) > _SQUARE_DEG or len({a, b, c, d}) < 4:
            continue
        corners = _corners(a, b, c, d)
        if corners is None:
            continue
        corners = corners + middle
        if not _lies_in(corners, luma.shape):
            continue
        share = _share_seen(light, corners)
        # As sure as its faintest side; and the whole sheet, not the part of it that lies in the light.
        rank = share * min(line.votes for line in (a, b, c, d)) * float(np.sqrt(_area(corners)))
        if share > _LEAST_SHARE and (best is None or rank > best[0]):
            best = rank, share, corners
    return None if best is None else (best[2], best[1])


def _strongest_lines(light: Array) -> list[_Line]:
    """Lines that most of the falling light agrees on."""
    down, right = (np.asarray(slope, dtype=float) for slope in np.gradient(light))
    steep: Array = np.hypot(down, right)
    rows, columns = np.nonzero(steep > _FAINTEST)
    weight = np.minimum(steep[rows, columns], _STRONGEST)
    falls = np.arctan2(-down[rows, columns], -right[rows, columns])
    x, y = columns - 0.5 * (light.shape[1] - 1.0), rows - 0.5 * (light.shape[0] - 1.0)
    half = int(np.hypot(*light.shape)) // 2 + 2
    votes = np.zeros(_ANGLES * (2 * half + 1))
    own = np.round(falls / (2.0 * np.pi) * _ANGLES).astype(np.intp)
    for step in range(-_SPREAD, _SPREAD + 1):
        angle = 2.0 * np.pi * ((own + step) % _ANGLES) / _ANGLES
        reach = np.round(x * np.cos(angle) + y * np.sin(angle)).astype(np.intp) + half
        votes += np.bincount(((own + step) % _ANGLES) * (2 * half + 1) + reach, weight, votes.size)
    table = gaussian_filter(votes.reshape(_ANGLES, -1), 0.7, mode=("wrap", "nearest"))
    peaks = np.argwhere((table == maximum_filter(table, _APART, mode=("wrap", "nearest"))) & (table > 0.0))
    strength = table[tuple(peaks.T)]
    order = np.argsort(-strength)[:_LINES]
    return [
        _Line(360.0 * peaks[index][0] / _ANGLES, float(peaks[index][1] - half), float(strength[index]))
        for index in order
        if strength[index] > _LEAST_VOTES * strength[order[0]]
    ]


def _apart_deg(one: _Line, other: _Line) -> float:
    return abs((one.direction_deg - other.direction_deg + 180.0) % 360.0 - 180.0)


def _corners(a: _Line, b: _Line, c: _Line, d: _Line) -> Array | None:
    """Where four lines meet, a opposite c, b opposite d; None if nothing lies on all their bright sides."""
    turn = (b.direction_deg - a.direction_deg) % 360.0
    around = (a, b, c, d) if turn < 180.0 else (a, d, c, b)
    corners = []
    for one, other in zip(around, (*around[1:], around[0]), strict=True):
        normals = np.stack([one.normal, other.normal])
        if abs(np.linalg.det(normals)) < 0.3:
            return None
        corners.append(np.linalg.solve(normals, np.array([one.reach, other.reach])))
    points = np.array(corners)
    inside = [line.normal @ points.mean(axis=0) < line.reach for line in around]
    return points if all(inside) and cv2.isContourConvex(points.astype(np.float32)) else None


def _area(corners: Array) -> float:
    return float(cv2.contourArea(corners.astype(np.float32)))


def _lies_in(corners: Array, shape: tuple[int, ...]) -> bool:
    size = np.array(shape[::-1], dtype=float)
    area = _area(corners)
    beyond = (corners < -_MARGIN * size) | (corners > (1.0 + _MARGIN) * size)
    return bool(area > _LEAST_AREA * size.prod() and not np.any(beyond))


def _share_seen(light: Array, corners: Array) -> float:
    """The smallest share of a side along which the light falls outwards."""
    run = np.roll(corners, -1, axis=0) - corners
    outward = np.stack([run[:, 1], -run[:, 0]], axis=1) / np.hypot(*run.T)[:, None]
    places = np.linspace(0.03, 0.97, _PLACES)[:, None]
    on = corners[:, None, None] + (places * run[:, None])[:, :, None]
    sampled = []
    for sign in (-1.0, 1.0):
        points = (on + sign * _INSIDE_PX[:, None] * outward[:, None, None]).astype(np.float32)
        at = cv2.remap(
            light.astype(np.float32),
            points[..., 0].reshape(4, -1),
            points[..., 1].reshape(4, -1),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        sampled.append(at.reshape(4, _PLACES // _TOGETHER, -1).mean(axis=2))
    inner, outer = sampled
    return float(np.mean(inner - outer > np.log(_FALLS), axis=1).min())
