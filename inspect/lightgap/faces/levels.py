"""Straight boundaries between levels that vary along the joint: the one fit behind every face.

The light across a joint is modelled as levels (wood, slot, wood, ...) that meet at straight
boundaries, blurred by the photo's own blur. Each short row along the joint has its own levels, so
grain, shading and shadows across the joint are absorbed; what all rows share is where the
boundaries run. Levels are linear in the model and are eliminated row by row (variable projection:
Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973; Kaufman's approximation), which leaves a handful of
unknowns for Gauss-Newton.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Basis = Callable[[Array], tuple[Array, Array]]
"""Parameters (p,) -> (level basis (K, n), its derivative by each parameter (p, K, n))."""

_TUKEY_SIGMAS = 5.0
_ROUNDS = 14
_STEP_TOLERANCE = 3e-3
_LARGEST_STEP = 0.5
_MOST_MIXED = 3.0
"""How many steps ahead a round looks at most."""
_BLOCK_ROWS, _SECTIONS = 3, 8
"""Rows that form one block of the sandwich covariance, and sections of the whole length that form one."""
_RIDGE = 1e-9
_TAIL_SHARE = 0.2316419
_TAIL = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)


@dataclass(frozen=True, eq=False)
class LevelFit:
    """A fit of boundaries.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        Sandwich over blocks of rows, so that grain that crosses the joint counts as what it is.
    by_sections : ndarray, shape (p,)
        Each parameter's variance by long sections of rows over that by blocks, 1 but for chance; more where
        grain runs along the joint.
    sigma : float
        Robust scatter of the residuals, in the unit of the light.
    levels : ndarray, shape (R, K)
        Level of each interval in each row.
    residuals : ndarray, shape (n,)
    converged : bool
    """

    parameters: Array
    covariance: Array
    by_sections: Array
    sigma: float
    levels: Array
    residuals: Array
    converged: bool


def blurred_step(distance_px: Array, blur_px: Array | float) -> tuple[Array, Array]:
    """Return Phi(x / s) and its derivative by x (per px): an edge through a Gaussian blur.

    Phi is Abramowitz and Stegun's 26.2.17, whose error is below 1e-7: from the derivative, which is needed
    anyway, in half the time.
    """
    z = distance_px / blur_px
    bell = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    t = 1.0 / (1.0 + _TAIL_SHARE * np.abs(z))
    a, b, c, d, e = _TAIL
    tail = bell * t * (a + t * (b + t * (c + t * (d + t * e))))
    return np.where(z > 0.0, 1.0 - tail, tail), bell / blur_px


def fit_levels(
    light: Array,
    rows: NDArray[np.intp],
    basis: Basis,
    start: Array,
    smooth: Array,
    rounds: int = _ROUNDS,
    like: LevelFit | None = None,
) -> LevelFit:
    """Fit boundary parameters with a free set of levels in every row.

    Parameters
    ----------
    light : ndarray, shape (n,)
    rows : ndarray of int, shape (n,)
        Row of each pixel, ascending, 0..R-1.
    basis : callable
        The level basis at given parameters, and its derivatives.
    start : ndarray, shape (p,)
    smooth : ndarray, shape (m, n)
        Further columns shared by all rows (slopes across the joint), linear.
    rounds : int
        Most rounds of Gauss-Newton.
    like : LevelFit, optional
        A fit of the same light by nearly the same model, whose weights the first round takes; all ones
        without it.
    """
    starts = np.flatnonzero(np.diff(rows, prepend=-1))
    parameters = np.array(start, dtype=float)
    weights = np.ones_like(light) if like is None else _tukey(like.residuals / like.sigma)
    system = _reduce(light, starts, basis(parameters), smooth, weights)
    step = system.step
    parameters = parameters + step
    converged = False
    for _ in range(rounds - 1):
        here = basis(parameters)
        # Weights of where the step has led: those of where it began would make the rounds swing.
        residuals = system.residuals(here[0], step)
        scaled = residuals / _scatter(residuals, weights)
        weights = _tukey(scaled)
        before, system = system, _reduce(light, starts, here, smooth, weights)
        step = _mixed(system.step, before.step, step)
        parameters = parameters + step
        if np.max(np.abs(system.step)) < _STEP_TOLERANCE:
            converged = True
            break
    still = np.zeros_like(parameters)
    residuals = system.residuals(system.columns, still)
    sigma = _scatter(residuals, weights)
    inverse = np.asarray(np.linalg.pinv(system.information) * sigma**2, dtype=float)
    scores = system.scores(weights * residuals, starts[::_BLOCK_ROWS]) / sigma**2
    sandwich = _sandwich(inverse, scores, parameters.size)
    covariance = _robust_bread(residuals / sigma, weights) ** 2 * sandwich + 0.25 * inverse
    by_sections = _by_sections(inverse, scores, sandwich)
    return LevelFit(parameters, covariance, by_sections, sigma, system.levels(still), residuals, converged)


def _sandwich(inverse: Array, scores: Array, lost: int) -> Array:
    """Covariance by the scatter of scores, shape (p, blocks), of which the fit has taken up ``lost``."""
    count = scores.shape[1]
    return np.asarray(inverse @ (scores @ scores.T) @ inverse * (count / max(count - lost, 1)))


def _by_sections(inverse: Array, scores: Array, by_blocks: Array) -> Array:
    """Variances by long sections over those by short blocks, shape (p,); ones where there are few blocks."""
    count = scores.shape[1]
    if count < 2 * _SECTIONS:
        return np.ones(len(inverse))
    sections = np.add.reduceat(scores, np.arange(0, count, -(-count // _SECTIONS)), axis=1)
    # A line's place and turn, and a gap and its taper, each pair takes up its share.
    variances = np.diag(_sandwich(inverse, sections, 2))
    return np.asarray(variances / np.maximum(np.diag(by_blocks), 1e-30))


def _mixed(own: Array, before: Array, made: Array) -> Array:
    """The next step from the round's own and the last round's, and what was made of that.

    Weights follow the boundaries slowly, and the boundaries the weights: rounds creep the same way in ever
    shorter steps. Two of them tell where they lead (D. G. Anderson, J. ACM 12, 1965, with one step kept).
    """
    change = own - before
    share = np.clip(-float(own @ change) / max(float(change @ change), 1e-12), 0.0, _MOST_MIXED)
    return np.asarray(np.clip(own + share * (made + change), -_LARGEST_STEP, _LARGEST_STEP))


def _tukey(scaled: Array) -> Array:
    """Weights of residuals over their scatter."""
    square = (scaled / _TUKEY_SIGMAS) ** 2
    return np.where(square < 1.0, (1.0 - square) ** 2, 0.0)


def _robust_bread(scaled: Array, weights: Array) -> float:
    """Weights over slopes of Tukey's function: a sandwich's bread is made of the slopes.

    (Huber, Robust Statistics, 1981, section 7.6; with the weights themselves it would come out too thin.)
    """
    square = (scaled / _TUKEY_SIGMAS) ** 2
    slopes = np.where(square < 1.0, (1.0 - square) * (1.0 - 5.0 * square), 0.0)
    return float(np.mean(weights) / max(np.mean(slopes), 0.25 * np.mean(weights)))


def clipped_cost(residuals: Array, sigma: float) -> float:
    """Mean of min((r / sigma)^2, 9)."""
    return float(np.mean(np.minimum((residuals / sigma) ** 2, 9.0)))


def _scatter(rest: Array, weights: Array) -> float:
    used = np.abs(rest[weights > 0.0])
    if not used.size:
        return 1e-6
    return max(1.4826 * float(np.partition(used, used.size // 2)[used.size // 2]), 1e-6)


@dataclass(frozen=True, eq=False)
class _System:
    """Normal equations of the parameters after levels and slopes are eliminated.

    Targets are what levels and slopes are fitted to: the Jacobian's p columns, the slopes' own m, the light.

    Attributes
    ----------
    step : ndarray, shape (p,)
        The Gauss-Newton step, no parameter further than `_LARGEST_STEP`.
    information : ndarray, shape (p, p)
        Of the parameters alone (Schur complement), per unit variance of the light.
    columns : ndarray, shape (K, n)
    targets : ndarray, shape (p + m + 1, n)
    coefficients : ndarray, shape (R, K, p + m + 1)
        Levels of each row fitted to each target.
    slopes : ndarray, shape (m, p + m + 1)
        Slopes fitted to each target.
    lengths : ndarray of int, shape (R,)
        Pixels of each row.
    """

    step: Array
    information: Array
    columns: Array
    targets: Array
    coefficients: Array
    slopes: Array
    lengths: NDArray[np.intp]

    def levels(self, step: Array) -> Array:
        """Levels once the parameters have made a step, shape (R, K)."""
        return np.asarray(self.coefficients @ self._shares(step))

    def residuals(self, columns: Array, step: Array) -> Array:
        """Light left by these columns, with levels and slopes moved by the step, shape (n,)."""
        shares = self._shares(step)
        levels = np.repeat(self.levels(step).T, self.lengths, axis=1)
        linear = shares[step.size :] @ self.targets[step.size :]
        return np.asarray(linear - np.einsum("kn,kn->n", columns, levels))

    def _shares(self, step: Array) -> Array:
        """Share of each target in the light less the parameters' step and the slopes, shape (p + m + 1,)."""
        bends = self.slopes[:, -1] - self.slopes[:, : step.size] @ step
        return np.concatenate([-step, -bends, [1.0]])

    def scores(self, weighted: Array, starts: NDArray[np.intp]) -> Array:
        """Sum over blocks of the reduced Jacobian times the weighted residuals, shape (p, blocks).

        The levels' part of the Jacobian falls out: in every row the levels' columns are square to the
        weighted residuals.
        """
        number = self.step.size
        sums = np.add.reduceat(self.targets[:-1] * weighted, starts, axis=1)
        return np.asarray(sums[:number] - self.slopes[:, :number].T @ sums[number:])


