"""Combining uncertainties against worked examples of JCGM 100:2008 (GUM), Annex H.

Figures as published there, also read in the documentation of the MSLNZ/GTC library (GUM_H1, GUM_H3).
"""

import math

import numpy as np
import pytest
from scipy.stats import linregress

from lightgap.values import measured


def test_h1_end_gauge_calibration() -> None:
    """H.1: components 25, 9.7, 2.9 and 16.6 nm combine to 32 nm (31.7 before rounding)."""
    length_nm, expansion, rectangular = 50_000_623.0, 11.5e-6, math.sqrt(3.0)
    difference = measured(215.0, {"repeated": 5.8, "comparator, random": 3.9, "comparator, systematic": 6.7})
    assert difference.standard == pytest.approx(9.68, abs=0.01)

    gauge = measured(
        length_nm + difference.value,
        {
            "standard": 25.0,
            "comparison": difference.standard,
            "difference of expansion": length_nm * -0.1 * 1e-6 / rectangular,
            "difference of temperature": length_nm * expansion * 0.05 / rectangular,
        },
    )
    components = [part.standard for part in gauge.budget]
    assert components == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.05)
    assert gauge.value == 50_000_838.0
    assert gauge.standard == pytest.approx(31.7, abs=0.05)
    assert gauge.u95 == 2.0 * gauge.standard


T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
"""Thermometer readings and corrections of table H.6, degrees Celsius."""


def test_h3_calibration_line_as_published() -> None:
    """H.3: y1 = -0.1712 (0.0029), y2 = 0.00218 (0.00067), r = -0.930, with t0 = 20."""
    fit = linregress(np.array(T) - 20.0, B)
    assert (fit.intercept, fit.intercept_stderr) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (fit.slope, fit.stderr) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    covariance = np.polyfit(np.array(T) - 20.0, B, 1, cov=True)[1]
    correlation = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)


def test_h3_a_line_about_its_own_middle_needs_no_correlation() -> None:
    """Predicted correction at 30: -0.1494 (0.0041), the published value with the correlation r.

    Offset and slope of a line fitted about the middle of its points are uncorrelated, so their plain
    contributions must combine to the same: why a budget may hold them as two lines.
    """
    middle = float(np.mean(T))
    (slope, offset), covariance = np.polyfit(np.array(T) - middle, B, 1, cov=True)
    reach = 30.0 - middle
    predicted = measured(
        offset + reach * slope,
        {"offset": math.sqrt(covariance[1, 1]), "slope": reach * math.sqrt(covariance[0, 0])},
    )
    assert predicted.value == pytest.approx(-0.1494, abs=5e-5)
    assert predicted.standard == pytest.approx(0.0041, abs=5e-5)
