"""Every figure that a person reads: one formatter, whose digits follow the uncertainty.

Lengths are millimetres everywhere else; inches exist only here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from lightgap.values import COVERAGE_FACTOR, Below, Contribution, Measured, Unknown

Units = Literal["mm", "inch"]

MM_PER_INCH = 25.4


@dataclass(frozen=True)
class _Scale:
    """How a kind of figure is written: its unit's sign, and its size in the program's own unit."""

    sign: str
    size: float
    decimals: int


_DEGREES = _Scale("°", 1.0, 2)
_LENGTHS: dict[Units, _Scale] = {"mm": _Scale(" mm", 1.0, 2), "inch": _Scale(" in", MM_PER_INCH, 3)}
_MOST_DECIMALS = 6


def _scale(quantity: str, units: Units) -> _Scale:
    return _DEGREES if quantity.endswith("_deg") else _LENGTHS[units]


def decimals(uncertainty: float) -> int:
    """Return the decimals to show: the uncertainty keeps one or two significant digits.

    The rule of the Particle Data Group (Review of Particle Physics, Introduction, 5.3): two digits
    when its three leading digits are 100 to 354, one for 355 to 949, else rounded up to two.

    Examples
    --------
    >>> decimals(0.0254), decimals(0.0452), decimals(0.0972)
    (3, 2, 2)
    """
    exponent = math.floor(math.log10(uncertainty))
    leading = round(uncertainty / 10.0 ** (exponent - 2))
    return max(0, min(_MOST_DECIMALS, 1 - exponent if leading < 355 else -exponent))


def figure(
    value: Measured,
    quantity: str,
    units: Units = "mm",
    *,
    signed: bool = False,
    bare: bool = False,
    alone: bool = False,
) -> str:
    """Write a measured value with its uncertainty.

    Parameters
    ----------
    quantity : str
        The key that holds it; "_mm" or "_deg" at its end tells the unit.
    signed : bool
        Write a plus sign too.
    bare : bool
        For a table's cell: no unit, no spaces, no sixty-fourths.
    alone : bool
        Leave the uncertainty out, where the same one has just been given; the digits still follow it.

    Examples
    --------
    >>> from lightgap.values import measured
    >>> figure(measured(0.3614, {"edge fit": 0.0226}), "gap_mm")
    '0.36 ± 0.05 mm'
    >>> figure(measured(0.3614, {"edge fit": 0.0226}), "gap_mm", "inch")
    '0.0142 ± 0.0018 in (1/64)'
    """
    scale = _scale(quantity, units)
    if isinstance(value, Unknown):
        return "-" if bare else "not measured"
    if isinstance(value, Below):
        bound = _at_least(value.below / scale.size, scale.decimals)
        return f"<{bound}" if bare else f"below {bound}{scale.sign}"
    number, uncertainty = value.value / scale.size, value.u95 / scale.size
    if not math.isfinite(number) or not math.isfinite(uncertainty):
        return "-" if bare else "not measured"
    if uncertainty == 0.0:
        shown = _signed(number, scale.decimals, signed)
    else:
        places = decimals(uncertainty)
        between = "±" if bare else " ± "
        shown = _signed(number, places, signed)
        shown += "" if alone else f"{between}{uncertainty:.{places}f}"
    if bare:
        return shown
    return f"{shown}{scale.sign}{_fraction(number) if scale.size == MM_PER_INCH else ''}"


def plain(number: float, quantity: str, units: Units = "mm", *, bare: bool = False) -> str:
    """Write a number that was set, not measured: a nominal size or a limit.

    Examples
    --------
    >>> plain(0.15, "gap_mm"), plain(0.125, "gap_mm"), plain(240.0, "across_flats_mm")
    ('0.15 mm', '0.125 mm', '240 mm')
    >>> plain(0.15, "gap_mm", "inch")
    '0.006 in'
    """
    scale = _scale(quantity, units)
    shown = f"{number / scale.size:.3f}"
    if scale.size != MM_PER_INCH:
        shown = shown.removesuffix("0").removesuffix(".00")
    return shown if bare else f"{shown}{scale.sign}"


def expanded(part: Contribution, quantity: str, units: Units = "mm") -> str:
    """Write one line of a budget as 2 u, without unit, so that it compares with the U beside the value.

    Examples
    --------
    >>> expanded(Contribution("edge fit", 0.0123), "gap_mm")
    '0.025'
    """
    size = COVERAGE_FACTOR * part.standard / _scale(quantity, units).size
    return f"{size:.{decimals(size)}f}" if size > 0.0 else "0"


def sixty_fourths(inches: float) -> str:
    """Write inches as a whole number and the nearest 1/64, reduced; "" when that is nothing.

    Examples
    --------
    >>> sixty_fourths(8.6614), sixty_fourths(0.0142), sixty_fourths(0.004), sixty_fourths(2.0)
    ('8 21/32', '1/64', '', '2')
    """
    nearest = Fraction(round(abs(inches) * 64), 64)
    whole, rest = divmod(nearest, 1)
    return " ".join(str(part) for part in (whole, rest) if part)


def _fraction(inches: float) -> str:
    shown = sixty_fourths(inches)
    return f" ({shown})" if shown else ""


def _at_least(number: float, places: int) -> str:
    """Round up: a bound must not become smaller in writing; the tiny step takes up binary rounding."""
    step = 10.0**places
    return f"{math.ceil(number * step - 1e-6) / step:.{places}f}"


def _signed(number: float, places: int, signed: bool) -> str:
    shown = f"{number:+.{places}f}" if signed else f"{number:.{places}f}"
    return shown.lstrip("+-") if float(shown) == 0.0 else shown