def _reduce(
    light: Array, starts: NDArray[np.intp], basis: tuple[Array, Array], smooth: Array, weights: Array
) -> _System:
    """Eliminate the row levels, then the slopes, from the normal equations (Schur complements)."""
    columns, derivatives = basis
    number, size = len(derivatives), len(columns)
    lengths = np.diff(starts, append=light.size)
    weighted = columns * weights
    gram = np.add.reduceat(weighted[:, None] * columns, starts, axis=-1)
    inverse = np.linalg.inv(np.moveaxis(gram, -1, 0) + _RIDGE * np.eye(size))

    plain = np.add.reduceat(weighted * light, starts, axis=-1)
    levels = np.repeat(np.einsum("rij,jr->ir", inverse, plain), lengths, axis=1)
    jacobian = np.einsum("pkn,kn->pn", derivatives, levels)
    targets = np.concatenate([jacobian, smooth, light[None, :]])
    moments = np.add.reduceat(weighted[:, None] * targets, starts, axis=-1)
    coefficients = np.asarray(inverse @ np.moveaxis(moments, -1, 0), dtype=float)
    normal = (targets * weights) @ targets.T - np.einsum("ktr,rks->ts", moments, coefficients)

    last = len(targets) - 1
    slopes = np.linalg.pinv(normal[number:last, number:last]) @ normal[number:last, :]
    reduced = normal - normal[:, number:last] @ slopes
    information = reduced[:number, :number]
    step = np.linalg.lstsq(information, reduced[:number, last], rcond=1e-12)[0]
    step = np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
    return _System(
        np.clip(step, -_LARGEST_STEP, _LARGEST_STEP),
        information,
        columns,
        targets,
        coefficients,
        slopes,
        lengths,
    )
