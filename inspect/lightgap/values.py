"""A measured value and what is known about it.

Every figure that reaches a person is one of three things: a `Value` with its uncertainty, a `Below`
(smaller than this photo can resolve), or an `Unknown` with the reason why it could not be measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

COVERAGE_FACTOR = 2.0
"""k of JCGM 100:2008 clause 6.3: U = k u, about 95 % for a normal distribution."""


@dataclass(frozen=True)
class Contribution:
    """One line of an uncertainty budget.

    Attributes
    ----------
    name : str
        Where it comes from, in a person's words ("edge fit", "scale", "plane height").
    standard : float
        Standard uncertainty (k = 1) in the unit of the value.
    """

    name: str
    standard: float


@dataclass(frozen=True)
class Value:
    """A value with its budget; the unit stands in the name of the field that holds it."""

    value: float
    budget: tuple[Contribution, ...] = field(default=(), repr=False)

    @property
    def standard(self) -> float:
        """Combined standard uncertainty: root sum of squares (JCGM 100:2008 eq. 10, uncorrelated)."""
        return math.sqrt(sum(part.standard**2 for part in self.budget))

    @property
    def u95(self) -> float:
        """Expanded uncertainty U = 2 u."""
        return COVERAGE_FACTOR * self.standard

    def to_dict(self) -> dict[str, float]:
        return {"value": _rounded(self.value), "u95": _rounded(self.u95)}


@dataclass(frozen=True)
class Below:
    """Narrower than this photo can measure: the true value lies under ``below`` (95 %)."""

    below: float
    budget: tuple[Contribution, ...] = field(default=(), repr=False)

    def to_dict(self) -> dict[str, float]:
        return {"below": _rounded(self.below)}


@dataclass(frozen=True)
class Unknown:
    """Not measured, and why."""

    reason: str

    def to_dict(self) -> None:
        return None


Measured = Value | Below | Unknown


def measured(value: float, contributions: Mapping[str, float] | Iterable[Contribution]) -> Value:
    """Make a `Value` from named standard uncertainties (k = 1).

    Examples
    --------
    >>> measured(2.0, {"edge fit": 0.03, "scale": 0.04}).u95
    0.1
    """
    if isinstance(contributions, Mapping):
        contributions = (Contribution(name, abs(standard)) for name, standard in contributions.items())
    return Value(value, tuple(contributions))


def budget_rows(value: Measured) -> list[dict[str, Any]]:
    """Return a value's budget as rows of name and standard uncertainty, the largest first."""
    if isinstance(value, Unknown):
        return []
    parts = sorted(value.budget, key=lambda part: -part.standard)
    return [{"name": part.name, "standard": _rounded(part.standard)} for part in parts]


def _rounded(number: float) -> float:
    return round(float(number), 5)
