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
from scipy.special import ndtr

Array = NDArray[np.float64]

Basis = Callable[[Array], tuple[Array, Array]]
"""Parameters (p,) -> (level basis (K, n), its derivative by each parameter (p, K, n))."""

_TUKEY_SIGMAS = 5.0
_ROUNDS = 14
_STEP_TOLERANCE = 1e-4


@dataclass(frozen=True, eq=False)
class LevelFit:
    """A fit of boundaries.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        Sandwich over blocks of rows, so that grain along the joint counts as what it is.
    cost : float
        Mean of min((residual / sigma)^2, 9) with the sigma given, or of the fit itself.
    sigma : float
        Robust scatter of the residuals, in the unit of the light.
    levels : ndarray, shape (R, K)
        Median level of each interval in each row.
    weights : ndarray, shape (n,)
        Final robust weights, 0..1.
    converged : bool
    """

    parameters: Array
    covariance: Array
    cost: float
    sigma: float
    levels: Array
    weights: Array
    residuals: Array
    converged: bool


def blurred_step(distance_px: Array, blur_px: Array | float) -> tuple[Array, Array]:
    """Return Phi(x / s) and its derivative by x (per px): an edge through a Gaussian blur."""
    z = distance_px / blur_px
    return ndtr(z), np.exp(-0.5 * z * z) / (blur_px * np.sqrt(2.0 * np.pi))


def fit_levels(
    light: Array,
    rows: NDArray[np.intp],
    basis: Basis,
    start: Array,
    prior_weight: Array | None = None,
    smooth: Array | None = None,
    block_rows: int = 3,
    fixed_weights: Array | None = None,
    max_step: float = 0.5,
) -> LevelFit:
    """Fit boundary parameters with a free set of levels in every row.

    Parameters
    ----------
    light : ndarray, shape (n,)
    rows : ndarray of int, shape (n,)
        Row of each pixel, 0..R-1.
    basis : callable
        The level basis at given parameters, and its derivatives.
    start : ndarray, shape (p,)
    prior_weight : ndarray, shape (p,), optional
        Inverse variance of a prior about ``start`` for each parameter, in units of 1/sigma^2 of light
        removed (that is, a plain Gaussian prior); 0 for none.
    smooth : ndarray, shape (m, n), optional
        Further columns shared by all rows (slopes across the joint), linear.
    block_rows : int
        Rows that form one block of the sandwich covariance.
    fixed_weights : ndarray, shape (n,), optional
        Use these weights and do not re-weight (to compare models on the same pixels).
    """
    parameters = np.array(start, dtype=float)
    count_rows = int(rows.max()) + 1
    weights = np.ones_like(light) if fixed_weights is None else fixed_weights
    prior = np.zeros_like(parameters) if prior_weight is None else prior_weight
    extra = np.empty((0, light.size)) if smooth is None else smooth
    sigma = 1.0
    converged = False
    for _ in range(_ROUNDS):
        columns, derivatives = basis(parameters)
        rest, levels, reduced = _eliminate(light, rows, count_rows, columns, derivatives, extra, weights)
        sigma = _scatter(rest, weights)
        if fixed_weights is None:
            scaled = rest / (_TUKEY_SIGMAS * sigma)
            weights = np.where(np.abs(scaled) < 1.0, (1.0 - scaled**2) ** 2, 0.0)
        jacobian = reduced[: parameters.size]
        information = (jacobian * weights) @ jacobian.T / sigma**2 + np.diag(prior)
        pull = (jacobian * weights) @ rest / sigma**2 - prior * (parameters - start)
        step = np.linalg.lstsq(information, pull, rcond=1e-12)[0]
        step = np.clip(step, -max_step, max_step)
        parameters = parameters + step
        if np.max(np.abs(step)) < _STEP_TOLERANCE:
            converged = True
            break
    columns, derivatives = basis(parameters)
    rest, levels, reduced = _eliminate(light, rows, count_rows, columns, derivatives, extra, weights)
    sigma = _scatter(rest, weights)
    jacobian = reduced[: parameters.size]
    information = (jacobian * weights) @ jacobian.T / sigma**2 + np.diag(prior)
    inverse = np.linalg.pinv(information)
    blocks = rows // block_rows
    score = np.stack(
        [
            np.bincount(blocks, row * weights * rest / sigma**2, minlength=int(blocks.max()) + 1)
            for row in jacobian
        ]
    )
    covariance = inverse @ (score @ score.T) @ inverse
    degrees = max(score.shape[1] - parameters.size, 1) / score.shape[1]
    covariance = covariance / degrees + 0.25 * inverse
    cost = float(np.mean(np.minimum((rest / sigma) ** 2, 9.0)))
    return LevelFit(parameters, covariance, cost, sigma, levels, weights, rest, converged)


def clipped_cost(residuals: Array, sigma: float) -> float:
    """Mean of min((r / sigma)^2, 9)."""
    return float(np.mean(np.minimum((residuals / sigma) ** 2, 9.0)))


def _scatter(rest: Array, weights: Array) -> float:
    used = rest[weights > 0.0]
    return max(1.4826 * float(np.median(np.abs(used))) if used.size else 0.0, 1e-6)


def _eliminate(
    light: Array,
    rows: NDArray[np.intp],
    count_rows: int,
    columns: Array,
    derivatives: Array,
    extra: Array,
    weights: Array,
) -> tuple[Array, Array, Array]:
    """Remove the row levels and the shared linear columns from the light and from the Jacobian."""
    weighted = columns * weights
    number = len(columns)
    gram = np.empty((count_rows, number, number))
    for i in range(number):
        for j in range(i, number):
            gram[:, i, j] = gram[:, j, i] = np.bincount(rows, weighted[i] * columns[j], minlength=count_rows)
    gram += 1e-9 * np.eye(number)
    inverse = np.linalg.inv(gram)

    def project(target: Array) -> tuple[Array, Array]:
        moment = np.stack([np.bincount(rows, row * target, minlength=count_rows) for row in weighted], axis=1)
        coefficients = np.einsum("rij,rj->ri", inverse, moment)
        return target - np.einsum("kn,nk->n", columns, coefficients[rows]), coefficients

    rest, levels = project(light)
    jacobian = np.einsum("pkn,nk->pn", derivatives, levels[rows])
    reduced = np.stack([project(column)[0] for column in (*jacobian, *extra)])
    if len(extra):
        smooth = reduced[len(jacobian) :]
        normal = (smooth * weights) @ smooth.T
        solve = np.linalg.pinv(normal) @ (smooth * weights)
        rest = rest - (solve @ rest) @ smooth
        reduced = reduced[: len(jacobian)] - (reduced[: len(jacobian)] @ solve.T) @ smooth
    return rest, levels, reduced
