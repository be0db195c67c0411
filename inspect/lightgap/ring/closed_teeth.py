"""Closed joints in their strips: a change of wood, or a thin line, over the whole depth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.ring.features import closed_features, t_squared, usual_scatter
from lightgap.ring.plane import Array
from lightgap.ring.strips import SKEWS_DEG, Lines, Strips, sheared_blocks

_SKEW_PRIOR_DEG = 1.2
_FINE_SKEW_PRIOR_DEG = 0.5
_MOVE_MM = 0.8
_TURNS_DEG = np.arange(-6, 7) * 0.2
_HALF_MM = 2.5
_LINE_HALF_MM = 0.15
_CODE_VARIANCE = 4.0
_CHANNELS = 3.0


class ClosedTeeth:
    """Evidence for a closed joint at every place and skew of every strip."""

    def __init__(self, strips: Strips) -> None:
        self._strips = strips
        sheared = sheared_blocks(strips)
        skews, count = sheared.shape[:2]
        features = closed_features(sheared.reshape(skews * count, *sheared.shape[2:]), strips.step_mm)
        t2 = t_squared(features, usual_scatter(features)).reshape(skews, count, -1)
        self._evidence = np.log1p(t2) - 0.5 * (SKEWS_DEG[:, None, None] / _SKEW_PRIOR_DEG) ** 2

    def lines(self, expected_mm: Array, prior_mm: float) -> Lines:
        """Return each strip's best line, given where it is expected and how closely (standard deviation)."""
        count = len(expected_mm)
        away = (self._strips.v_mm - expected_mm[:, None]) / prior_mm
        total = np.moveaxis(self._evidence - 0.5 * away**2, 1, 0).reshape(count, -1)
        skew, column = np.divmod(total.argmax(axis=1), away.shape[1])
        strength = self._evidence[skew, np.arange(count), column]
        return Lines(self._strips.v_mm[column], SKEWS_DEG[skew], np.zeros(count), strength)

    def refined(self, lines: Lines) -> Lines:
        """Move each line to where its rows change their level.

        In each row the wood has one level left of the line and another right of it, the line itself left
        out; the same pixels are explained by every hypothesis.
        """
        strips = self._strips
        arm = strips.u_mm - strips.middle_mm
        half = round(min(_HALF_MM, float(strips.v_mm[-1])) / strips.step_mm)
        line = lines.place_mm[:, None] + np.tan(np.radians(lines.skew_deg))[:, None] * arm
        place = (line - strips.v_mm[0])[:, :, None] / strips.step_mm + np.arange(-half, half + 1)
        place = np.clip(place, 0.0, len(strips.v_mm) - 1.001)
        cell = place.astype(np.intp)
        part = (place - cell).astype(np.float32)[..., None]
        low = np.take_along_axis(strips.codes, cell[..., None], axis=2).astype(np.float32)
        high = np.take_along_axis(strips.codes, cell[..., None] + 1, axis=2).astype(np.float32)
        skip = int(_LINE_HALF_MM / strips.step_mm + 0.5)
        cost = np.log(_split_variance(low + part * (high - low), skip) + _CODE_VARIANCE)
        reach = round(_MOVE_MM / strips.step_mm)
        move = np.arange(-reach, reach + 1) * strips.step_mm
        turn = np.tan(np.radians(_TURNS_DEG))
        split = np.rint((move[:, None, None] + turn[:, None] * arm) / strips.step_mm).astype(np.intp) + half
        split = np.clip(split, 0, 2 * half)
        evidence = -_CHANNELS * cost[:, np.arange(len(arm)), split].sum(axis=-1)
        skew = lines.skew_deg[:, None] + _TURNS_DEG
        evidence -= 0.5 * (move[:, None] / _MOVE_MM) ** 2 + 0.5 * (skew[:, None] / _FINE_SKEW_PRIOR_DEG) ** 2
        moved, turned = np.divmod(evidence.reshape(len(evidence), -1).argmax(axis=1), len(turn))
        return replace(
            lines,
            place_mm=lines.place_mm + move[moved],
            skew_deg=lines.skew_deg + _TURNS_DEG[turned],
        )


def _split_variance(rows: np.ndarray[tuple[int, ...], np.dtype[np.float32]], skip: int) -> Array:
    """Variance about two levels, split at every column: (N, rows, columns, 3) -> (N, rows, columns)."""
    columns = rows.shape[2]
    start = np.zeros((*rows.shape[:2], 1, 3))
    first = np.concatenate([start, np.cumsum(rows, axis=2, dtype=np.float64)], axis=2)
    second = np.concatenate([start, np.cumsum(rows * rows, axis=2, dtype=np.float64)], axis=2)
    middle = np.arange(columns)
    left, right = np.maximum(middle - skip, 1), np.minimum(middle + skip + 1, columns - 1)
    from_left, from_right = left[:, None], columns - right[:, None]
    squares = second[:, :, left] + second[:, :, -1:] - second[:, :, right]
    squares -= first[:, :, left] ** 2 / from_left
    squares -= (first[:, :, -1:] - first[:, :, right]) ** 2 / from_right
    return np.asarray(squares.mean(axis=-1) / (from_left + from_right)[:, 0])
