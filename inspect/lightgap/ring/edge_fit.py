"""Fit straight edges between levels that vary along them: all the sides of a ring at once.

Each block along an edge has its own level and slope on either side (and beyond the foot of the wall,
where that falls in the window), blurred by the photo; what a line's blocks share is where it runs.
The levels are linear and are eliminated (variable projection, Golub and Pereyra 1973), which leaves
one shift for each block; a robust straight line goes through the shifts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.ring.edge_pixels import Profiles

Array = NDArray[np.float64]

REACH_PX = 5.0
"""So far on either side of an edge is looked at."""

_CLOSE_PX = 3.0
"""And so far when the fit is tried again on the nearest pixels alone."""
_BLUR_PX = 0.8
"""A sharp phone photo's; the places of edges hardly depend on it up to twice as much."""
_ROUNDS, _CLOSE_ROUNDS = 6, 3
_LUMA_AND_COLOUR = np.array([[0.3, 0.7, -0.3], [0.59, -0.59, -0.59], [0.11, -0.11, 0.89]])
"""Linear red, green, blue to luma, red less luma, blue less luma."""
_CHANNEL_TRUST = np.array([1.0, 0.5, 0.5])
"""Colour differences are blurred by the JPEG and fringed by the lens: they count where luma tells little."""
_LEAST_NOISE = 1e-4
_BLOCK_PRIOR_PX = 3.0
_BLOCK_FLOOR_PX = 0.05
_LEAST_SPREAD_PX = 0.15
_TUKEY_SPREADS = 4.0
_LONGEST_STEP_PX = 1.0
_GROUPS = 8
_RIDGE = np.diag([1e-6, 0.6, 1e-6, 0.6, 0.2])


@dataclass(frozen=True, eq=False)
class LineFits:
    """Fitted lines against those that their profiles were gathered about; all of shape (J,).

    Attributes
    ----------
    place_px, turn : ndarray
        Shift away from the wood at the line's middle, and slope (px per px).
    place_standard_px, turn_standard : ndarray
        Sandwich over groups of blocks.
    close_place_px, close_turn : ndarray
        The same from the nearest pixels alone: grain or a second edge beside the arris shows as a change.
    kept : ndarray
        Share of blocks that agreed.
    block_standard_px : ndarray
        How well one block alone tells the place.
    """

    place_px: Array
    turn: Array
    place_standard_px: Array
    turn_standard: Array
    close_place_px: Array
    close_turn: Array
    kept: Array
    block_standard_px: Array


def fit_lines(profiles: Profiles, foot_px: Array) -> LineFits:
    """Fit a straight edge to each line's profiles.

    Parameters
    ----------
    foot_px : ndarray, shape (J,)
        Distance of the wall's foot beyond the arris, nan where it does not show in the window.
    """
    light = profiles.light @ _LUMA_AND_COLOUR
    along = profiles.along_mm * profiles.px_per_mm[:, None]
    reach = np.abs(along).max(axis=1)
    basis = np.stack([np.ones_like(along), along / reach[:, None]], axis=-1)
    terms = np.zeros((len(along), 2))
    far = _Lines(profiles.across_px, light, profiles.count, basis, foot_px)
    for _ in range(_ROUNDS):
        step = far.step(terms)
        terms = terms + step.terms
    standard = step.standard()
    place = np.einsum("jbi,ji->jb", basis, terms)
    count = np.where(np.abs(profiles.across_px - place[..., None]) < _CLOSE_PX, profiles.count, 0.0)
    near = _Lines(profiles.across_px, light, count, basis, foot_px, step.noise)
    close = terms
    for _ in range(_CLOSE_ROUNDS):
        close = close + near.step(close).terms
    return LineFits(
        terms[:, 0],
        terms[:, 1] / reach,
        standard[:, 0],
        standard[:, 1] / reach,
        close[:, 0],
        close[:, 1] / reach,
        np.mean(step.agree > 0.0, axis=1),
        step.block_standard,
    )


