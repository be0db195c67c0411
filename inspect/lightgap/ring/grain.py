"""Where the grain turns: two boards of one wood may differ in nothing else where they meet."""

from __future__ import annotations

import cv2
import numpy as np

from lightgap.plan import Plan
from lightgap.ring.features import RunningMeans
from lightgap.ring.plane import Array, Codes, Float32

_WINDOW_MM = (0.5, 3.0)
"""From where to where on either side the grain's direction is taken."""
_NOISE = 3.0
"""Gradient, codes per mm, at which a direction counts half."""
_TURN, _LEAST, _MOST = 4.0, 0.2, 2.0


def grain_weight(plan: Plan) -> float:
    """Return how much the grain's evidence counts over that of colour, by the squared sine of its turn.

    From one segment to the next it turns by the pitch; with more than 28 segments it is not worth its time.
    """
    weight = min(_MOST, _TURN * float(np.sin(np.radians(plan.pitch_deg))) ** 2)
    return weight if weight >= _LEAST else 0.0


def grain_tensor(codes: Codes, apothem_mm: Array, stretch: Array) -> Float32:
    """Return the structure tensor of an unrolled picture's luma on the plane itself, (rows, columns, 3).

    A row follows the sides of the plan's polygon, at ``apothem_mm`` times ``stretch`` from the centre. What
    is straight on the plane bends in the picture at every corner of the plan, true or not: so the gradient
    is taken back to the plane. The first two are its square (codes per mm) with the direction doubled, the
    third is its size. (J. Bigun, G. H. Granlund, Optimal orientation detection of linear symmetry, 1987.)
    """
    luma = np.pad(cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY), ((0, 0), (1, 1)), mode="wrap")
    along, out = (cv2.Scharr(luma, cv2.CV_32F, *order, scale=1 / 32.0)[:, 1:-1] for order in ((1, 0), (0, 1)))
    columns, row_mm = len(stretch), apothem_mm[1] - apothem_mm[0]
    turn = 2.0 * np.pi / columns
    # The chain rule, with the radius a function of row and column.
    slope = 0.5 * (np.roll(stretch, -1) - np.roll(stretch, 1)) / (row_mm * stretch)
    apothem = apothem_mm[:, None].astype(np.float32)
    across = along - apothem * slope.astype(np.float32) * out
    across /= apothem * (turn * stretch).astype(np.float32)
    radial = out / (row_mm * stretch).astype(np.float32)
    squared = (radial + 1j * across) ** 2 * np.exp(2j * turn * np.arange(columns)).astype(np.complex64)
    return np.stack([squared.real, squared.imag, np.abs(squared)], axis=-1)


def grain_features(tensor: Float32, step_mm: float) -> Float32:
    """Return how the direction changes at every column, shape (strips, blocks, columns, 2), going round."""
    near, far = _WINDOW_MM
    means = RunningMeans(tensor, step_mm, far, wrap=True)
    return _direction(means.beside(near, far)) - _direction(means.beside(-far, -near))


def _direction(tensor: Float32) -> Float32:
    return np.asarray(tensor[..., :2] / (tensor[..., 2:] + _NOISE**2), dtype=np.float32)
