"""Which of the lines along a side is the arris: candidates, coarsely, and the chance of each.

Beside the arris run other straight lines: grain, the foot of the side's own wall, the end of a lit
strip on that wall, a shadow's border, the far edge of a clamp's band. Every line that holds over the
side's whole length is a candidate. What tells them apart: the strength of the step; steps further in,
on the wood; the wall's foot at the distance that the camera's pose foretells; the direction; and where
the other sides' edges put the figure. These are weighed as a conditional logit (McFadden 1973), so
that what cannot be told apart keeps comparable chances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.ring.plane import Sampler, sampler
from lightgap.ring.sides import Sides

Array = NDArray[np.float64]

_BIN_MM = 0.12
_ALONG_MM = 0.25
_BLOCK_MM = 4.0
_DEEP_MM, _FAR_MM = 4.4, 3.0
"""How far onto the wood, and away from it, lines along a side are looked at."""
_WOOD_MM = 2.4
"""Deeper than this under the nominal edge there is only wood."""
_REACH_MM = 2.3
"""The arris is looked for so far from the nominal edge."""
_WINDOW = 3
"""Bins on either side of a step."""
_MOST_TURN_DEG, _LONGEST_TURN_STEP_DEG = 1.5, 0.3
_STEP_AT_END_MM = 0.15
"""Between one turn and the next a line's ends move no further."""
_USUAL_TURN_DEG = 0.6
_APART_MM = 0.2
_KEPT = 6
_INSIDE_MM = (-1.6, -0.28)
_LEAST_WALL_MM = 0.1
_NOISE_CODES = 2.0
_FIRST_WIDTH_MM, _WIDTH_MM = 0.8, 0.25

_FIRST_WEIGHTS = np.array([1.6, -0.7, 1.3, -0.5, -1.6])
_WEIGHTS = np.array([0.9, -0.4, 0.7, -0.35, -1.55])
"""Of step, step further in, wall's foot, turn, place: fitted by maximum likelihood on 1432 sides of
rendered photos; the chances stayed true on photos left out of the fit."""


@dataclass(frozen=True, eq=False)
class Candidates:
    """Lines that could be the arris, of all sides of one kind.

    Attributes
    ----------
    side : ndarray of int, shape (C,)
        Row in `Sides`.
    out_mm, slope : ndarray, shape (C,)
        ``out = out_mm + slope * along`` in the side's frame.
    chance : ndarray, shape (C,)
        Adds up to 1 over each side.
    features : ndarray, shape (C, 4)
        What the weights of step, step further in, wall's foot and turn are applied to.
    """

    side: NDArray[np.intp]
    out_mm: Array
    slope: Array
    chance: Array
    features: Array


def find_candidates(
    photo: Photo, camera: Camera, height_mm: float, kinds: Sequence[Sides]
) -> tuple[Candidates, ...]:
    """Find the lines along every side, and the chance that each is the arris."""
    look = sampler(photo, camera, height_mm, 1.1 * _BIN_MM)
    return tuple(weigh(sides, _candidates(look, sides, sides.wall_mm(camera, height_mm))) for sides in kinds)


def _candidates(look: Sampler, sides: Sides, walls: Array) -> Candidates:
    slopes = _slopes(float(sides.half_mm.max()))
    profile, along, first = _profiles(look, sides, float(slopes[-1]))
    strength, out = _step_strength(profile, along, first, slopes)
    unlikely = 0.5 * (np.degrees(slopes) / _USUAL_TURN_DEG) ** 2
    rows = []
    for side, (table, wall) in enumerate(zip(strength, walls, strict=True)):
        lines = _local_maxima(table, out, unlikely)
        if wall > _LEAST_WALL_MM:
            feet = [(place - wall, turn) for place, turn in lines[:4]]
            lines += [
                (place, turn)
                for place, turn in feet
                if abs(place) < _REACH_MM and all(abs(place - other) > 0.15 for other, _ in lines)
            ]
        rows += [
            (side, place, slopes[turn], *_features(table[turn], out, place, wall), unlikely[turn])
            for place, turn in lines
        ]
    side, out_mm, slope, *features = np.array(rows).T
    return Candidates(side.astype(np.intp), out_mm, slope, np.ones(len(side)), np.stack(features, axis=1))


