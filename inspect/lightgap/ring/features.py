"""What tells a joint from plain wood: running means beside each place, and Hotelling's T-squared."""

from __future__ import annotations

import numpy as np

from lightgap.photo import LUMA
from lightgap.ring.plane import Array, Float32

_PRIOR_BLOCKS = 6.0
"""How many blocks' worth of the ring's usual scatter is added to a place's own."""
_STEP_MM = 1.0
_LINE_MM = 0.2
_FLANKS_MM = (0.4, 1.2)


class RunningMeans:
    """Means over windows beside every column of an array of shape (strips, blocks, columns, channels).

    Parameters
    ----------
    step_mm : float
        Width of a column.
    reach_mm : float
        How far a window may reach. Beyond the ends the outermost columns repeat, or with ``wrap`` the
        columns go round.
    """

    def __init__(self, values: Float32, step_mm: float, reach_mm: float, wrap: bool = False) -> None:
        self._step_mm, self._columns = step_mm, values.shape[2]
        self._pad = int(np.ceil(reach_mm / step_mm)) + 1
        around = ((0, 0), (0, 0), (self._pad, self._pad), (0, 0))
        padded = np.pad(values, around, mode="wrap" if wrap else "edge")
        self._summed = np.cumsum(padded, axis=2, dtype=np.float64)

    def beside(self, low_mm: float, high_mm: float) -> Float32:
        """Mean of the columns from ``low_mm`` to ``high_mm`` beside each column, or of the nearest one."""
        first = int(np.ceil(low_mm / self._step_mm - 1e-6))
        last = int(np.floor(high_mm / self._step_mm + 1e-6))
        if last < first:
            first = last = round(0.5 * (low_mm + high_mm) / self._step_mm)
        low, high = self._pad + first - 1, self._pad + last
        total = (
            self._summed[:, :, high : high + self._columns] - self._summed[:, :, low : low + self._columns]
        )
        return np.asarray(total / (last - first + 1), dtype=np.float32)

    def step_across(self, width_mm: float) -> Float32:
        """Mean after each column less the mean before it, the column itself left out."""
        return self.beside(self._step_mm, width_mm) - self.beside(-width_mm, -self._step_mm)


def closed_features(blocks: Float32, step_mm: float, wrap: bool = False) -> Float32:
    """Return what tells a closed joint from plain wood, shape (strips, blocks, columns, 4).

    The step between the wood on the two sides (3 channels), and how the luma of a thin line differs from
    its flanks.
    """
    near, far = _FLANKS_MM
    means = RunningMeans(blocks, step_mm, far, wrap)
    line = means.beside(-_LINE_MM, _LINE_MM) @ LUMA
    flanks = (means.beside(near, far) + means.beside(-far, -near)) @ LUMA
    return np.concatenate([means.step_across(_STEP_MM), (line - 0.5 * flanks)[..., None]], axis=-1)


def usual_scatter(features: Float32, least: float = 1.0) -> Float32:
    """Median variance over the blocks of every feature, shape (features,), with ``least`` added."""
    spread = features.var(axis=-3)
    return np.asarray(np.median(spread.reshape(-1, features.shape[-1]), axis=0) + least, dtype=np.float32)


def t_squared(features: Float32, usual: Float32) -> Array:
    """Hotelling's T^2 of the mean over the blocks, shape (..., blocks, columns, features) -> (..., columns).

    (H. Hotelling, The generalization of Student's ratio, Ann. Math. Statist. 2 (1931) 360-378.)

    The covariance is the blocks' own, plus `_PRIOR_BLOCKS` parts of the ring's usual (diagonal): a
    place counts when all its depth says the same.
    """
    count = features.shape[-3]
    mean = features.mean(axis=-3)
    about = features - mean[..., None, :, :]
    size = features.shape[-1]
    whitened: list[Float32] = []
    factor: list[list[Float32]] = [[] for _ in range(size)]
    # Cholesky and forward substitution, one matrix entry at a time over all places at once.
    for row in range(size):
        for column in range(row + 1):
            entry = np.sum(about[..., row] * about[..., column], axis=-2)
            if row == column:
                entry += _PRIOR_BLOCKS * usual[row]
            entry /= count + _PRIOR_BLOCKS
            for k in range(column):
                entry -= factor[row][k] * factor[column][k]
            factor[row].append(np.sqrt(entry) if row == column else entry / factor[column][column])
        rest = mean[..., row].copy()
        for k in range(row):
            rest -= factor[row][k] * whitened[k]
        whitened.append(rest / factor[row][row])
    return np.asarray(count * sum(part * part for part in whitened), dtype=float)
