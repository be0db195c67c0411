"""The original pixels beside a line that runs along a side, each with its place against that line.

The line is mapped into the photo, not the photo onto the line: every pixel keeps its own value, and
gets its place from where the line crosses its column (or its row, where the line runs steeply).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.photo import LINEAR_OF_CODE, Photo
from lightgap.ring.sides import Sides

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]

_NODES = np.linspace(-1.0, 1.0, 9)
_DEGREE = 3
"""A cubic follows a projected side, lens and arc included, to about 0.001 px."""


@dataclass(frozen=True, eq=False)
class Profiles:
    """Light beside J lines, gathered in B blocks along each and K bins across it.

    Attributes
    ----------
    across_px : ndarray, shape (J, B, K)
        Mean distance of a bin's pixels from the line, away from the wood.
    light : ndarray, shape (J, B, K, 3)
        Their mean linear red, green, blue.
    count : ndarray, shape (J, B, K)
        How many they are.
    along_mm : ndarray, shape (J, B)
        Middles of the blocks.
    px_per_mm : ndarray, shape (J,)
        Scale square to the line.
    """

    across_px: Array
    light: Array
    count: Array
    along_mm: Array
    px_per_mm: Array


def gather(
    photo: Photo,
    camera: Camera,
    height_mm: float,
    sides: Sides,
    side: NDArray[np.intp],
    out_mm: Array,
    slope: Array,
    *,
    reach_px: float,
    block_px: float,
    bin_px: float,
) -> Profiles:
    """Gather the pixels within ``reach_px`` of the lines ``out = out_mm + slope * along``; all (J,)."""
    scale = _scale(camera, height_mm, sides, side)
    pixels = _pixels_beside(photo, camera, height_mm, sides, side, out_mm, slope, reach_px / scale)
    half = sides.half_mm[side]
    blocks = max(4, round(float(np.median(2.0 * half * scale)) / block_px))
    bins = round(2.0 * reach_px / bin_px)
    block = ((pixels.along + 1.0) * (0.5 * blocks)).astype(np.intp)
    cell = ((pixels.across + 1.0) * (0.5 * bins)).astype(np.intp)
    index = (pixels.line * blocks + np.minimum(block, blocks - 1)) * bins + np.minimum(cell, bins - 1)
    size = len(side) * blocks * bins
    count = np.bincount(index, minlength=size)
    total = np.maximum(count, 1)
    light = [np.bincount(index, LINEAR_OF_CODE[band], minlength=size) / total for band in pixels.codes.T]
    across = np.bincount(index, pixels.across, minlength=size) / total * reach_px
    shape = (len(side), blocks, bins)
    return Profiles(
        across.reshape(shape),
        np.stack(light, axis=-1).reshape(*shape, 3),
        count.reshape(shape).astype(float),
        half[:, None] * ((np.arange(blocks) + 0.5) * (2.0 / blocks) - 1.0),
        scale,
    )


@dataclass(frozen=True, eq=False)
class _Pixels:
    """Pixels with the line they belong to, their place across (in reaches) and along (in half lengths)."""

    line: NDArray[np.intp]
    across: Float32
    along: Float32
    codes: NDArray[np.uint8]


def _pixels_beside(
    photo: Photo,
    camera: Camera,
    height_mm: float,
    sides: Sides,
    side: NDArray[np.intp],
    out_mm: Array,
    slope: Array,
    reach_mm: Array,
) -> _Pixels:
    along = sides.half_mm[side][:, None, None] * _NODES[:, None]
    out = out_mm[:, None, None] + slope[:, None, None] * along + reach_mm[:, None, None] * [-1.0, 0.0, 1.0]
    nodes = camera.project_plane(sides.place(side[:, None, None], along, out), height_mm)
    run = np.abs(nodes[:, -1, 1] - nodes[:, 0, 1])
    steep = run[:, 1] > run[:, 0]
    nodes[steep] = nodes[steep][..., ::-1]

    line, column, (near, middle, far), (start, here, end) = _columns(nodes)
    width = far - near
    rows = int(np.abs(width).max()) + 2
    row = np.floor(np.minimum(near, far)).astype(np.int32)[:, None] + np.arange(rows, dtype=np.int32)
    # First as if the scale across were even, then with the bend that three crossings show.
    place = 2.0 * (row - middle[:, None]) / width[:, None]
    place -= ((far + near - 2.0 * middle) / width)[:, None] * place * place
    along_place = here[:, None] + 0.5 * (end - start)[:, None] * place
    turned = np.broadcast_to(steep[line][:, None], row.shape)
    column = np.broadcast_to(column[:, None], row.shape)
    x, y = np.where(turned, row, column), np.where(turned, column, row)
    inside = (np.abs(place) < 1.0) & (np.abs(along_place) < 1.0)
    inside &= (x >= 0) & (x < photo.width) & (y >= 0) & (y < photo.height)
    return _Pixels(
        np.broadcast_to(line[:, None], row.shape)[inside],
        place[inside],
        along_place[inside],
        photo.codes[y[inside], x[inside]],
    )


def _scale(camera: Camera, height_mm: float, sides: Sides, side: NDArray[np.intp]) -> Array:
    """Pixels per mm square to each side, at its middle."""
    nil = np.zeros(len(side))
    step = camera.project_plane(sides.place(side, nil, nil + 1.0), height_mm) - camera.project_plane(
        sides.place(side, nil, nil - 1.0), height_mm
    )
    run = camera.project_plane(sides.place(side, nil + 1.0, nil), height_mm) - camera.project_plane(
        sides.place(side, nil - 1.0, nil), height_mm
    )
    area = np.abs(step[:, 0] * run[:, 1] - step[:, 1] * run[:, 0])
    return np.asarray(area / np.hypot(run[:, 0], run[:, 1]) / 2.0)


def _columns(nodes: Array) -> tuple[NDArray[np.intp], NDArray[np.int32], Float32, Float32]:
    """Every picture column of every line: its line, its number; where the near edge of the strip, the
    line and the far edge cross it (3, columns); and the places along the side there (3, columns).

    ``nodes`` are (J, nodes, 3, 2) with the coordinate that runs along the line first.
    """
    run = nodes[..., 0]
    centre = 0.5 * (run[:, 0, 1] + run[:, -1, 1])
    half = 0.5 * np.abs(run[:, -1, 1] - run[:, 0, 1])
    powers = ((run - centre[:, None, None]) / half[:, None, None])[..., None] ** np.arange(_DEGREE + 1)
    powers = powers.transpose(0, 2, 1, 3)
    targets = np.stack([nodes[..., 1], np.broadcast_to(_NODES[:, None], run.shape)], axis=-1)
    moments = powers.swapaxes(2, 3) @ targets.transpose(0, 2, 1, 3)
    terms = np.linalg.solve(powers.swapaxes(2, 3) @ powers, moments)

    low = np.ceil(run.min(axis=(1, 2))).astype(int)
    number = np.floor(run.max(axis=(1, 2))).astype(int) - low + 1
    line = np.repeat(np.arange(len(nodes)), number)
    column = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number) + low[line]
    at = ((column - centre[line]) / half[line])[:, None] ** np.arange(_DEGREE + 1)
    crossing, place = np.einsum("cp,ckpt->tkc", at, terms[line]).astype(np.float32)
    return line, column.astype(np.int32), crossing, place