def _slopes(half_mm: float) -> Array:
    """Slopes to try along sides of this half length."""
    step = min(_LONGEST_TURN_STEP_DEG, float(np.degrees(_STEP_AT_END_MM / half_mm)))
    count = int(np.ceil(_MOST_TURN_DEG / step))
    return np.asarray(np.tan(np.radians(np.linspace(-_MOST_TURN_DEG, _MOST_TURN_DEG, 2 * count + 1))))


def _profiles(look: Sampler, sides: Sides, steepest: float) -> tuple[Array, Array, float]:
    """Mean codes by side, block along it and bin across it, (S, B, V, 3); the blocks' places (S, B); and
    where the bins begin."""
    length = 2.0 * float(np.median(sides.half_mm))
    blocks = int(np.clip(round(length / _BLOCK_MM), 5, 30))
    each = max(4, round(length / blocks / _ALONG_MM))
    share = (np.arange(blocks * each) + 0.5) / (blocks * each) * 2.0 - 1.0
    spare = steepest * float(sides.half_mm.max())
    first = -_DEEP_MM - spare
    out = np.arange(first, _FAR_MM + spare, _BIN_MM) + _BIN_MM / 2.0
    count = len(sides.numbers)
    side = np.arange(count)[:, None, None]
    along = sides.half_mm[:, None, None] * share
    points = sides.place(side, along, out[None, :, None]).reshape(count * len(out), len(share), 2)
    seen = look(points[..., 0], points[..., 1])
    mean = seen.reshape(count, len(out), blocks, each, 3).mean(axis=3, dtype=np.float32)
    centres = share.reshape(blocks, each).mean(axis=1)
    return mean.transpose(0, 2, 1, 3).astype(float), sides.half_mm[:, None] * centres, first


def _step_strength(profile: Array, along: Array, first_mm: float, slopes: Array) -> tuple[Array, Array]:
    """Strength of the step along every line, (S, slopes, X), and the lines' places (X,), mm.

    In units of the steps that the wood itself has; neighbouring blocks have to agree, so that
    texture does not add up, but the far ones need not (a shadow may cross the bench).
    """
    count, blocks, bins, _ = profile.shape
    summed = np.concatenate([np.zeros((count, blocks, 1, 3)), np.cumsum(profile, axis=2)], axis=2)
    middle = summed[:, :, _WINDOW:-_WINDOW]
    steps = (summed[:, :, 2 * _WINDOW :] + summed[:, :, : -2 * _WINDOW] - 2.0 * middle) / _WINDOW
    place = np.arange(_WINDOW, bins - _WINDOW + 1) * _BIN_MM + first_mm
    steps = _whitened(steps, place < -_WOOD_MM)
    most = int(np.ceil(slopes[-1] * np.abs(along).max() / _BIN_MM))
    inner = np.arange(most, len(place) - most)
    rows = np.arange(count)[:, None, None], np.arange(blocks)[None, :, None]
    strength = np.empty((count, len(slopes), len(inner)))
    for index, slope in enumerate(slopes):
        shift = np.round(slope * along / _BIN_MM).astype(int)
        along_line = steps[(*rows, inner + shift[:, :, None])]
        padded = np.concatenate([along_line[:, :1], along_line, along_line[:, -1:]], axis=1)
        smooth = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / 3.0
        scatter = 1.5 * np.mean((along_line - smooth) ** 2, axis=(1, 3))
        strength[:, index] = np.sqrt(np.sum(smooth**2, axis=3)).mean(axis=1) / np.sqrt(1.0 + scatter)
    return strength, place[inner]


