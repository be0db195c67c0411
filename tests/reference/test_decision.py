"""The decision rule against worked numbers of JCGM 106:2012, "The role of measurement uncertainty in
conformity assessment".

The inputs of clauses 7.3 and 7.4 are the document's own examples; their probabilities were computed
again from them. Those of clause 9.5.4 (ball bearings) are as quoted in the public notebook "Risk - Ball
Bearing" of sandialabs/suncal. The rule tested is guarded acceptance with a guard band of U = 2 u.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import gamma, norm

from lightgap.judge import Verdict, judge_value
from lightgap.values import Value, measured

INFINITE = math.inf
CONFORMITY_AT_2U = 0.9772
"""Phi(2): what a guard band of U = 2 u asks for at a single limit."""


def value(y: float, u: float) -> Value:
    return measured(y, {"measuring": u})


@pytest.mark.parametrize(
    ("name", "y", "u", "lower", "upper", "probability", "verdict"),
    [
        ("7.3 Zener diode: V <= -5.40 V", -5.47, 0.05, -INFINITE, -5.40, 0.92, Verdict.CLOSE),
        ("7.3 container: P >= 490 kPa", 509.7, 8.6, 490.0, INFINITE, 0.99, Verdict.IN),
        ("7.4 motor oil: 12.5 to 16.3", 13.6, 1.8, 12.5, 16.3, 0.66, Verdict.CLOSE),
    ],
)
def test_examples_of_clause_7(
    name: str, y: float, u: float, lower: float, upper: float, probability: float, verdict: Verdict
) -> None:
    conforming = norm.cdf(upper, y, u) - norm.cdf(lower, y, u)
    assert conforming == pytest.approx(probability, abs=0.005), name
    assert judge_value(value(y, u), lower, upper) is verdict
    assert (verdict is Verdict.IN) == (conforming >= CONFORMITY_AT_2U)


def test_at_a_single_limit_in_means_97_7_percent_and_out_means_2_3() -> None:
    """Guard band g = r U with r = 1, U = 2 u: conformity 97.72 % (one-sided normal, exact)."""
    limit, u = 0.15, 0.02
    called_in = _last(lambda y: judge_value(value(y, u), -INFINITE, limit) is Verdict.IN, 0.0, limit)
    called_out = _last(lambda y: judge_value(value(y, u), -INFINITE, limit) is not Verdict.OUT, limit, 0.3)
    assert norm.cdf(limit, called_in, u) == pytest.approx(CONFORMITY_AT_2U, abs=1e-4)
    assert norm.cdf(limit, called_out, u) == pytest.approx(1.0 - CONFORMITY_AT_2U, abs=1e-4)


def test_between_two_limits_nearer_than_4u_nothing_can_be_called_in() -> None:
    """With (TU - TL)/u = 3 the best that can be, at the centre, is a conformity of 0.866."""
    assert norm.cdf(1.5) - norm.cdf(-1.5) == pytest.approx(0.866, abs=5e-4)
    assert all(judge_value(value(y, 1.0), -1.5, 1.5) is not Verdict.IN for y in np.linspace(-2.0, 2.0, 81))


def test_global_risk_of_the_ball_bearings_of_clause_9_5_4() -> None:
    """Motion error ~ gamma(shape 4, scale 0.25 um), limit 2 um, measured with u = 0.25 um.

    Simple acceptance passes 0.8 % that do not conform; the document's guarded limit of 1.672 um
    passes 0.1 %. The guard band of U accepts up to 1.5 um, so it must pass fewer still.
    """
    limit, u = 2.0, 0.25
    guarded = _last(lambda y: judge_value(value(y, u), -INFINITE, limit) is Verdict.IN, 0.0, limit)
    assert guarded == pytest.approx(1.5, abs=1e-6)
    assert _consumer_risk(limit, limit, u) == pytest.approx(0.00802, abs=5e-5)
    assert _consumer_risk(1.672, limit, u) == pytest.approx(0.001, abs=2e-5)
    assert _consumer_risk(guarded, limit, u) < 0.0005


def _consumer_risk(accept_to: float, limit: float, u: float) -> float:
    """Share of all items that are accepted and do not conform (JCGM 106 eq. 27)."""
    items = gamma(4.0, scale=0.25)
    risk, _ = quad(lambda true: norm.cdf(accept_to, true, u) * items.pdf(true), limit, 10.0)
    return float(risk)


def _last(holds: Callable[[float], bool], low: float, high: float) -> float:
    """Bisect for the last point, from ``low`` on, where ``holds`` is still true."""
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
