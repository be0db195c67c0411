"""Where on the plane a ring could lie: one orientation-weighted circle correlation.

Every place of the picture votes by the direction of its edges, doubled so that light-on-dark and
dark-on-light count alike, and with its strength saturated so that printed cards and newspaper cannot
outvote the ring. Disordered texture sums to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from lightgap.plan import Plan

_HALF_STRENGTH = 6.0
"""Colour gradient, codes per grid step of the picture given, at which a vote has half its weight."""
_INNER_WEIGHT = 0.7


@dataclass(frozen=True, eq=False)
class Peak:
    """A place where a ring's centre could be: row and column on the grid, and the votes for it."""

    row: float
    column: float
    votes: float


def edge_votes(codes: NDArray[np.uint8]) -> NDArray[np.complex64]:
    """Return the saturated, direction-doubled gradient of a colour picture, at half its resolution."""
    smooth = cv2.GaussianBlur(codes, (0, 0), 1.0).astype(np.float32)
    right = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32.0)
    down = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32.0)
    along, across = np.sum(right * right, axis=2), np.sum(down * down, axis=2)
    both = np.sum(right * down, axis=2)
    size = (codes.shape[1] // 2, codes.shape[0] // 2)
    along, across, both = (
        cv2.resize(part, size, interpolation=cv2.INTER_AREA) for part in (along, across, both)
    )
    votes = (along - across + 2j * both) / (along + across + _HALF_STRENGTH**2)
    return np.asarray(votes, dtype=np.complex64)


def find_centres(
    votes: NDArray[np.complex64], plan: Plan, outer_steps: Sequence[float], count: int
) -> list[list[Peak]]:
    """Correlate with rings of the plan's shape whose outer apothem is each of ``outer_steps``.

    Parameters
    ----------
    votes : ndarray, shape (rows, columns)
        From `edge_votes`.
    outer_steps : sequence of float
        Outer sizes (centre to flat) in grid steps.
    count : int
        Peaks to return for each size, highest first.
    """
    pad = int(np.ceil(max(outer_steps) / np.cos(np.radians(plan.mitre_deg)))) + 2
    shape = tuple(fft.next_fast_len(size + 2 * pad) for size in votes.shape)
    spectrum = fft.fft2(votes, shape)
    rows, columns = (np.minimum(np.arange(size), size - np.arange(size)) for size in shape)
    signed_rows = np.where(np.arange(shape[0]) * 2 > shape[0], -rows, rows).astype(np.float32)[:, None]
    signed_columns = np.where(np.arange(shape[1]) * 2 > shape[1], -columns, columns).astype(np.float32)
    radius2 = signed_rows**2 + signed_columns**2
    radius = np.sqrt(radius2)
    turn = (signed_columns + 1j * signed_rows) ** 2 / np.maximum(radius2, 1.0)
    answer = []
    for outer in outer_steps:
        kernel = _band(radius, outer, plan) + _INNER_WEIGHT * _band(
            radius, outer * plan.inner_mm / plan.outer_mm, plan
        )
        ring = fft.fft2((kernel * turn).astype(np.complex64))
        score = fft.ifft2(spectrum * np.conj(ring)).real
        answer.append(_peaks(score, votes.shape, pad, 0.15 * outer, count))
    return answer


def _band(radius: NDArray[np.float32], apothem: float, plan: Plan) -> NDArray[np.float32]:
    corner = apothem / np.cos(np.radians(plan.mitre_deg)) if plan.outline == "polygon" else apothem
    beyond = np.maximum(np.maximum(apothem - radius, radius - corner), 0.0)
    soft = max(1.0, 0.01 * apothem)
    band = np.exp(-0.5 * (beyond / soft) ** 2)
    return np.asarray(band / band.sum(), dtype=np.float32)


def _peaks(
    score: NDArray[np.float32], inside: tuple[int, ...], pad: int, apart: float, count: int
) -> list[Peak]:
    # Centres may lie outside the picture by up to the ring's radius; beyond that the sum has wrapped.
    score = np.roll(score, (pad, pad), axis=(0, 1))[: inside[0] + 2 * pad, : inside[1] + 2 * pad].copy()
    rows, columns = np.mgrid[: score.shape[0], : score.shape[1]]
    found = []
    for _ in range(count):
        row, column = np.unravel_index(int(np.argmax(score)), score.shape)
        found.append(Peak(float(row - pad), float(column - pad), float(score[row, column])))
        score[np.hypot(rows - row, columns - column) < apart] = -np.inf
    return found
