"""The spread of gaps, against published figures.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals chart, flow rate data),
1.3.6.7.4 (critical values of the chi-square distribution), 1.3.5.8 (chi-square test of a standard
deviation, gear diameters).
"""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.log.spacers import D2, Spread, individuals, spread
from lightgap.values import Contribution, Value

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def _spread(values: list[float], standard: float) -> Spread:
    gaps = tuple(Value(value, (Contribution("edge fit", standard),)) for value in values)
    return spread(tuple(f"joint {number}" for number in range(1, len(values) + 1)), gaps, 3.0)


def test_the_individuals_chart_of_the_e_handbook() -> None:
    """6.3.2.2: centre 50.81, limits 55.8041 and 45.8159, made with d2 rounded to 1.128."""
    limits = individuals(FLOW)
    assert limits.mean == pytest.approx(50.81)
    assert limits.upper - limits.mean == pytest.approx((55.8041 - 50.81) * 1.128 / D2, abs=1e-4)
    assert limits.mean - limits.lower == pytest.approx((50.81 - 45.8159) * 1.128 / D2, abs=1e-4)
    assert limits.beyond == ()


def test_the_constant_of_the_moving_range() -> None:
    """d2 for two values is printed as 1.128, and 3/d2 as 2.66."""
    assert round(D2, 3) == 1.128
    assert round(3.0 / D2, 2) == 2.66


@pytest.mark.parametrize(
    ("freedom", "critical"),
    [(1, 3.841), (5, 11.070), (7, 14.067), (11, 19.675), (15, 24.996), (23, 35.172), (47, 64.001)],
)
def test_the_test_turns_at_the_published_critical_value(freedom: int, critical: float) -> None:
    """1.3.6.7.4, upper critical values at 0.05."""
    shape = np.linspace(-1.0, 1.0, freedom + 1)
    for factor, real in ((0.9995, False), (1.0005, True)):
        wanted = critical * factor
        values = 3.0 + shape * np.sqrt(wanted / np.sum(shape**2)) * 0.02
        result = _spread(values.tolist(), 0.02)
        assert result.chi_square == pytest.approx(wanted)
        assert result.beyond_measuring is real


def test_the_chi_square_of_the_e_handbooks_gears() -> None:
    """1.3.5.8: 100 gear diameters, standard deviation 0.6278908E-02 against 0.1: statistic 0.3903044."""
    deviation, claimed, count = 0.6278908e-02, 0.1, 100
    shape = np.tile([-1.0, 1.0], count // 2)
    values = 0.9976400 + shape * deviation / np.std(shape, ddof=1)
    result = _spread(values.tolist(), claimed)
    assert result.spread_mm.value == pytest.approx(deviation)
    assert result.chi_square == pytest.approx(0.3903044, rel=1e-6)


def test_chance_alone_is_called_a_real_spread_in_one_case_of_twenty() -> None:
    rng = np.random.default_rng(11)
    calls = [_spread(rng.normal(3.0, 0.02, 12).tolist(), 0.02).beyond_measuring for _ in range(2000)]
    assert np.mean(calls) == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 2000))


def test_a_spread_of_the_gaps_own_is_recovered() -> None:
    rng = np.random.default_rng(12)
    own = [_spread(rng.normal(3.0, np.hypot(0.05, 0.02), 24).tolist(), 0.02).own_mm for _ in range(500)]
    assert np.mean([value.value for value in own]) == pytest.approx(0.05, rel=0.03)
    inside = [abs(value.value - 0.05) <= value.u95 for value in own]
    assert 0.92 <= np.mean(inside) <= 0.98
