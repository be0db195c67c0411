"""The mean of one quantity over several photos, with what they share kept.

Two photos of one ring by one phone are not two independent measurements. What they share keeps its full
size in the mean, by the rule of JCGM 100:2008 clause 5.2.2 for correlated inputs: the variance of
sum(w_m x_m) is the sum over the named contributions of w' C w, with C[m, n] = r[m, n] s_m s_n. Weights are
those of least variance that are not negative.

Unequal heights of two segments put into their gap the difference times the lean of the view there. Photos
from both sides of a joint carry it with opposite signs, so that it cancels in their mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from lightgap.reference.found import THICKNESS
from lightgap.values import COVERAGE_FACTOR, Below, Contribution, Measured, Unknown, Value

Array = NDArray[np.float64]

HEIGHTS = "heights of the two segments"
_SHARED = frozenset({"scale", THICKNESS, "blur", "slot darkness", "phone's processing", "rounded edges"})
"""One print, one phone, one ring: the same in every photo."""
_ALIKE = 0.75
"""Correlation of all else: grain and chips mislead a fit alike in every photo. The errors of
drawn rings from three standpoints are correlated by 0.5 to 0.9."""


@dataclass(frozen=True, eq=False)
class Mean:
    """A mean over photos.

    Attributes
    ----------
    value : Measured
    apart : ndarray, shape (photos,)
        How far each photo lies from the others, in standard uncertainties of the difference; not a number
        where there is nothing to compare.
    """

    value: Measured
    apart: Array


def mean_of(values: Sequence[Measured], leans: Array | None = None) -> Mean:
    """Combine one quantity as each photo has it.

    Photos that do not know it are passed over. The mean is a `Below` if all others are. Where photos
    scatter by more than their uncertainties (Birge ratio above 1), "photos differ" joins the budget.

    Parameters
    ----------
    leans : ndarray of 1 and -1, shape (photos,), optional
        Sign of what the heights of two segments put into each.
    """
    apart = np.full(len(values), np.nan)
    known = [index for index, value in enumerate(values) if not isinstance(value, Unknown)]
    if len(known) < 2:
        return Mean(values[known[0]] if known else values[0], apart)
    told = [value for value in values if not isinstance(value, Unknown)]
    numbers = np.array([number_of(value) for value in told])
    parts = parts_of(told)
    covariances = {
        name: np.outer(part, part) * correlation(name, None if leans is None else leans[known], len(told))
        for name, part in parts.items()
    }
    variances = np.sum([part**2 for part in parts.values()], axis=0) + 1e-18
    weights = _weights(np.sum(list(covariances.values()), axis=0) + np.diag(1e-9 * variances))
    mean = float(weights @ numbers)
    budget = {
        name: float(np.sqrt(np.maximum(weights @ part @ weights, 0.0))) for name, part in covariances.items()
    }
    apart_by = _apart_by(parts, variances, None if leans is None else leans[known])
    birge = _chi_square(numbers, apart_by) / (len(told) - 1)
    if birge > 1.0:
        budget["photos differ"] = float(np.sqrt((birge - 1.0) * (weights @ variances)))
    contributions = tuple(Contribution(name, standard) for name, standard in budget.items())
    apart[known] = _apart(numbers, apart_by)
    whole = Value(mean, contributions)
    if all(isinstance(value, Below) for value in told):
        return Mean(Below(max(mean, 0.0) + whole.u95, contributions), apart)
    return Mean(whole, apart)


def number_of(value: Value | Below) -> float:
    """The value itself; of a `Below` what was measured, which its bound exceeds by U."""
    return value.value if isinstance(value, Value) else value.below - Value(0.0, value.budget).u95


def parts_of(values: Sequence[Value | Below]) -> dict[str, Array]:
    """Standard uncertainties by name, each of shape (photos,)."""
    parts: dict[str, Array] = {}
    for index, value in enumerate(values):
        # A bound that came without its budget says no more than that the value may be anywhere below it.
        bound = value.below / COVERAGE_FACTOR if isinstance(value, Below) else 0.0
        for part in value.budget or (Contribution("measuring", bound),):
            row = parts.setdefault(part.name, np.zeros(len(values)))
            row[index] = np.hypot(row[index], part.standard)
    return parts


def correlation(name: str, leans: Array | None, count: int) -> Array:
    """How one contribution is correlated between photos, shape (count, count)."""
    if name == HEIGHTS and leans is not None:
        return np.outer(leans, leans)
    alike = 1.0 if name in _SHARED or name == HEIGHTS else _ALIKE
    return alike + (1.0 - alike) * np.eye(count)


def _weights(covariance: Array) -> Array:
    """Weights of least variance with none below zero.

    The correlations are good guesses; weights that play one photo off against another would trust them
    too far. With C = L L', least is x' C x / 2 - 1' x = |L' x - L^-1 1|^2 / 2 + const over x >= 0, and the
    weights are x over its sum.
    """
    root = np.linalg.cholesky(covariance)
    some, _ = nnls(root.T, np.linalg.solve(root, np.ones(len(covariance))))
    return np.asarray(some / some.sum())


def _apart_by(parts: dict[str, Array], variances: Array, leans: Array | None) -> Array:
    """Covariance by which photos may differ: as if independent but for the heights, which set them apart.

    What photos share makes them differ by less than this, but how much they share is only a good guess.
    """
    heights = parts.get(HEIGHTS, np.zeros_like(variances)) * (1.0 if leans is None else leans)
    own = np.diag(variances - heights**2 + 1e-9 * variances)
    return np.asarray(own + (np.outer(heights, heights) if leans is not None else np.diag(heights**2)))


def _chi_square(numbers: Array, covariance: Array) -> float:
    """Weighted sum of squares about the mean of least variance."""
    ones = np.ones(len(numbers))
    inverse = np.linalg.inv(covariance)
    rest = numbers - (ones @ inverse @ numbers) / (ones @ inverse @ ones)
    return float(rest @ inverse @ rest)


def _apart(numbers: Array, covariance: Array) -> Array:
    """Each number less the mean of the others, over the standard uncertainty of that."""
    apart = []
    for index in range(len(numbers)):
        lever = 1.0 / np.diag(covariance)
        lever[index] = 0.0
        lever /= -lever.sum()
        lever[index] = 1.0
        apart.append(lever @ numbers / np.sqrt(lever @ covariance @ lever))
    return np.array(apart)
