"""How blur goes by place and direction: growth to the corners, coloured fringes, a phone that moved.

Across a direction a in the picture an edge has, at the share r of the way to a corner, in the direction c,

    sigma^2 = middle^2 + growth r^2 + radial r^2 cos 2(a - c) + along cos 2a + aslant sin 2a :

what blurs one way is an ellipse, and its second moment across a line goes with twice the line's angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]

_SPREAD = 0.05
"""How alike edges of one blur are, as a share of sigma^2."""
_SURELY, _LEAST_MOVED2, _MOST_UNSURE2 = 3.0, 0.15, 0.3
"""A movement is believed that is surer than this many standard uncertainties, and more than this share of
sigma^2: what a lens and the light on the edges do is less. Surer than the last share it must be, too: of one
card alone the lens's blur away from the middle and a movement look alike."""
_MOVED_STANDARD = 0.1
"""A movement's blur is a box, no Gaussian: what that leaves unsure of sigma where it is all of the blur."""
_LEAST_TURNED = 1.0
"""A ring's own outer edges all face outward, and do not tell how blur goes by direction (of -1 to 1)."""


@dataclass(frozen=True)
class EdgeBlur:
    """The terms of sigma^2 as above, px^2; ``standard`` is the relative standard uncertainty of sigma."""

    middle_px: float
    growth_px2: float
    along_px2: float
    aslant_px2: float
    radial_px2: float
    standard: float


def fit_blur(edges_px: Array, sigma_px: Array, size_px: tuple[int, int]) -> EdgeBlur:
    """Fit the blur of edges of known sigma; a movement only where it is sure.

    Parameters
    ----------
    edges_px : ndarray, shape (n, 2, 2)
        Both ends of each edge.
    sigma_px : ndarray, shape (n,)
    size_px : (int, int)
        The photo's width and height.
    """
    places, squares = edges_px.mean(axis=1), sigma_px**2
    away2 = radius2(places, size_px)
    terms = by_direction(places, across_edges(edges_px), size_px)
    if np.ptp(terms[:, 2] / np.maximum(away2, 1e-6)) < _LEAST_TURNED:
        terms[:, 2] = 0.0
    table = np.column_stack([np.ones(len(squares)), away2, terms])
    parameters, unsure2 = _fit_squares(table, squares)
    moved2 = float(np.hypot(*parameters[2:4]))
    is_told = unsure2 < _MOST_UNSURE2 * parameters[0]
    if not is_told or moved2 < max(_SURELY * unsure2, _LEAST_MOVED2 * parameters[0]):
        table[:, 2:4] = 0.0
        parameters, _ = _fit_squares(table, squares)
        moved2 = 0.0
    middle2, growth, along, aslant, radial = map(float, parameters)
    spread = _scatter(table, parameters, squares) / 2.0
    moved_share = 2.0 * moved2 / (middle2 + moved2)
    standard = float(np.hypot(spread / np.sqrt(len(squares)), _MOVED_STANDARD * moved_share**2))
    return EdgeBlur(float(np.sqrt(middle2)), growth, along, aslant, radial, standard)


def _fit_squares(table: Array, squares: Array) -> tuple[Array, float]:
    """Fit sigma^2 of edges, (n,), by a table's five columns; how unsure the two of a movement are, px^2."""
    middle = float(np.median(squares))
    most = 4.0 * middle
    # Edges of two directions, square to each other, leave a movement halfway between them open.
    usual = np.eye(5)[2:] * _SPREAD / middle
    relative = table / squares[:, None]

    def residuals(parameters: Array) -> Array:
        return np.concatenate([relative @ parameters - 1.0, usual @ parameters])

    fit = least_squares(
        residuals,
        [middle, 0.1, 0.0, 0.0, 0.0],
        loss="soft_l1",
        f_scale=_SPREAD,
        bounds=([0.25 * middle, 0.0, -most, -most, -most], [most, 9.0, most, most, most]),
    )
    normal = relative.T @ relative + usual.T @ usual
    variance = _scatter(table, fit.x, squares) ** 2 * np.diag(np.linalg.pinv(normal))
    return np.asarray(fit.x, dtype=float), float(np.sqrt(variance[2] + variance[3]))


def _scatter(table: Array, parameters: Array, squares: Array) -> float:
    """Robust standard deviation of sigma^2 about a fit, as a share."""
    return 1.4826 * float(np.median(np.abs(table @ parameters / squares - 1.0)))


def radius2(points_px: Array, size_px: tuple[int, int]) -> Array:
    """Squared distance of points (..., 2) from the picture's middle, 1 in the corners."""
    half = np.array(size_px, dtype=float) / 2.0
    return np.asarray(np.sum((np.asarray(points_px) - half) ** 2, axis=-1) / np.sum(half**2))


def by_direction(points_px: Array, across_px: Array, size_px: tuple[int, int]) -> Array:
    """What along, aslant and radial count for at points (..., 2) across directions (..., 2): (..., 3)."""
    turned = twofold(across_px)
    away = np.asarray(points_px) - np.array(size_px) / 2.0
    radial = np.sum(turned * twofold(away), axis=-1) * radius2(points_px, size_px)
    return np.concatenate([turned, radial[..., None]], axis=-1)


def twofold(directions: Array) -> Array:
    """Cosine and sine of twice the angle of directions (..., 2)."""
    x, y = directions[..., 0], directions[..., 1]
    return np.asarray(np.stack([x**2 - y**2, 2.0 * x * y], axis=-1) / (x**2 + y**2 + 1e-12)[..., None])


def across_edges(edges_px: Array) -> Array:
    """Directions square to edges (n, 2, 2), shape (n, 2)."""
    run = edges_px[:, 1] - edges_px[:, 0]
    return np.stack([-run[:, 1], run[:, 0]], axis=1)
