"""Boundaries between levels: exact where nothing disturbs, else as good as the Cramér-Rao bound allows.

The bound of one straight edge through a Gaussian blur s px, contrast C, white noise n, over L rows:
sqrt(2 sqrt(pi) s / L) n / C for its place at mid-length, sqrt(12) / L times as much for its direction;
free levels in a window of W px cost a factor 1 / sqrt(1 - 2 sqrt(pi) s / W).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from lightgap.faces.levels import LevelFit, blurred_step, clipped_cost, fit_levels

Array = NDArray[np.float64]

ROWS, REACH, BLUR, NOISE = 200, 8.0, 0.8, 0.05
"""Contrast 1: C / n = 20."""


@dataclass(frozen=True, eq=False)
class Edge:
    """Pixels on both sides of one edge: row, distance from where the search starts, and light."""

    rows: NDArray[np.intp]
    distance: Array
    light: Array

    @property
    def along(self) -> Array:
        """-1 at the first row, 1 at the last."""
        return 2.0 * self.rows / (ROWS - 1.0) - 1.0

    def fit(self, light: Array | None = None) -> LevelFit:
        """Fit shift and turn (px, px per half length)."""

        def basis(parameters: Array) -> tuple[Array, Array]:
            step, slope = blurred_step(self.distance - parameters[0] - parameters[1] * self.along, BLUR)
            by_shift = np.stack([slope, -slope])
            return np.stack([1.0 - step, step]), np.stack([by_shift, by_shift * self.along])

        smooth = np.empty((0, self.rows.size))
        return fit_levels(self.light if light is None else light, self.rows, basis, np.zeros(2), smooth)


def drawn_edge(shift: float, turn: float, seed: int = 0, uneven: float = 0.0) -> Edge:
    """An edge whose two levels change from row to row by ``uneven``."""
    rng = np.random.default_rng(seed)
    rows = np.repeat(np.arange(ROWS), int(2 * REACH))
    # Pixels of a slanting strip: each row's lie elsewhere from the edge.
    place = np.tile(np.arange(-REACH, REACH) + 0.5, ROWS) + rng.uniform(-0.5, 0.5, ROWS)[rows]
    along = 2.0 * rows / (ROWS - 1.0) - 1.0
    step, _ = blurred_step(place - shift - turn * along, BLUR)
    left = 1.2 + uneven * rng.standard_normal(ROWS)[rows]
    right = 0.2 + uneven * rng.standard_normal(ROWS)[rows]
    return Edge(rows, place, left * (1.0 - step) + right * step)


@pytest.mark.parametrize(("shift", "turn"), [(0.0, 0.0), (0.37, -0.6), (-1.3, 0.9), (0.9, 2.0)])
def test_without_noise_an_edge_is_found_to_the_last_step(shift: float, turn: float) -> None:
    fit = drawn_edge(shift, turn, uneven=0.1).fit()
    assert fit.converged
    np.testing.assert_allclose(fit.parameters, [shift, turn], atol=1e-3)


def test_rows_keep_levels_of_their_own() -> None:
    edge = drawn_edge(0.2, 0.1, seed=3, uneven=0.15)
    fit = edge.fit()
    assert fit.levels.shape == (ROWS, 2)
    farthest_left = edge.light.reshape(ROWS, -1)[:, 0]
    np.testing.assert_allclose(fit.levels[:, 0], farthest_left, atol=0.002)


def test_a_slope_common_to_all_rows_is_no_boundary() -> None:
    edge = drawn_edge(0.3, 0.0, seed=1)

    def basis(parameters: Array) -> tuple[Array, Array]:
        step, slope = blurred_step(edge.distance - parameters[0], BLUR)
        return np.stack([1.0 - step, step]), np.stack([slope, -slope])[None]

    shaded = edge.light + 0.02 * np.minimum(edge.distance, 0.0)
    fit = fit_levels(shaded, edge.rows, basis, np.zeros(1), np.minimum(edge.distance, 0.0)[None])
    assert fit.parameters[0] == pytest.approx(0.3, abs=2e-4)
    without = fit_levels(shaded, edge.rows, basis, np.zeros(1), np.empty((0, edge.rows.size)))
    assert abs(without.parameters[0] - 0.3) > 0.01


def noisy_fits(edge: Edge, noise: Array) -> list[LevelFit]:
    return [edge.fit(edge.light + each) for each in noise]


def white(count: int, size: int, seed: int = 7) -> Array:
    return NOISE * np.random.default_rng(seed).standard_normal((count, size))


def test_white_noise_costs_no_more_than_the_bound() -> None:
    edge = drawn_edge(0.2, -0.3)
    errors = np.array([fit.parameters for fit in noisy_fits(edge, white(80, edge.rows.size))]) - [0.2, -0.3]
    shift, turn = np.sqrt(np.mean(errors**2, axis=0))
    bound = NOISE * np.sqrt(2.0 * np.sqrt(np.pi) * BLUR / ROWS)
    assert bound == pytest.approx(0.00595, rel=2e-3)  # measuring science for C / n = 20, s = 0.8 px, L = 200
    free = 1.0 / np.sqrt(1.0 - 2.0 * np.sqrt(np.pi) * BLUR / (2.0 * REACH))
    assert 0.8 * bound < shift < 1.3 * bound
    # Per half length: the direction's sqrt(12) / L times L / 2.
    assert 0.8 * np.sqrt(3.0) * bound < turn < 1.3 * np.sqrt(3.0) * bound
    # The window's cost is in that already; against the bound with it, hardly anything is lost.
    assert shift < 1.15 * free * bound
    assert np.abs(errors.mean(axis=0)).max() < 0.3 * bound


def spread_told_and_seen(edge: Edge, noise: Array) -> Array:
    """Root of the mean variance that the fits state over the scatter of what they find."""
    fits = noisy_fits(edge, noise)
    told = np.sqrt(np.mean([np.diag(fit.covariance) for fit in fits], axis=0))
    return np.asarray(told / np.std([fit.parameters for fit in fits], axis=0))


def test_the_covariance_tells_the_scatter() -> None:
    edge = drawn_edge(0.2, -0.3)
    ratio = spread_told_and_seen(edge, white(80, edge.rows.size))
    # On the safe side: 0.25 of the plain variance is added to the sandwich.
    assert np.all((ratio > 0.95) & (ratio < 1.35))


def test_the_covariance_knows_that_grain_is_alike_in_neighbouring_rows() -> None:
    edge = drawn_edge(0.2, -0.3)
    grain = white(80, edge.rows.size).reshape(80, ROWS, -1)
    grain[:, 1::2] = grain[:, ::2]
    ratio = spread_told_and_seen(edge, grain.reshape(80, -1))
    assert np.all((ratio > 0.85) & (ratio < 1.2))


def test_long_sections_tell_grain_that_is_alike_over_a_twentieth_of_the_length() -> None:
    """Blocks of three rows miss two thirds of it; of white noise sections and blocks tell the same."""
    edge = drawn_edge(0.2, -0.3)
    noise = white(80, edge.rows.size)
    stretch = ROWS // 20
    grain = np.repeat(noise.reshape(80, ROWS, -1)[:, ::stretch], stretch, axis=1).reshape(80, -1)

    def by_sections(noise: Array) -> Array:
        return np.mean([fit.by_sections for fit in noisy_fits(edge, noise)], axis=0)

    np.testing.assert_allclose(by_sections(noise), 1.0, atol=0.15)
    assert np.all(spread_told_and_seen(edge, grain) < 0.6)
    assert np.all(spread_told_and_seen(edge, grain) * np.sqrt(by_sections(grain)) > 0.75)


def test_one_pixel_in_twenty_may_be_anything() -> None:
    edge = drawn_edge(0.2, -0.3)
    rng = np.random.default_rng(11)
    bound = NOISE * np.sqrt(2.0 * np.sqrt(np.pi) * BLUR / ROWS)
    errors = []
    for noise in white(20, edge.rows.size):
        light = edge.light + noise
        spoilt = rng.choice(light.size, light.size // 20, replace=False)
        light[spoilt] = rng.uniform(0.0, 3.0, spoilt.size)
        errors.append(edge.fit(light).parameters[0] - 0.2)
    assert np.sqrt(np.mean(np.square(errors))) < 1.6 * bound


def test_nothing_but_noise_is_told_as_unsure() -> None:
    edge = drawn_edge(0.0, 0.0)
    fit = edge.fit(white(1, edge.rows.size)[0])
    assert np.sqrt(fit.covariance[0, 0]) > 0.05


def test_clipped_cost_counts_a_gross_error_as_three_sigmas() -> None:
    assert clipped_cost(np.array([0.0, 1.0, 100.0]), sigma=1.0) == pytest.approx(10.0 / 3.0)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_rounds_that_creep_look_ahead(seed: int) -> None:
    """A lit strip of 2 px below the edge that the model knows nothing of: weights and edge follow each other.

    Where they lead is the same by few rounds as by many.
    """
    rng = np.random.default_rng(seed)
    rows = np.repeat(np.arange(40), 84)
    along = 2.0 * rows / 39.0 - 1.0
    distance = rng.uniform(-11.0, 10.0, rows.size)
    strip, dark = (blurred_step(distance - away, BLUR)[0] for away in (0.0, 2.0))
    light = 0.4 * (1.0 - strip) + 0.2 * (strip - dark) + 0.02 * dark + 0.01 * rng.standard_normal(rows.size)

    def basis(parameters: Array) -> tuple[Array, Array]:
        step, slope = blurred_step(distance - parameters[0] - parameters[1] * along, BLUR)
        by_shift = np.stack([slope, -slope])
        return np.stack([1.0 - step, step]), np.stack([by_shift, by_shift * along])

    gap = np.maximum(distance, 0.0)
    smooth = np.stack([np.minimum(distance, 0.0), gap, gap**2])
    few, many = (fit_levels(light, rows, basis, np.zeros(2), smooth, rounds) for rounds in (12, 200))
    assert few.converged
    assert few.parameters == pytest.approx(many.parameters, abs=0.002)