def _whitened(steps: Array, wood: NDArray[np.bool_]) -> Array:
    """Scale colour steps by those found on the wood of the same segment, the strongest tenth left out."""
    found = steps[:, :, wood].reshape(len(steps), -1, 3)
    size = np.sum(found**2, axis=2)
    kept = size <= np.quantile(size, 0.9, axis=1, keepdims=True)
    moment = np.einsum("sn,sni,snj->sij", kept.astype(float), found, found) / kept.sum(axis=1)[:, None, None]
    covariance = 1.35 * moment + _NOISE_CODES**2 * np.eye(3)
    return np.asarray(steps @ np.linalg.cholesky(np.linalg.inv(covariance))[:, None])


def _local_maxima(table: Array, out: Array, unlikely: Array) -> list[tuple[float, int]]:
    """Places (mm) and slopes (index) of the strongest lines, the strongest first."""
    graded = table * (1.0 - 0.06 * unlikely[:, None])
    best, turn = graded.max(axis=0), graded.argmax(axis=0)
    peak = (best[1:-1] >= best[:-2]) & (best[1:-1] > best[2:]) & (np.abs(out[1:-1]) < _REACH_MM)
    found: list[tuple[float, int]] = []
    for cell in sorted(np.flatnonzero(peak) + 1, key=lambda cell: -best[cell]):
        before, here, after = best[cell - 1 : cell + 2]
        bend = before - 2.0 * here + after
        place = out[cell] + 0.5 * _BIN_MM * (before - after) / min(bend, -1e-9)
        if all(abs(place - other) > _APART_MM for other, _ in found):
            found.append((float(place), int(turn[cell])))
    return found[:_KEPT] or [(0.0, len(table) // 2)]


def _features(strength: Array, out: Array, place: float, wall: float) -> tuple[float, float, float]:
    """Steps (logarithmic): here, further in, and where the wall's foot is if this is the arris."""

    def at(low: float, high: float) -> float:
        window = strength[(out > place + low) & (out < place + high)]
        return float(np.log1p(window.max() ** 2 / 3.0)) if window.size else 0.0

    reach = 1.01 * _BIN_MM
    foot = at(wall - reach, wall + reach) if wall > _LEAST_WALL_MM else 0.0
    return at(-reach, reach), at(*_INSIDE_MM), foot


def weigh(sides: Sides, found: Candidates) -> Candidates:
    """Give every candidate its chance: first by its own looks, then also by where the others are."""
    chance = _chances(found, found.out_mm, _FIRST_WIDTH_MM, _FIRST_WEIGHTS)
    for _ in range(2):
        expected = _figure(sides, found, chance)
        chance = _chances(found, found.out_mm - expected, _WIDTH_MM, _WEIGHTS)
    return Candidates(found.side, found.out_mm, found.slope, chance, found.features)


def _chances(found: Candidates, off_mm: Array, width_mm: float, weights: Array) -> Array:
    score = found.features @ weights[:-1] + weights[-1] * np.log1p((off_mm / width_mm) ** 2)
    best = np.full(found.side.max() + 1, -np.inf)
    np.maximum.at(best, found.side, score)
    share = np.exp(score - best[found.side])
    return np.asarray(share / np.bincount(found.side, share)[found.side])


def _figure(sides: Sides, found: Candidates, chance: Array) -> Array:
    """Where the likeliest candidates of all sides together put each candidate's side (robustly), mm."""
    ordered = np.lexsort((-chance, found.side))
    best = ordered[np.unique(found.side[ordered], return_index=True)[1]]
    normal = sides.normal_rad
    basis = np.stack([np.ones_like(normal), np.cos(normal), np.sin(normal)], axis=1)
    place, sure = found.out_mm[best], chance[best]
    prior = np.diag([0.1, 0.3, 0.3])
    terms = np.array([np.median(place), 0.0, 0.0])
    for _ in range(12):
        off = place - basis @ terms
        width = max(0.15, 1.4826 * float(np.median(np.abs(off))))
        weight = sure / (1.0 + (off / width) ** 2)
        terms = np.linalg.solve(basis.T @ (basis * weight[:, None]) + prior, basis.T @ (weight * place))
    return np.asarray((basis @ terms)[found.side])
