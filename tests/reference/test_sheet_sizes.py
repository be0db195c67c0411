"""Sheet sizes against their standards.

ISO 216:2007 (writing paper, A series) and ANSI/ASME Y14.1 (drawing sheets A and B, which are Letter and
Tabloid), both as tabled there; and ISO 216's own rule, from which the A sizes follow.
"""

from __future__ import annotations

import math

import pytest

from lightgap.reference.sheet import SHEET_SIZES_MM

ISO_216_MM = {"A2": (420, 594), "A3": (297, 420), "A4": (210, 297), "A5": (148, 210)}
ANSI_Y14_1_INCH = {"Letter": (8.5, 11.0), "Tabloid": (11.0, 17.0)}


@pytest.mark.parametrize("name", ISO_216_MM)
def test_a_sizes_as_iso_216_tables_them(name: str) -> None:
    assert SHEET_SIZES_MM[name] == ISO_216_MM[name]


@pytest.mark.parametrize("number", [2, 3, 4, 5])
def test_a_sizes_follow_from_one_square_metre(number: int) -> None:
    # A0 has 1 m^2 and sides of 1 to root 2; each number halves the area. Rounded to the millimetre.
    long = 1000.0 * math.sqrt(math.sqrt(2.0) / 2.0**number)
    short = long / math.sqrt(2.0)
    assert SHEET_SIZES_MM[f"A{number}"] == (pytest.approx(short, abs=1.0), pytest.approx(long, abs=1.0))


@pytest.mark.parametrize("name", ANSI_Y14_1_INCH)
def test_inch_sizes_as_ansi_y14_1_tables_them(name: str) -> None:
    inches = tuple(side / 25.4 for side in SHEET_SIZES_MM[name])
    assert inches == pytest.approx(ANSI_Y14_1_INCH[name], abs=1e-9)


def test_no_other_size_is_offered() -> None:
    assert set(SHEET_SIZES_MM) == ISO_216_MM.keys() | ANSI_Y14_1_INCH.keys()