@dataclass(frozen=True, eq=False)
class _Step:
    """One round's correction and what it rests on."""

    terms: Array
    basis: Array
    pull: Array
    rest: Array
    agree: Array
    inverse: Array
    block_standard: Array
    noise: Array

    def standard(self) -> Array:
        """Standard uncertainties of the terms: a sandwich over groups of neighbouring blocks."""
        score = (self.pull * self.rest)[..., None] * self.basis
        number = min(_GROUPS, score.shape[1])
        groups = np.array_split(np.arange(score.shape[1]), number)
        summed = np.stack([score[:, group].sum(axis=1) for group in groups], axis=1)
        middle = np.einsum("jgi,jgk->jik", summed, summed) * number / max(number - 2, 1)
        covariance = self.inverse @ middle @ self.inverse + 0.25 * self.inverse
        return np.asarray(np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)))


class _Lines:
    """The pixels of J lines, and the round of corrections that brings the lines onto the edges."""

    def __init__(
        self, across: Array, light: Array, count: Array, basis: Array, foot: Array, noise: Array | None = None
    ) -> None:
        self._noise = noise
        self._across, self._light, self._count, self._basis, self._foot = across, light, count, basis, foot
        self._robust = np.ones_like(across)

    def step(self, terms: Array) -> _Step:
        basis = self._basis
        rest, slope = self._residuals(np.einsum("jbi,ji->jb", basis, terms))
        noise = self._noise
        if noise is None:
            noise = (1.6 * np.median(np.abs(rest), axis=(1, 2)) + _LEAST_NOISE) / _CHANNEL_TRUST
        scaled, slope = rest / noise[:, None, None], slope / noise[:, None, None]
        self._robust = 1.0 / (1.0 + np.mean(scaled**2, axis=-1) / 6.0)
        weight = (self._count * self._robust)[..., None]
        sure = np.sum(weight * slope * slope, axis=(2, 3)) + _BLOCK_PRIOR_PX**-2
        shift = np.sum(weight * slope * scaled, axis=(2, 3)) / sure
        centred = shift - np.median(shift, axis=1, keepdims=True)
        spread = 1.4826 * np.median(np.abs(centred), axis=1, keepdims=True)
        off = centred / (_TUKEY_SPREADS * np.maximum(spread, _LEAST_SPREAD_PX))
        agree = np.where(np.abs(off) < 1.0, (1.0 - off**2) ** 2, 0.0)
        pull = agree / (1.0 / sure + _BLOCK_FLOOR_PX**2)
        normal = np.einsum("jb,jbi,jbk->jik", pull, basis, basis) + 1e-3 * np.eye(2)
        inverse = np.linalg.inv(normal)
        found = np.einsum("jik,jb,jbk->ji", inverse, pull * shift, basis)
        left = shift - np.einsum("jbi,ji->jb", basis, found)
        found = np.clip(found, -_LONGEST_STEP_PX, _LONGEST_STEP_PX)
        return _Step(found, basis, pull, left, agree, inverse, 1.0 / np.sqrt(np.median(sure, axis=1)), noise)

    def _residuals(self, place: Array) -> tuple[Array, Array]:
        """Light less the best levels, and its change with each block's place, levels eliminated."""
        away = self._across - place[..., None]
        step, density = _blurred_step(away)
        ramp = away / REACH_PX
        has_foot = np.isfinite(self._foot)[:, None, None]
        foot, foot_density = _blurred_step(away - np.nan_to_num(self._foot)[:, None, None])
        foot, foot_density = np.where(has_foot, foot, 0.0), np.where(has_foot, foot_density, 0.0)
        columns = np.stack([1.0 - step, (1.0 - step) * ramp, step, step * ramp, foot], axis=-1)
        weighted = (columns * (self._count * self._robust)[..., None]).swapaxes(2, 3)
        inverse = np.linalg.inv(weighted @ columns + _RIDGE)
        levels = inverse @ (weighted @ self._light)
        jump = (levels[..., 2, :] - levels[..., 0, :])[:, :, None]
        rise = (levels[..., 3, :] - levels[..., 1, :])[:, :, None]
        slope = -density[..., None] * (jump + rise * ramp[..., None])
        slope -= foot_density[..., None] * levels[:, :, None, 4]
        slope -= columns @ (inverse @ (weighted @ slope))
        return np.where(self._count[..., None] > 0.0, self._light - columns @ levels, 0.0), slope


def _blurred_step(away: Array) -> tuple[Array, Array]:
    """Return a unit step through the blur, and its derivative (per px)."""
    z = away / _BLUR_PX
    return ndtr(z), np.exp(-0.5 * z * z) / (_BLUR_PX * np.sqrt(2.0 * np.pi))
