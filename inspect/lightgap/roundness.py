"""How round a set of points is: least-squares and minimum-zone circle, in the terms of ISO 12181-1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares, linprog

Array = NDArray[np.float64]

_LEAST_POINTS = 4
_ROUNDS = 30
_STEP_TOLERANCE = 1e-12
"""Relative to the radius: where a further round no longer moves the centre."""


@dataclass(frozen=True, eq=False)
class ReferenceCircle:
    """One reference circle, and what the points deviate from it.

    Attributes
    ----------
    centre_mm : ndarray, shape (2,)
    radius_mm : float
        Of the minimum zone: the mean of its two circles.
    out_of_round_mm : float
        Peak-to-valley roundness deviation RONt: the greatest distance from the centre less the least.
    centre_standard_mm, radius_standard_mm, out_of_round_standard_mm : float
        Standard uncertainties; that of the centre is the larger of its two directions.
    """

    centre_mm: Array
    radius_mm: float
    out_of_round_mm: float
    centre_standard_mm: float
    radius_standard_mm: float
    out_of_round_standard_mm: float


@dataclass(frozen=True, eq=False)
class Roundness:
    """Both reference circles of the same points: LSCI and MZCI of ISO 12181-1."""

    least_squares: ReferenceCircle
    minimum_zone: ReferenceCircle

    @property
    def out_of_round_mm(self) -> float:
        """Deviation about the least-squares circle."""
        return self.least_squares.out_of_round_mm

    @property
    def minimum_zone_mm(self) -> float:
        """Width of the narrowest ring between two concentric circles that holds all points."""
        return self.minimum_zone.out_of_round_mm


def round_of(points_mm: ArrayLike, standard_mm: float | None = None) -> Roundness:
    """Fit both reference circles.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2), n >= 4
    standard_mm : float, optional
        Standard uncertainty of each point square to the circle. Without it the points' own scatter
        about the least-squares circle is taken.

    Raises
    ------
    ValueError
        If there are fewer than four points, or they lie on one line.
    """
    points = np.asarray(points_mm, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < _LEAST_POINTS:
        raise ValueError("a circle's roundness takes four points or more, of shape (n, 2)")
    if np.linalg.matrix_rank(points - points.mean(axis=0), tol=1e-9 * float(np.abs(points).max())) < 2:
        raise ValueError("points on one line make no circle")
    return Roundness(
        least := _least_squares_circle(points, standard_mm),
        _minimum_zone_circle(points, least.centre_mm, standard_mm or _scatter(points, least)),
    )


def _scatter(points: Array, circle: ReferenceCircle) -> float:
    off = np.hypot(*(points - circle.centre_mm).T) - circle.radius_mm
    return float(np.sqrt(np.sum(off**2) / max(len(points) - 3, 1)))


def _least_squares_circle(points: Array, standard: float | None) -> ReferenceCircle:
    """Least sum of squared distances from the circle (geometric), started from the algebraic fit."""
    middle = points.mean(axis=0)
    shifted = points - middle
    design = np.column_stack([2.0 * shifted, np.ones(len(points))])
    x, y, constant = np.linalg.lstsq(design, np.sum(shifted**2, axis=1), rcond=None)[0]

    def residuals(circle: Array) -> Array:
        return np.asarray(np.hypot(*(shifted - circle[:2]).T) - circle[2])

    def jacobian(circle: Array) -> Array:
        away = shifted - circle[:2]
        return np.column_stack([-away / np.hypot(*away.T)[:, None], -np.ones(len(points))])

    start = np.array([x, y, np.sqrt(constant + x * x + y * y)])
    found = least_squares(residuals, start, jac=jacobian, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    off = residuals(found.x)
    sigma = standard if standard is not None else float(np.sqrt(off @ off / max(len(points) - 3, 1)))
    covariance = sigma**2 * np.linalg.inv(found.jac.T @ found.jac)
    return ReferenceCircle(
        middle + found.x[:2],
        float(found.x[2]),
        float(np.ptp(off)),
        float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])),
        float(np.sqrt(covariance[2, 2])),
        float(np.sqrt(2.0) * sigma),
    )


def _minimum_zone_circle(points: Array, start: Array, sigma: float) -> ReferenceCircle:
    """Narrowest ring by linear programming, made linear about the centre and repeated until it stays.

    Unknowns: the centre's step, the outer and the inner radius. At the answer the points that touch
    alternate between outer and inner circle, which is necessary and sufficient for the least width.
    """
    centre = start.copy()
    for _ in range(_ROUNDS):
        away = points - centre
        distance = np.hypot(*away.T)
        unit = away / distance[:, None]
        one, nil = np.ones((len(points), 1)), np.zeros((len(points), 1))
        limits = np.block([[-unit, -one, nil], [unit, nil, one]])
        found = linprog(
            [0.0, 0.0, 1.0, -1.0],
            A_ub=limits,
            b_ub=np.concatenate([-distance, distance]),
            bounds=[(-distance.min(), distance.min())] * 2 + [(None, None)] * 2,
            method="highs",
        )
        centre = centre + found.x[:2]
        if np.hypot(*found.x[:2]) < _STEP_TOLERANCE * distance.mean():
            break
    # The four limits that hold fix the four unknowns: their points' errors pass into them linearly.
    holding = np.argsort(found.ineqlin.residual)[:4]
    inverse = np.linalg.pinv(limits[holding])
    covariance = sigma**2 * inverse @ inverse.T
    distance = np.hypot(*(points - centre).T)
    mean, width = np.array([0.0, 0.0, 0.5, 0.5]), np.array([0.0, 0.0, 1.0, -1.0])
    return ReferenceCircle(
        centre,
        float(distance.max() + distance.min()) / 2.0,
        float(np.ptp(distance)),
        float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])),
        float(np.sqrt(mean @ covariance @ mean)),
        float(np.sqrt(width @ covariance @ width)),
    )
