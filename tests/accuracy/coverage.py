"""Exact area coverage of pixels by polygons, and the clipping of polygons by one another.

A pixel is the unit square about its centre, and centres lie at whole numbers. The coverage of a pixel
is the area of the polygon inside that square, found in closed form: each edge is cut at the pixel
borders, and each piece adds the area between it and the right end of its row (Green's theorem). No
sampling: the only error is rounding.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Patch:
    """Coverage of a window of the picture: ``share`` of shape (rows, columns) from ``left``, ``top``."""

    left: int
    top: int
    share: NDArray[np.float32]

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the picture."""
        rows, columns = self.share.shape
        return slice(self.top, self.top + rows), slice(self.left, self.left + columns)


def coverage(polygons: Sequence[Array], width: int, height: int) -> Patch | None:
    """Return the summed coverage of polygons, each (n, 2) in pixels, or None if all lie outside.

    Orientation does not matter; polygons that overlap count twice.
    """
    starts, ends = _edges(polygons)
    if not len(starts):
        return None
    low = np.floor(starts.min(axis=0) + 0.5).astype(int)
    high = np.floor(starts.max(axis=0) + 0.5).astype(int) + 1
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    right, bottom = min(int(high[0]), width), min(int(high[1]), height)
    if right <= left or bottom <= top:
        return None
    rows, columns = bottom - top, right - left
    # In the window's own frame cell (i, j) is [j, j + 1] x [i, i + 1]. What lies left of the window
    # is drawn up to its edge, which leaves the area to its right as it was.
    shift = np.array([left - 0.5, top - 0.5])
    a, b = _cut(starts - shift, ends - shift)
    middle_y = (a[:, 1] + b[:, 1]) / 2.0
    inside = (middle_y > 0.0) & (middle_y < rows)
    a, b, middle_y = a[inside], b[inside], middle_y[inside]
    rise = b[:, 1] - a[:, 1]
    x = np.clip((a[:, 0] + b[:, 0]) / 2.0, 0.0, columns + 0.5)
    cell = np.floor(x).astype(int)
    part = x - cell
    index = np.floor(middle_y).astype(int) * (columns + 2) + cell
    size = rows * (columns + 2)
    total = np.bincount(index, rise * (1.0 - part), minlength=size)
    total += np.bincount(index + 1, rise * part, minlength=size)
    share = np.cumsum(total.reshape(rows, columns + 2), axis=1)[:, :columns]
    return Patch(left, top, share.astype(np.float32))


def area(polygon: Array) -> float:
    """Signed area of a polygon (n, 2): positive when x turns towards y."""
    x, y = polygon[:, 0], polygon[:, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0


def _edges(polygons: Iterable[Array]) -> tuple[Array, Array]:
    """All edges, each polygon turned so that its area counts positive."""
    starts, ends = [], []
    for polygon in polygons:
        if len(polygon) < 3:
            continue
        turned = polygon if area(polygon) < 0.0 else polygon[::-1]
        starts.append(turned)
        ends.append(np.roll(turned, -1, axis=0))
    if not starts:
        return np.empty((0, 2)), np.empty((0, 2))
    return np.concatenate(starts), np.concatenate(ends)


def _cut(starts: Array, ends: Array) -> tuple[Array, Array]:
    """Cut edges at all whole x and y; horizontal pieces add nothing and may stay."""
    number = len(starts)
    owners, places = [np.arange(number), np.arange(number)], [np.zeros(number), np.ones(number)]
    for axis in (0, 1):
        first = np.minimum(starts[:, axis], ends[:, axis])
        last = np.maximum(starts[:, axis], ends[:, axis])
        begin = np.floor(first) + 1.0
        count = np.maximum(np.ceil(last) - begin, 0.0).astype(int)
        owner = np.repeat(np.arange(number), count)
        steps = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        border = begin[owner] + steps
        owners.append(owner)
        places.append((border - starts[owner, axis]) / (ends[owner, axis] - starts[owner, axis]))
    owner, place = np.concatenate(owners), np.concatenate(places)
    order = np.lexsort((place, owner))
    owner, place = owner[order], place[order]
    points = starts[owner] + place[:, None] * (ends[owner] - starts[owner])
    same = owner[1:] == owner[:-1]
    return points[:-1][same], points[1:][same]


def clipped(polygon: Array, point: Array, inward: Array) -> Array:
    """Return the part of a polygon where ``(p - point) . inward >= 0`` (Sutherland and Hodgman 1974)."""
    if not len(polygon):
        return polygon
    depth = (polygon - point) @ inward
    if np.all(depth >= 0.0):
        return polygon
    kept: list[Array] = []
    for index, here in enumerate(polygon):
        after = (index + 1) % len(polygon)
        if depth[index] >= 0.0:
            kept.append(here)
        if (depth[index] >= 0.0) != (depth[after] >= 0.0):
            share = depth[index] / (depth[index] - depth[after])
            kept.append(here + share * (polygon[after] - here))
    return np.array(kept).reshape(-1, 2)


def difference(polygons: Sequence[Array], hole: Array) -> list[Array]:
    """Return convex polygons less one convex ``hole``, as disjoint convex pieces."""
    turned = hole if area(hole) > 0.0 else hole[::-1]
    pieces: list[Array] = []
    for polygon in polygons:
        rest = polygon
        for start, end in zip(turned, np.roll(turned, -1, axis=0), strict=True):
            inward = np.array([start[1] - end[1], end[0] - start[0]])
            outside = clipped(rest, start, -inward)
            if len(outside) >= 3:
                pieces.append(outside)
            rest = clipped(rest, start, inward)
            if len(rest) < 3:
                break
    return pieces


def convex_hull(points: Array) -> Array:
    """Return the convex hull of points (n, 2) (Andrew's monotone chain)."""
    ordered = points[np.lexsort((points[:, 1], points[:, 0]))]

    def half(chain_points: Array) -> list[Array]:
        chain: list[Array] = []
        for point in chain_points:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0.0:
                chain.pop()
            chain.append(point)
        return chain[:-1]

    return np.array(half(ordered) + half(ordered[::-1]))


def _turn(a: Array, b: Array, c: Array) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
