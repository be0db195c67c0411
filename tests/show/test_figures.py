"""How figures are written: one table of expected strings."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.show.figures import MM_PER_INCH, decimals, figure, plain, sixty_fourths
from lightgap.values import Below, Measured, Unknown, Value
from made_ring import deg, mm

UNKNOWN = Unknown("squeeze-out covers it")

FIGURES = [
    # value, quantity, in mm (or degrees), in inches
    (mm(0.3614, 0.0452), "gap_mm", "0.36 ± 0.05 mm", "0.0142 ± 0.0018 in (1/64)"),
    (mm(0.3614, 0.0254), "gap_mm", "0.361 ± 0.025 mm", "0.0142 ± 0.0010 in (1/64)"),
    (mm(0.0512, 0.0120), "gap_mm", "0.051 ± 0.012 mm", "0.0020 ± 0.0005 in"),
    (mm(-0.004, 0.030), "gap_mm", "-0.004 ± 0.030 mm", "-0.0002 ± 0.0012 in"),
    (mm(-0.004, 0.040), "gap_mm", "0.00 ± 0.04 mm", "-0.0002 ± 0.0016 in"),
    (mm(2.998, 0.0972), "gap_mm", "3.00 ± 0.10 mm", "0.118 ± 0.004 in (1/8)"),
    (mm(219.87, 0.31), "across_flats_mm", "219.87 ± 0.31 mm", "8.656 ± 0.012 in (8 21/32)"),
    (mm(219.87, 0.71), "across_flats_mm", "219.9 ± 0.7 mm", "8.656 ± 0.028 in (8 21/32)"),
    (mm(219.87, 12.0), "across_flats_mm", "220 ± 12 mm", "8.7 ± 0.5 in (8 21/32)"),
    (mm(0.3614, 0.00004), "gap_mm", "0.36140 ± 0.00004 mm", "0.014228 ± 0.000002 in (1/64)"),
    (Value(3.0), "gap_mm", "3.00 mm", "0.118 in (1/8)"),
    (Below(0.02), "gap_mm", "below 0.02 mm", "below 0.001 in"),
    (Below(0.0201), "gap_mm", "below 0.03 mm", "below 0.001 in"),
    (UNKNOWN, "gap_mm", "not measured", "not measured"),
    (Value(float("nan")), "gap_mm", "not measured", "not measured"),
    (deg(-0.352, 0.061), "mitre_deg", "-0.35 ± 0.06°", "-0.35 ± 0.06°"),
    (deg(30.0, 0.11), "included_angle_deg", "30.00 ± 0.11°", "30.00 ± 0.11°"),
]


@pytest.mark.parametrize(("value", "quantity", "in_mm", "in_inches"), FIGURES)
def test_figures(value: Measured, quantity: str, in_mm: str, in_inches: str) -> None:
    assert figure(value, quantity) == in_mm
    assert figure(value, quantity, "inch") == in_inches


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (mm(0.3614, 0.0452), "0.36±0.05"),
        (Below(0.02), "<0.02"),
        (UNKNOWN, "-"),
        (Value(float("inf")), "-"),
    ],
)
def test_a_tables_cell_has_no_unit(value: Measured, cell: str) -> None:
    assert figure(value, "gap_mm", bare=True) == cell


def test_a_sign_is_written_where_it_matters_and_never_before_nothing() -> None:
    assert figure(deg(0.35), "taper_deg", signed=True) == "+0.35 ± 0.06°"
    assert figure(deg(-0.001), "taper_deg", signed=True) == "0.00 ± 0.06°"


@pytest.mark.parametrize(
    ("uncertainty", "places"),
    [
        (0.0100, 3),
        (0.0354, 3),
        (0.0355, 2),
        (0.0949, 2),
        (0.0950, 2),
        (0.0999, 2),
        (0.1, 2),
        (3.6, 0),
        (36.0, 0),
    ],
)
def test_the_uncertainty_keeps_one_or_two_digits(uncertainty: float, places: int) -> None:
    assert decimals(uncertainty) == places


@given(value=st.floats(-300.0, 300.0), u95=st.floats(0.001, 5.0))
def test_rounding_never_moves_a_value_by_more_than_a_sixth_of_its_uncertainty(
    value: float, u95: float
) -> None:
    shown, uncertainty = figure(mm(value, u95), "gap_mm", bare=True).split("±")
    assert abs(float(shown) - value) <= 0.15 * u95 + 1e-9
    assert float(uncertainty) == pytest.approx(u95, rel=0.15)


@given(bound=st.floats(0.001, 5.0))
def test_a_bound_never_becomes_smaller_in_writing(bound: float) -> None:
    assert float(figure(Below(bound), "gap_mm", bare=True)[1:]) >= bound - 1e-6


@given(inches=st.floats(0.0, 20.0))
def test_sixty_fourths_are_the_nearest(inches: float) -> None:
    shown = sixty_fourths(inches) or "0"
    total = 0.0
    for part in shown.split():
        top, _, bottom = part.partition("/")
        total += int(top) / int(bottom or 1)
    assert abs(total - inches) <= 1.0 / 128.0 + 1e-12


def test_what_was_set_is_written_without_uncertainty() -> None:
    assert plain(0.3, "gap_mm") == "0.30 mm"
    assert plain(0.25, "taper_deg") == "0.25°"
    assert plain(0.0, "gap_mm", bare=True) == "0"
    assert plain(MM_PER_INCH, "width_mm", "inch") == "1.000 in"
